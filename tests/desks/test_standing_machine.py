"""Random days in a shop, against a small model of where lots must stand and what may be loaded.

The model knows one gauge, simple limits and two uses. It is written from the rules alone and shares no code with the shop.
"""

import os
import shutil
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import time_machine
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from lots.app import create_app
from lots.desks import access
from lots.settings import Settings
from lots.store import database
from tests.shop import PATHS, Shop
from tests.store.rows import connected

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
HOUR = timedelta(hours=1)
INTERVAL = timedelta(days=7)
SPOOL_G = 300
LIMITS = {
    "sampling": {"fixed": 1},
    "diameter": {"reading_tolerance_mm": 0.05},
    "bond": {"single_min_mpa": 14},
    "moisture": {"max_percent": 0.05},
    "uses": {"hidden": ["diameter"], "load_bearing": ["bond", "moisture"]},
}
# What each kind is measured as: good, good at its very limit, and bad.
VALUES = {"diameter": (1.75, 1.80, 1.83), "bond": (25.0, 14.0, 9.0), "moisture": (0.01, 0.05, 0.2)}
ENDINGS = ("return", "scrap")
Checks = list[tuple[datetime, bool]]
MASSES = st.sampled_from([None, None, 50, 250, 900])
USES = ("hidden", "load_bearing", "fit")


@dataclass
class Reading:
    """One reading as the model remembers it."""

    number: int
    kind: str
    spool: str
    value: float
    at: datetime
    by_gauge: bool
    screening: bool
    voided: bool = False


@dataclass
class Permit:
    """A concession: `taken` maps a load to what it used, or set aside while it runs."""

    number: int
    lot: "Lot"
    uses: list[str]
    most: float
    until: datetime
    approved: bool = False
    withdrawn: bool = False
    taken: dict[int, float] = field(default_factory=dict)
    beyond: float = 0.0

    @property
    def left(self) -> float:
        """What may still be loaded under it."""
        return max(self.most - sum(self.taken.values()), 0)


@dataclass
class Lot:
    """A lot: its deliveries as sets of spool codes, its readings, concessions and the decision in force."""

    number: int
    deliveries: list[list[str]] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    permits: list[Permit] = field(default_factory=list)
    by_hand: str | None = None
    ended_at: datetime | None = None

    @property
    def codes(self) -> list[str]:
        """Its spools."""
        return [code for codes in self.deliveries for code in codes]


def right(checks: Checks, at: datetime) -> bool:
    """Whether the gauge was right: the check before passed and still held, and the check after, if any, passed too."""
    start = max((moment for moment, _ in checks if moment <= at), default=START)
    following = min((moment for moment, _ in checks if moment > at), default=None)
    failed = [moment for moment, passed in checks if not passed]
    return start not in failed and following not in failed and at <= start + INTERVAL


def verdicts(lot: Lot, checks: Checks) -> dict[str, str]:
    """What the readings that count say of each use."""
    valid = [r for r in lot.readings if not (r.voided or r.screening) and (not r.by_gauge or right(checks, r.at))]
    diameters, bonds, moistures = ([r for r in valid if r.kind == kind] for kind in VALUES)
    measured = {r.spool for r in diameters}
    hidden = "pass" if all(measured & set(codes) for codes in lot.deliveries) else "missing"
    if any(r.value > 1.80 for r in diameters):
        hidden = "fail"
    newest = {s: max((r.at, r.value) for r in moistures if r.spool == s)[1] for s in {r.spool for r in moistures}}
    dry = bool(newest) and max(newest.values()) <= 0.05
    bearing = "fail" if any(r.value < 14 for r in bonds) else "pass" if bonds and dry else "missing"
    return {"hidden": hidden, "load_bearing": bearing}


