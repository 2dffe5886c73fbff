"""Random histories: the stored state of a lot is recomputable, and past answers are repeatable."""

import contextlib
import random
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.domain.assessment.standing_by_hand import in_force_after
from lots.services.assessment.judging import judge_lot
from lots.store.assessment import decisions, lots
from lots.store.engine.database import transaction
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected

START = datetime(2026, 11, 20, 12, tzinfo=UTC)
STEPS = 30
LIMITS = (
    SIMPLE_LIMITS,
    {**SIMPLE_LIMITS, "sampling": {"fixed": 2}},
    {**SIMPLE_LIMITS, "color": {"lot_max": 0.4, "spread_max": 0.5}},
    {
        "decision_rule": "guarded",
        "instruments": "optional",
        "diameter": {"mean_tolerance_mm": 0.02},
        "bond": {"mean_min_mpa": 20, "tests_min": 2},
    },
    {
        **SIMPLE_LIMITS,
        "moisture": {"max_percent": 0.05},
        "uses": {"cosmetic": ["color", "moisture"], "hidden": ["diameter"]},
    },
)


class History:
    """One lot with random actions of people."""

    def __init__(self, shop, seed):
        self.shop, self.chance = shop, random.Random(seed)  # a repeatable history, no secret
        self.supplier, self.grade = shop.supplier(), shop.grade(limits=LIMITS[0])
        self.lot_id = self._receive()
        self.readings = []

    def _receive(self):
        return self.shop.receive(self.supplier, self.grade, spools=2, received_at="2026-11-20T08:00:00Z")["lot_id"]

    def step(self):
        """A random action."""
        does = [self.color, self.diameter, self.bond, self.moisture, self.void, self.decide, self.revise, self.reassess]
        self.chance.choices([*does, self._receive], [6, 6, 3, 3, 5, 3, 2, 2, 1])[0]()

    def _measure(self, kind, **values):
        spool = self.chance.choice(self.shop.lot(self.lot_id)["spools"])["code"]
        body = {"spool_code": spool, "screening": self.chance.random() < 0.1, **values}
        self.readings.append(self.shop.measure(kind, body)["id"])

    def color(self):
        """A colour, sometimes distant."""
        lab = [at + self.chance.gauss(0, self.chance.choice([0.2, 2.0])) for at in WHITE]
        self._measure("color", lab=lab, conditions=CONDITIONS)

    def diameter(self):
        """A diameter, sometimes outside its tolerance."""
        wide = self.chance.choice([0.01, 0.05])
        self._measure("diameter", d1_mm=1.75 + self.chance.gauss(0, wide), d2_mm=1.75 + self.chance.gauss(0, wide))

    def bond(self):
        """A strong or weak specimen."""
        self._measure("bond", stress_mpa=self.chance.uniform(15, 30))

    def moisture(self):
        """Measures a dry or wet spool."""
        self._measure("moisture", moisture_percent=self.chance.choice([0.02, 0.08]))

    def void(self):
        """Voids a random reading."""
        if self.readings:
            self.shop.void(self.readings.pop(self.chance.randrange(len(self.readings))))

    def decide(self):
        """A possible manual decision that does not end the lot."""
        by_hand = self.shop.lot(self.lot_id)["by_hand"]
        actions = {None: ["block", "hold"], "block": ["hold", "lift"], "hold": ["block", "lift"]}
        self.shop.decide(self.lot_id, self.chance.choice(actions[by_hand and by_hand["action"]]))

    def revise(self):
        """Sets new limits or approves a new reference colour."""
        if self.chance.random() < 0.5:
            self.shop.limit(self.grade["id"], self.chance.choice(LIMITS))
        else:
            self.shop.approve(self.grade["shade_id"], [at + self.chance.gauss(0, 0.3) for at in WHITE])

    def reassess(self):
        """A reassessment under the newest revisions."""
        self.shop.post("quality", f"/lots/{self.lot_id}/reassess")


# Columns of a lot's row that change, without its version and the moment of assessment.
KEPT = ("standing", "assessed", "by_hand", "uses", "why", "accepted", "to_measure", "lab", "shrinkage", "flow_factor")
REVISIONS = ("limits_revision_id", "shade_revision_id")


class Undone(Exception):
    """Rolls back a transaction."""


