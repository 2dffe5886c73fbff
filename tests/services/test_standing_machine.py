"""Random days in a shop, compared with a small model of statuses and loads.

Two lots of two suppliers, so that no step is assessed; changing limits, a plan or a fixed sample, the simple or the guarded rule,
a fine and a coarse instrument of each kind. The model is in `tests/services/standing_model.py` and shares no code with the shop.
"""

import os
import shutil
from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
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

from lots.app import create_app, prepare_database
from lots.domain.characteristics.registry import DECLARED
from lots.services.setup import access
from lots.settings import Settings
from lots.store.engine import database
from tests.feed import stands_as_told
from tests.services.standing_model import (
    EACH_SPOOL,
    GREY,
    INTERVAL,
    REVISIONS,
    SAMPLE,
    SPOOL_G,
    SPOOLS,
    UNCERTAIN,
    USES,
    VALUES,
    Gauge,
    Lot,
    Permit,
    Reading,
    written,
)
from tests.shop import PATHS, Shop
from tests.store.rows import connected

pytestmark = pytest.mark.thorough

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
HOUR = timedelta(hours=1)
KINDS = list(VALUES)
ENDINGS = ("return", "scrap")
SAME = ("standing", "assessed", "uses", "to_measure")
SHADES = st.sampled_from([0, 0, 1, 1, 3])
JOBS = st.sampled_from(["J-1", "J-2"])
MASSES = st.sampled_from([None, None, 50, 250, 900])