def standing(lot: Lot, checks: Checks) -> str:
    """Where a lot must be: the readings' word, unless a person's stands above it."""
    said = set(verdicts(lot, checks).values())
    read = "quarantined" if "missing" in said else "restricted"
    if len(said) == 1 and "missing" not in said:
        read = {"pass": "released", "fail": "blocked"}[said.pop()]
    if lot.by_hand == "hold":
        return "blocked" if read == "blocked" else "quarantined"
    return {"block": "blocked", "return": "returned", "scrap": "scrapped"}.get(lot.by_hand, read)


def written(moment: datetime) -> str:
    """A moment as it is sent."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


class Days(RuleBasedStateMachine):
    """Two lots, one gauge, and people who do whatever comes to their mind."""

    def __init__(self, template, folder) -> None:
        super().__init__()
        self.path = folder / "days.sqlite3"
        for old in folder.glob("days.sqlite3*"):
            old.unlink()
        shutil.copy(template[0], self.path)
        self.travel = time_machine.travel(START, tick=False)
        self.clock = self.travel.start()
        self.shop = Shop(create_app(Settings(database=f"sqlite:///{self.path}")), dict(template[1]))
        with connected():
            self.shop.tokens["second"] = access.add_token("second person", "quality")
        self.lots: dict[str, Lot] = {}
        self.checks: Checks = []
        self.remaining: dict[str, float] = {}
        # Load -> (spool, concession or None, what it set aside).
        self.running: dict[int, tuple[str, Permit | None, float]] = {}
        self.refused = 0

    def teardown(self) -> None:
        """Looks whether anything vanished, then gives time and database back."""
        try:
            self.nothing_vanishes()
        finally:
            database.close()
            self.travel.stop()

    @initialize()
    def open_shop(self) -> None:
        """A supplier, a grade, a gauge and the first lot."""
        self.supplier, self.grade = self.shop.supplier(), self.shop.grade(limits=LIMITS)
        body = {"code": "MIC-1", "kind": "micrometer", "check_interval_days": INTERVAL.days}
        self.instrument = self.shop.post("quality", "/instruments", body)["id"]
        self.receive("Q-1", 2)

    def lot_of(self, pick: int) -> Lot:
        """Any lot there is."""
        return list(self.lots.values())[pick % len(self.lots)]

    @property
    def permits(self) -> list[Permit]:
        """Every concession that was asked for."""
        return [permit for lot in self.lots.values() for permit in lot.permits]

    picks = st.integers(0, 30)

    @rule(name=st.sampled_from(["Q-1", "Q-2"]), spools=st.integers(1, 2))
    def receive(self, name: str, spools: int) -> None:
        """A delivery, of a lot that is known or new."""
        more = {"received_at": written(START), "net_mass_g": SPOOL_G}
        got = self.shop.receive(self.supplier, self.grade, name, spools, **more)
        lot = self.lots.setdefault(name, Lot(got["lot_id"]))
        lot.deliveries.append([spool["code"] for spool in got["spools"]])
        self.remaining |= dict.fromkeys(lot.deliveries[-1], float(SPOOL_G))

    @rule(
        pick=picks,
        kind=st.sampled_from(list(VALUES)),
        quality=st.sampled_from([0, 0, 0, 1, 2]),
        by_gauge=st.booleans(),
        hours_ago=st.sampled_from([0, 0, 1, 5]),
        screening=st.sampled_from([False, False, False, True]),
    )
    def measure(self, pick, kind, quality, by_gauge, hours_ago, screening) -> None:
        """A reading, now and then bad, of the past, or for looking only."""
        lot = self.lot_of(pick)
        spool = lot.codes[pick // len(self.lots) % len(lot.codes)]
        at = max(START, datetime.now(UTC) - hours_ago * HOUR)
        self.take(lot, spool, kind, VALUES[kind][quality], at, by_gauge, screening)

    def take(self, lot, spool, kind, value, at, by_gauge=False, screening=False) -> None:
        """Stores a reading in the shop and in the model."""
        named = {"diameter": "d1_mm", "bond": "stress_mpa", "moisture": "moisture_percent"}[kind]
        fields = {named: value} | ({"d2_mm": 1.75} if kind == "diameter" else {})
        fields |= {"instrument_id": self.instrument} if by_gauge else {}
        body = {"spool_code": spool, "measured_at": written(at), "screening": screening, **fields}
        answer = self.shop.post("quality", PATHS[kind], body)
        lot.readings.append(Reading(answer["id"], kind, spool, value, at, by_gauge, screening))
        assert standing(lot, self.checks) == answer["lot"]["standing"]

    @rule(pick=picks, use=st.sampled_from(USES), quality=st.sampled_from([0, 0, 0, 2]), by_gauge=st.booleans())
    def measure_all_and_load(self, pick: int, use: str, quality: int, by_gauge: bool) -> None:
        """Everything a lot still wants is measured, mostly good; then a spool of it is asked for."""
        lot = self.lot_of(pick)
        spools = [codes[0] for codes in lot.deliveries]
        for kind, spool in [*(("diameter", spool) for spool in spools), ("bond", spools[0]), ("moisture", spools[0])]:
            self.take(lot, spool, kind, VALUES[kind][quality], datetime.now(UTC), by_gauge)
        self.load(pick, use, None)

    @rule(pick=picks, use=st.sampled_from(USES), mass=MASSES, hours=st.sampled_from([0, 0, 2, 3]))
    def permit_and_load(self, pick: int, use: str, mass: float | None, hours: int) -> None:
        """Two people permit 100 g of a use for two hours, and a spool is asked for it, in time or too late."""
        self.ask(pick, {use}, 100, 2, "second")
        self.wait(hours)
        self.load(pick, use, mass)

    @rule(pick=picks)
    def void(self, pick: int) -> None:
        """A reading is said not to count, once."""
        if every := [reading for lot in self.lots.values() for reading in lot.readings]:
            reading = every[pick % len(every)]
            answer = self.shop.call("quality", "POST", f"/readings/{reading.number}/void", {"reason": "mistyped"})
            assert answer.status_code == (409 if reading.voided else 201)
            reading.voided = True

    @rule(passed=st.booleans(), hours_ago=st.sampled_from([0, 0, 1, 3, 30]))
    def check(self, passed: bool, hours_ago: int) -> None:
        """A check of the gauge, now or typed in late; every lot it moves is in its answer."""
        at = max(START, datetime.now(UTC) - hours_ago * HOUR)
        before = {lot.number: standing(lot, self.checks) for lot in self.lots.values()}
        body = {"checked_at": written(at), "result": "pass" if passed else "fail"}
        answer = self.shop.post("quality", f"/instruments/{self.instrument}/checks", body)
        self.checks.append((at, passed))
        now = {lot.number: standing(lot, self.checks) for lot in self.lots.values()}
        moved = dict(now.items() - before.items())
        listed = {lot["id"]: lot["standing"] for lot in answer["lots"] if lot["standing"] != lot["standing_before"]}
        assert moved == listed

    @rule(pick=picks, action=st.sampled_from(["lift", "lift", "block", "hold", "return", "scrap"]))
    def decide(self, pick: int, action: str) -> None:
        """A decision by hand, whether it may follow or not; only a later lot ever leaves the shop, and comes back within a day."""
        lot = self.lots.get("Q-2") if action in ENDINGS else self.lot_of(pick)
        if lot is None:
            return
        gone = lot.by_hand in ENDINGS
        may = not gone and action != lot.by_hand and (action != "lift" or lot.by_hand is not None)
        may |= gone and action == "lift" and datetime.now(UTC) <= lot.ended_at + timedelta(days=1)
        self.shop.decide(lot.number, action, status=201 if may else 409)
        if may:
            lot.by_hand = None if action == "lift" else action
            lot.ended_at = datetime.now(UTC)

    @rule(pick=picks)
    def reassess(self, pick: int) -> None:
        """Judging again without a new revision changes nothing."""
        lot = self.lot_of(pick)
        assert standing(lot, self.checks) == self.shop.post("quality", f"/lots/{lot.number}/reassess")["standing"]

    @rule(
        pick=picks,
        uses=st.sets(st.sampled_from(USES), min_size=1),
        most=st.sampled_from([100, 400]),
        hours=st.sampled_from([2, 50]),
        who=st.sampled_from(["second", "second", "second", "quality", None]),
    )
    def ask(self, pick: int, uses: set[str], most: float, hours: int, who: str | None) -> None:
        """A concession asked for, and approved at once by the right person, the wrong one or nobody."""
        lot, until = self.lot_of(pick), datetime.now(UTC) + hours * HOUR
        body = {"uses": sorted(uses), "max_mass_g": most, "valid_until": written(until), "reason": "needed"}
        gone = lot.by_hand in ENDINGS
        answer = self.shop.post("quality", f"/lots/{lot.number}/concessions", body, 409 if gone else 201)
        if not gone:
            lot.permits.append(Permit(answer["id"], lot, sorted(uses), most, until))
            if who:
                self.approve(len(self.permits) - 1, who)

    @precondition(lambda self: self.permits)
    @rule(pick=picks, who=st.sampled_from(["second", "quality"]))
    def approve(self, pick: int, who: str) -> None:
        """A concession approved, when it may be and when not."""
        permit = self.permits[pick % len(self.permits)]
        may = who == "second" and not permit.approved and not permit.withdrawn and datetime.now(UTC) < permit.until
        may = may and permit.lot.by_hand not in ENDINGS
        self.shop.post(who, f"/concessions/{permit.number}/approve", status=201 if may else 409)
        permit.approved |= may

    @precondition(lambda self: self.permits)
    @rule(pick=picks)
    def withdraw(self, pick: int) -> None:
        """A concession taken back, once."""
        permit = self.permits[pick % len(self.permits)]
        status = 409 if permit.withdrawn else 201
        self.shop.post("quality", f"/concessions/{permit.number}/withdraw", {"reason": "tabs broke"}, status)
        permit.withdrawn = True

    @rule(pick=picks, use=st.sampled_from(USES), mass=MASSES)
    def load(self, pick: int, use: str, mass: float | None) -> None:
        """A spool asked for at a machine: it is given out exactly when the model allows it."""
        lot = self.lot_of(pick)
        busy = {running[0] for running in self.running.values()}
        # Mostly one that is on no machine, so that not every second answer is about that.
        codes = [code for code in lot.codes if pick % 5 == 0 or code not in busy] or lot.codes
        spool = codes[pick % len(codes)]
        fits = [p for p in lot.permits if p.approved and not p.withdrawn and use in p.uses]
        fits = [p for p in fits if datetime.now(UTC) <= p.until and p.left > 0 and (mass or 0) <= p.left]
        loadable = standing(lot, self.checks) in ("released", "restricted")
        passes = loadable and verdicts(lot, self.checks).get(use) == "pass"
        usable = self.remaining[spool] > 0 and (mass or 0) <= self.remaining[spool]
        may = usable and spool not in busy and lot.by_hand is None and (passes or bool(fits))
        more = {"machine": f"P-{spool}"} | ({} if mass is None else {"mass_g": mass})
        assert may is self.shop.ask_clearance(spool, use, **({} if mass is None else {"mass_g": str(mass)}))["clear"]
        answer = self.shop.load(spool, use, 201 if may else 409, **more)
        if not may:
            assert answer["reasons"]
            self.refused += 1
            return
        permit = None if passes else min(fits, key=lambda p: (p.until, p.number))
        aside = 0.0 if permit is None else min(permit.left, self.remaining[spool] if mass is None else mass)
        assert (permit and permit.number, permit and aside) == (answer["concession_id"], answer["reserved_g"])
        if permit is not None:
            permit.taken[answer["id"]] = aside
        self.running[answer["id"]] = (spool, permit, aside)

    @precondition(lambda self: self.running)
    @rule(pick=picks, tenths=st.sampled_from([0, 3, 9, 10, 11]))
    def unload(self, pick: int, tenths: int) -> None:
        """A spool comes off with some of what was on it, or is said to hold more, which is refused."""
        number = list(self.running)[pick % len(self.running)]
        spool, permit, aside = self.running[number]
        left = self.remaining[spool] * tenths / 10 + (1 if tenths > 10 else 0)
        self.shop.unload(number, left, 422 if tenths > 10 else 201)
        if tenths <= 10:
            used = self.remaining[spool] - left
            if permit is not None:
                permit.taken[number] = used
                permit.beyond += max(used - aside, 0)
            self.remaining[spool] = left
            del self.running[number]

    @rule(hours=st.sampled_from([1, 1, 3, 30, 24 * 8]))
    def wait(self, hours: int) -> None:
        """Time passes: concessions run out, the gauge's check too."""
        self.clock.shift(hours * HOUR)

    @invariant()
    def lots_stand_where_they_must(self) -> None:
        """Row and assessment say what the model says; spools hold what it says, never less than nothing."""
        for lot in self.lots.values():
            row, judged = self.shop.lot(lot.number), self.shop.assessment(lot.number)
            expected = (standing(lot, self.checks), verdicts(lot, self.checks))
            assert expected == (row["standing"], row["uses"])
            assert expected == (judged["standing"], judged["uses"])
            assert (row["assessed"], row["to_measure"]) == (judged["assessed"], judged["to_measure"])
            assert lot.by_hand == (row["by_hand"] and row["by_hand"]["action"])
            masses = {spool["code"]: spool["remaining_mass_g"] for spool in row["spools"]}
            assert {code: self.remaining[code] for code in lot.codes} == masses
            assert min(masses.values()) >= 0

    @invariant()
    def concessions_are_accounted_for(self) -> None:
        """Taken is what loads took; nothing is granted beyond the most, and what ran over is known to the gram."""
        for lot in self.lots.values():
            if lot.permits:
                states = self.shop.get("quality", f"/lots/{lot.number}/concessions")["items"]
                for permit, state in zip(lot.permits, states, strict=True):
                    taken = sum(permit.taken.values())
                    assert (permit.number, taken) == (state["id"], state["taken_g"])
                    assert (permit.left, max(taken - permit.most, 0)) == (state["left_g"], state["over_g"])
                    assert taken <= permit.most + permit.beyond

    def nothing_vanishes(self) -> None:
        """Every reading is still there, valid or not as the model says, and every refused load is on record."""
        for lot in self.lots.values():
            kept = self.shop.get("quality", f"/lots/{lot.number}/readings?limit=500")["items"]
            assert [r.number for r in lot.readings] == [reading["id"] for reading in kept]
            valid = [not r.by_gauge or right(self.checks, r.at) for r in lot.readings]
            assert valid == [reading["decision_valid"] for reading in kept]
            assert [r.voided for r in lot.readings] == [reading["voided"] is not None for reading in kept]
        assert self.refused == len(self.shop.get("quality", "/load-refusals?limit=500")["items"])


def test_random_days_leave_every_lot_where_the_model_puts_it(sqlite_template, tmp_path):
    """Whatever people do in whatever order, lots stand, load and account for themselves as the model does."""
    slow = [HealthCheck.too_slow]
    days = 100 if os.environ.get("LOTS_TEST_EXPLORE") else 12
    calm = settings(max_examples=days, stateful_step_count=40, deadline=None, suppress_health_check=slow)
    run_state_machine_as_test(lambda: Days(sqlite_template, tmp_path), settings=calm)