def rebuilt(lot_id):
    """Returns the columns of a lot recomputed from its readings, revisions and decisions. Stores nothing."""
    found = {}
    with contextlib.suppress(Undone), transaction():
        lot = lots.lock([lot_id])[lot_id]
        lot.by_hand = None
        for decision in decisions.listed(lot, None, 500).rows:
            if decision.action in ("block", "hold", "return", "scrap", "lift"):
                lot.by_hand = in_force_after(decision.action)
        lot.limits_revision, lot.shade_revision = decision.limits_revision, decision.shade_revision
        lot.measured = True  # a lot without readings would take newer revisions than at its last assessment
        # Nothing of the old judgement may leak into the new one.
        lot.standing, lot.uses, lot.accepted, lot.lab, lot.flow_factor = "scrapped", {}, [], None, None
        judge_lot(lot, "nobody", START)
        found = row_of(lot_id)
        raise Undone
    return found


def row_of(lot_id):
    """The stored row."""
    row = lots.find(lot_id)
    return {name: getattr(row, name) for name in (*KEPT, *REVISIONS)}


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.thorough) for seed in (1, 2))])
def test_what_stands_on_the_row_can_be_worked_out_again(shop, seed):
    """After every random action the row of the lot equals the recomputed one."""
    history, standings = History(shop, seed), set()
    for _ in range(STEPS):
        history.step()
        with connected():
            row = row_of(history.lot_id)
            assert rebuilt(history.lot_id) == row
            assert row == row_of(history.lot_id)
        standings.add(row["standing"])
    assert len(standings) > 1, "a history in which nothing happens shows nothing"


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.thorough) for seed in (1, 2))])
def test_a_moment_in_the_past_can_be_asked_again(shop, seed):
    """`as_of` a moment returns the answer of that moment, whatever happened since."""
    with time_machine.travel(START, tick=True) as clock:
        history, then = History(shop, seed), []
        for _ in range(STEPS):
            clock.shift(timedelta(minutes=random.Random(seed).choice([1, 90])))  # repeatable
            history.step()
            then.append(shop.assessment(history.lot_id))
        clock.shift(timedelta(days=1))
        for known in then:
            assert known == shop.assessment(history.lot_id, f"?as_of={known['as_of']}")
    assert len({known["standing"] for known in then}) > 1


def test_before_it_was_recorded_a_lot_was_not_known(shop):
    """A lot is not found before its first delivery was logged."""
    with time_machine.travel(START, tick=True):
        lot_id = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["lot_id"]
        before = (START - timedelta(minutes=1)).isoformat().replace("+00:00", "Z")
        shop.get("quality", f"/lots/{lot_id}/assessment?as_of={before}", 404)


def test_the_past_is_what_was_recorded_then_not_what_was_measured_then(shop):
    """A reading measured earlier and recorded later is unknown in between."""
    with time_machine.travel(START, tick=True) as clock:
        delivery = shop.good_lot()
        between = shop.assessment(delivery["lot_id"])
        clock.shift(timedelta(hours=1))
        shop.color(delivery["spools"][0]["code"], [90, -0.8, 1.5], measured_at="2026-11-20T09:00:00Z")
        assert "blocked" == shop.assessment(delivery["lot_id"])["standing"]
        assert between == shop.assessment(delivery["lot_id"], f"?as_of={between['as_of']}")


def test_the_moment_of_a_decision_belongs_to_it(shop):
    """A decision is in force from its exact moment."""
    with time_machine.travel(START, tick=False) as clock:
        lot_id = shop.good_lot()["lot_id"]
        clock.shift(timedelta(hours=1))
        at = datetime.fromisoformat(shop.decide(lot_id, "block")["decided_at"])
        clock.shift(timedelta(hours=1))
        for moment, standing in ((at - timedelta(microseconds=1), "released"), (at, "blocked")):
            asked = moment.isoformat().replace("+00:00", "Z")
            assert standing == shop.assessment(lot_id, f"?as_of={asked}")["standing"], asked


def test_judging_again_changes_nothing_when_nothing_is_new(shop):
    """A second reassessment has the same findings and status."""
    history = History(shop, 7)
    for _ in range(STEPS):
        history.step()
    history.reassess()
    first = shop.assessment(history.lot_id)
    history.reassess()
    assert {**first, "as_of": None} == {**shop.assessment(history.lot_id), "as_of": None}