class Days(RuleBasedStateMachine):
    """Two lots, four instruments, and random actions of people."""

    def __init__(self, app, template, folder) -> None:
        super().__init__()
        for old in folder.glob("days.sqlite3*"):
            old.unlink()
        path = shutil.copy(template[0], folder / "days.sqlite3")
        self.travel = time_machine.travel(START, tick=False)
        self.clock = self.travel.start()
        prepare_database(f"sqlite:///{path}")
        app.extensions["token_uses"] = access.Uses()
        self.shop = Shop(app, dict(template[1]))
        with connected():
            self.shop.tokens["second"] = access.add_token("second person", "quality")
        self.lots: dict[str, Lot] = {}
        self.remaining: dict[str, float] = {}
        # Load -> (spool, concession or None, reserved mass); job -> its lots.
        self.running: dict[int, tuple[str, Permit | None, float]] = {}
        self.jobs: dict[str, list[tuple[Lot, str]]] = {}
        self.touched, self.numbers, self.refused = set(), count(1), 0

    def teardown(self) -> None:
        """Verifies that nothing vanished, then restores clock and database."""
        try:
            self.touched = set(self.lots)
            self.lots_stand_where_they_must()
            self.nothing_vanishes()
        finally:
            database.close()
            self.travel.stop()

    @initialize(
        revisions=st.tuples(st.sampled_from(REVISIONS), st.sampled_from(REVISIONS)),
        shades=st.tuples(SHADES, SHADES),
        bad=st.sampled_from([0, 1]),
        gauge=st.sampled_from([0, 0, 1]),
        begun=st.sampled_from(["", "", "diameter", "color"]),
    )
    def open_shop(self, revisions, shades, bad, gauge, begun) -> None:
        """Two suppliers, a grade, instruments, and two lots, each under a limits revision, measured or begun, requested for one job."""
        self.suppliers = {name: self.shop.supplier(f"S-{name}") for name in ("Q-1", "Q-2")}
        self.revision = revisions[0]
        shade = self.shop.shade(lab=[GREY, 0, 0])
        self.grade = self.shop.grade(limits=self.revision.body, shade_id=shade["id"])
        self.gauges: dict[str, list[Gauge]] = {}
        for kind, uncertain in UNCERTAIN.items():
            for u in uncertain:
                body = {"code": f"{kind}-{u}", "kind": kind, "check_interval_days": INTERVAL.days}
                # Measures of instruments are not the subject here.
                body["measures"] = list(DECLARED)
                made = self.shop.post("quality", "/instruments", body | {"standard_uncertainty": u})
                self.gauges.setdefault(kind, []).append(Gauge(made["id"], u, START))
        for place, name in enumerate(self.suppliers):
            if revisions[place] != self.revision:
                self.revise(revisions[place])
            self.receive(name)
            self.fill(self.lots[name], shades[place], bad, gauge, begun)
        self.share_a_job("J-1", 0)
        self.share_a_job("J-2", 1)

    def lot_of(self, pick: int) -> Lot:
        """Any lot, examined after this step."""
        self.touched.add(name := list(self.lots)[pick % len(self.lots)])
        return self.lots[name]

    permits = property(lambda self: [permit for lot in self.lots.values() for permit in lot.permits])

    picks = st.integers(0, 30)

    @rule(name=st.sampled_from(["Q-1", "Q-2"]))
    def receive(self, name: str) -> None:
        """A first or further delivery of a lot, at most two."""
        if name in self.lots and len(self.lots[name].deliveries) > 1:
            return
        more = {"received_at": written(START), "net_mass_g": SPOOL_G}
        got = self.shop.receive(self.suppliers[name], self.grade, name, SPOOLS, **more)
        lot = self.lots.setdefault(name, Lot(got["lot_id"], self.revision))
        self.judged(lot)
        assert len(got["sample"]["spool_codes"]) == SAMPLE
        lot.deliveries.append(([spool["code"] for spool in got["spools"]], got["sample"]["spool_codes"]))
        self.remaining |= dict.fromkeys(lot.deliveries[-1][0], float(SPOOL_G))
        self.touched.add(name)

    def judged(self, lot: Lot) -> None:
        """An unmeasured lot has the newest limits; a measured one keeps its own."""
        if not lot.measured:
            lot.revision = self.revision

    @rule(revision=st.sampled_from(REVISIONS))
    def revise(self, revision) -> None:
        """Quality sets new limits, without an effect on lots."""
        self.shop.limit(self.grade["id"], revision.body)
        self.revision = revision

    @rule(
        pick=picks,
        kind=st.sampled_from(KINDS),
        quality=st.sampled_from([0, 0, 0, 1, 2, 3]),
        gauge=st.sampled_from([0, 0, 1, None]),
        hours_ago=st.sampled_from([0, 0, 1, 5]),
        screening=st.sampled_from([False, False, False, True]),
    )
    def measure(self, pick, kind, quality, gauge, hours_ago, screening) -> None:
        """A reading of a drawn spool, sometimes bad, of the past, or screening."""
        lot = self.lot_of(pick)
        spool = lot.sample[pick // len(self.lots) % len(lot.sample)]
        at = max(START, datetime.now(UTC) - hours_ago * HOUR)
        self.take(lot, kind, [(spool, VALUES[kind][quality])], gauge, at, screening)

    def take(self, lot, kind, rows, gauge, at=None, screening=False) -> None:
        """Stores readings in the shop and in the model. Colour always has its instrument: none would mean no doubt but scatter.

        A lot is read with one instrument for each kind: what two of them say apart has its own laws, in tests/domain/assessment/test_sources_alone.py.
        """
        places = self.gauges["colorimeter" if kind == "color" else "micrometer"]
        drawn = places[gauge or 0] if gauge is not None or kind == "color" else None
        used = lot.instruments.setdefault(kind, drawn)
        more = (at or datetime.now(UTC), used, screening)
        taken = [Reading(next(self.numbers), kind, spool, value, *more) for spool, value in rows]
        answer = self.shop.post("quality", PATHS[kind], [reading.sent for reading in taken])
        for reading, item in zip(taken, answer["items"], strict=True):
            reading.number = item["id"]
        if not screening:
            self.judged(lot)
            lot.measured = True
        lot.readings += taken
        assert [lot.standing()] == [held["standing"] for held in answer["lots"]]

    @rule(
        pick=picks,
        kind=st.sampled_from(["diameter", "diameter", "color"]),
        bad=st.sampled_from([0, 0, 1, 2]),
        each=st.sampled_from([1, 2]),
        gauge=st.sampled_from([0, 1]),
    )
    def measure_sample(self, pick, kind, bad, each, gauge) -> None:
        """Measures or begins a whole sample, with so many bad spools."""
        lot = self.lot_of(pick)
        _, drawn = lot.deliveries[pick % len(lot.deliveries)]
        rows = [(code, VALUES[kind][3]) for code in drawn[:bad] for _ in range(EACH_SPOOL)]
        self.take(lot, kind, rows + [(code, VALUES[kind][0]) for code in drawn[bad:] for _ in range(each)], gauge)

    @rule(
        pick=picks,
        use=st.sampled_from(USES),
        shade=SHADES,
        bad=st.sampled_from([0, 0, 0, 1]),
        gauge=st.sampled_from([0, 0, 1]),
        job=JOBS,
    )
    def measure_all_and_load(self, pick, use, shade, bad, gauge, job) -> None:
        """Measures everything missing, mostly good, then requests a load."""
        self.fill(self.lot_of(pick), shade, bad, gauge)
        self.load(pick, use, None, job)

    def fill(self, lot, shade, bad, gauge, begun="") -> None:
        """Measures everything missing, one kind only begun; bad spools in full, because they complete no sample."""
        for kind in KINDS:
            if kind in ("bond", "moisture"):
                rows = [(code, VALUES[kind][0]) for code in lot.sample[:2]]
            else:
                left = [code for code in lot.sample if code not in lot.finished(kind)]
                good = VALUES[kind][shade if kind == "color" else 0]
                rows = [(code, VALUES[kind][3]) for code in left[:bad]] * EACH_SPOOL
                rows += [(code, good) for code in left[bad:]] * (1 if kind == begun else EACH_SPOOL)
            if rows:
                self.take(lot, kind, rows, gauge)

    @rule(job=JOBS, first=st.integers(0, 1))
    def share_a_job(self, job: str, first: int) -> None:
        """Requests spools of both lots for a visible job."""
        for turn in (first, first + 1):
            self.load(turn, "cosmetic", None, job)

    @rule(pick=picks, use=st.sampled_from(USES), mass=MASSES, hours=st.sampled_from([0, 0, 2, 3]))
    def permit_and_load(self, pick: int, use: str, mass: float | None, hours: int) -> None:
        """Two people permit 100 g of a use for two hours, and a load is requested, in time or too late."""
        self.ask(pick, {use}, 100, 2, "second")
        self.wait(hours)
        self.load(pick, use, mass, "J-2")

    @rule(pick=picks)
    def void(self, pick: int) -> None:
        """Voids a reading once, by another person, mostly a bad one."""
        lot = self.lot_of(pick)
        bad = [reading for reading in lot.readings if reading.measured == VALUES[reading.kind][3] and pick % 4]
        reading = (bad or lot.readings)[pick % len(bad or lot.readings)]
        answer = self.shop.call("second", "POST", f"/readings/{reading.number}/void", {"reason": "mistyped"})
        assert answer.status_code == (409 if reading.voided else 201)
        reading.voided = True

    @rule(
        kind=st.sampled_from(list(UNCERTAIN)),
        which=st.integers(0, 1),
        passed=st.booleans(),
        hours_ago=st.sampled_from([0, 0, 1, 3, 30]),
    )
    def check(self, kind: str, which: int, passed: bool, hours_ago: int) -> None:
        """A check of an instrument, now or entered late; its answer has every affected lot."""
        gauge, at = self.gauges[kind][which], max(START, datetime.now(UTC) - hours_ago * HOUR)
        before = {lot.number: lot.standing() for lot in self.lots.values()}
        body = {"checked_at": written(at), "result": "pass" if passed else "fail"}
        answer = self.shop.post("quality", f"/instruments/{gauge.number}/checks", body)
        gauge.checks.append((at, passed))
        now = {lot.number: lot.standing() for lot in self.lots.values()}
        listed = {lot["id"]: lot["standing"] for lot in answer["lots"] if lot["standing"] != lot["standing_before"]}
        assert dict(now.items() - before.items()) == listed
        self.touched |= set(self.lots)

    @rule(pick=picks, action=st.sampled_from(["lift", "lift", "block", "hold", "return", "scrap"]))
    def decide(self, pick: int, action: str) -> None:
        """A possible or impossible manual decision; only the later lot leaves the shop, and returns within a day."""
        lot = self.lots["Q-2"] if action in ENDINGS else self.lot_of(pick)
        may = lot.takes(action, datetime.now(UTC))
        self.shop.decide(lot.number, action, status=201 if may else 409)
        if may:
            lot.by_hand = None if action == "lift" else action
            lot.ended_at = datetime.now(UTC)
            self.judged(lot)
            self.touched |= set(self.lots)

    @rule(pick=picks)
    def reassess(self, pick: int) -> None:
        """A reassessment takes the newest limits."""
        lot = self.lot_of(pick)
        lot.revision = self.revision
        assert lot.standing() == self.shop.post("quality", f"/lots/{lot.number}/reassess")["standing"]

    @rule(
        pick=picks,
        uses=st.sets(st.sampled_from(USES), min_size=1),
        most=st.sampled_from([100, 400]),
        hours=st.sampled_from([2, 50]),
        who=st.sampled_from(["second", "second", "second", "quality", None]),
    )
    def ask(self, pick: int, uses: set[str], most: float, hours: int, who: str | None) -> None:
        """Requests a concession, and approves it by the right person, the wrong one or nobody."""
        lot, until = self.lot_of(pick), datetime.now(UTC) + hours * HOUR
        body = {"uses": sorted(uses), "max_mass_g": most, "valid_until": written(until), "reason": "needed"}
        gone = lot.by_hand in ENDINGS
        answer = self.shop.post("quality", f"/lots/{lot.number}/concessions", body, 409 if gone else 201)
        if not gone:
            lot.permits.append(Permit(answer["id"], lot, sorted(uses), most, until))
            if who:
                self.approve(self.permits.index(lot.permits[-1]), who)

    @precondition(lambda self: self.permits)
    @rule(pick=picks, who=st.sampled_from(["second", "quality"]))
    def approve(self, pick: int, who: str) -> None:
        """Approves a concession, possible or not."""
        permit = self.permits[pick % len(self.permits)]
        may = who == "second" and permit.open(datetime.now(UTC)) and permit.lot.by_hand not in ENDINGS
        self.shop.post(who, f"/concessions/{permit.number}/approve", status=201 if may else 409)
        permit.approved |= may

    @precondition(lambda self: self.permits)
    @rule(pick=picks)
    def withdraw(self, pick: int) -> None:
        """Withdraws a concession, once."""
        permit = self.permits[pick % len(self.permits)]
        status = 409 if permit.withdrawn else 201
        self.shop.post("quality", f"/concessions/{permit.number}/withdraw", {"reason": "tabs broke"}, status)
        permit.withdrawn = True

    @rule(pick=picks, use=st.sampled_from(USES), mass=MASSES, job=JOBS)
    def load(self, pick: int, use: str, mass: float | None, job: str) -> None:
        """Requests a load, granted exactly when the model allows it."""
        lot, now = self.lot_of(pick), datetime.now(UTC)
        busy = {running[0] for running in self.running.values()}
        # Mostly an unloaded spool, so that most answers concern other reasons.
        codes = [code for code in lot.codes if pick % 5 == 0 or code not in busy] or lot.codes
        spool = codes[pick % len(codes)]
        usable = self.remaining[spool] > 0 and (mass or 0) <= self.remaining[spool] and spool not in busy
        granted, permit = lot.may_load(spool, use, mass, now, self.jobs.get(job, []))
        may = usable and granted
        more = {} if mass is None else {"mass_g": mass}
        asked = {"job": job} | {name: str(value) for name, value in more.items()}
        assert may is self.shop.ask_clearance(spool, use, **asked)["clear"]
        answer = self.shop.load(spool, use, 201 if may else 409, machine=f"P-{spool}", job=job, **more)
        if not may:
            assert answer["reasons"]
            self.refused += 1
            return
        aside = 0.0 if permit is None else min(permit.left, self.remaining[spool] if mass is None else mass)
        assert (permit and permit.number, permit and aside) == (answer["concession_id"], answer["reserved_g"])
        if permit is not None:
            permit.taken[answer["id"]] = aside
        self.running[answer["id"]] = (spool, permit, aside)
        self.jobs.setdefault(job, []).append((lot, spool))

    @precondition(lambda self: self.running)
    @rule(pick=picks, tenths=st.sampled_from([0, 3, 9, 10, 11]))
    def unload(self, pick: int, tenths: int) -> None:
        """Unloads a spool with some of its mass, or with more, which is refused."""
        number = list(self.running)[pick % len(self.running)]
        spool, permit, aside = self.running[number]
        left = self.remaining[spool] * tenths / 10 + (1 if tenths > 10 else 0)
        self.shop.unload(number, left, 422 if tenths > 10 else 201)
        if tenths <= 10:
            if permit is not None:
                permit.book(number, self.remaining[spool] - left, aside)
            self.remaining[spool] = left
            del self.running[number]

    @rule(hours=st.sampled_from([1, 1, 3, 30, 24 * 8]))
    def wait(self, hours: int) -> None:
        """Advances the clock past ends of concessions and checks."""
        self.clock.shift(hours * HOUR)

    @invariant()
    def lots_stand_where_they_must(self) -> None:
        """The row of a changed lot equals the model, and so do its spools, never negative."""
        for lot in (self.lots[name] for name in self.touched):
            row = self.shop.lot(lot.number)
            assert (lot.standing(), lot.verdicts()) == (row["standing"], row["uses"])
            assert lot.by_hand == (row["by_hand"] and row["by_hand"]["action"])
            masses = {spool["code"]: spool["remaining_mass_g"] for spool in row["spools"]}
            assert {code: self.remaining[code] for code in lot.codes} == masses
            assert min(masses.values()) >= 0
            failing = {spool["code"] for spool in row["spools"] if spool["nonconforming"]}
            assert lot.bad_spools() | {code for code in lot.codes if lot.wet(code)} == failing
            self.concessions_are_accounted_for(lot)
        self.touched.clear()

    def concessions_are_accounted_for(self, lot: Lot) -> None:
        """The used mass is that of the loads; none is granted beyond the most, and an excess is known to the gram."""
        kept = self.shop.get("quality", f"/lots/{lot.number}/concessions")["items"] if lot.permits else []
        assert [p.figures for p in lot.permits] == [(c["id"], c["taken_g"], c["left_g"], c["over_g"]) for c in kept]
        assert all(sum(permit.taken.values()) <= permit.most + permit.beyond for permit in lot.permits)

    def nothing_vanishes(self) -> None:
        """A recomputed lot has its status, and every reading and refused load is present.

        The feed, replayed from the beginning, gives statuses and open loads.
        """
        for lot in self.lots.values():
            row, judged = self.shop.lot(lot.number), self.shop.assessment(lot.number)
            assert [row[name] for name in SAME] == [judged[name] for name in SAME]
            kept = self.shop.get("quality", f"/lots/{lot.number}/readings?limit=500")["items"]
            told = [(r["id"], r["decision_valid"], r["voided"] is not None) for r in kept]
            assert [(r.number, r.valid, r.voided) for r in lot.readings[: len(told)]] == told
        stands_as_told(self.shop)
        assert self.refused == len(self.shop.get("quality", "/load-refusals?limit=500")["items"])


def test_random_days_leave_every_lot_where_the_model_puts_it(sqlite_template, tmp_path):
    """After any actions in any order statuses, loads and concessions equal those of the model."""
    days = 200 if os.environ.get("LOTS_TEST_EXPLORE") else 30
    slow = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
    calm = settings(max_examples=days, stateful_step_count=12, **slow)
    app = create_app(Settings(database=f"sqlite:///{tmp_path / 'first.sqlite3'}"))
    run_state_machine_as_test(lambda: Days(app, sqlite_template, tmp_path), settings=calm)
