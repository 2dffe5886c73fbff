"""The clerk who follows the program: logs the delivery, measures the drawn sample, then the requested readings, up to a cap of effort."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from tests.year import assumptions as assumed
from tests.year.api import PATHS, Desk, Setup
from tests.year.bench import Bench, written
from tests.year.quality import Quality
from tests.year.truth import Lot, Spool
from tests.year.wanted import WET, Asked, Plan, asked_by, spread_over, still_open

PRINTED = ("shrinkage", "bond")
DAY = timedelta(days=1)


@dataclass
class Case:
    """A lot at the bench: its number, the drawn spools, and the effort so far."""

    lot: Lot
    number: int = 0
    drawn: list[str] = field(default_factory=list)
    measured: dict[str, list[str]] = field(default_factory=dict)
    days: int = 0
    builds: int = 0
    rounds: int = 0
    by_finding: Counter[str] = field(default_factory=Counter)
    uses: dict[str, str] = field(default_factory=dict)
    assessment: dict[str, Any] = field(default_factory=dict)
    ended_at: datetime | None = None
    given_up: str = ""

    def spool(self, code: str) -> Spool:
        """A spool of the lot."""
        return next(spool for spool in self.lot.spools if spool.code == code)


class Clerk:
    """Measures lots as the program requests."""

    def __init__(self, desk: Desk, setup: Setup, bench: Bench, quality: Quality) -> None:
        self.desk, self.setup, self.bench, self.quality = desk, setup, bench, quality

    def follow(self, case: Case) -> Iterator[datetime]:
        """Takes a lot from the pallet to its verdict. Yields the moments at which work on it goes on."""
        now = case.lot.received_at
        yield now
        self._receive(case)
        now += assumed.FIRST_BENCH_AFTER_D * DAY
        yield now
        self._first_bench(case, now)
        if self._prints_decide(case):
            now += assumed.PRINTS_AFTER_D * DAY
            yield now
            self._carry_out(case, self._first_prints(case), now)
        while plan := self._next(case) or self._waiting(case, now):
            if plan.wait_until:
                now = plan.wait_until
                yield now
                continue
            now += DAY * (
                assumed.PRINT_ROUND_AFTER_D if any(plan.of(kind) for kind in PRINTED) else assumed.ROUND_AFTER_D
            )
            yield now
            self._carry_out(case, plan, now)
            case.rounds += 1
        self.quality.close(case)
        case.ended_at = now

    # Steps

    def _receive(self, case: Case) -> None:
        lot = case.lot
        body = {
            "supplier_code": lot.supplier,
            "grade_code": lot.grade,
            "supplier_lot": lot.name,
            "received_at": written(lot.received_at),
            "spools": [{"code": spool.code, "net_mass_g": assumed.SPOOL_G} for spool in lot.spools],
            "confirm_new_lot": True,
        }
        made = self.desk.post("receiving", "/deliveries", body)
        case.number, case.drawn = made["lot"]["id"], made["sample"]["spool_codes"]

    def _first_bench(self, case: Case, now: datetime) -> None:
        """The required measurements of the drawn spools on the first day: diameter, colour, specks, moisture."""
        limits, plan = case.lot.limits, Plan()
        first = {
            "diameter": len(case.drawn),
            "color": len(case.drawn),
            "surface": assumed.SURFACE_FIRST_SPOOLS,
            "moisture": assumed.MOISTURE_FIRST_SPOOLS,
        }
        for kind, spools in first.items():
            for code in case.drawn[:spools] if kind in limits else ():
                plan.readings[kind, code] = self._usual(case, kind)
        if case.lot.kind == "two instruments":
            self._second_instrument(case, plan, now)
        self._carry_out(case, plan, now)

    def _second_instrument(self, case: Case, plan: Plan, now: datetime) -> None:
        """The late shift measures every second drawn spool on the second spectrophotometer."""
        late = Plan(instrument={"color": assumed.SECOND_COLOR})
        for code in case.drawn[1::2]:
            late.readings["color", code] = plan.readings.pop(("color", code))
        self._carry_out(case, late, now, same_day=True)

    def _first_prints(self, case: Case) -> Plan:
        plan = Plan()
        if "shrinkage" in case.lot.limits:
            plan.readings |= {("shrinkage", code): 1 for code in case.drawn[: assumed.COUPON_SPOOLS]}
        if "bond" in case.lot.limits:
            each = -(-assumed.FIRST_BARS // len(case.drawn))
            plan.readings |= {("bond", code): each for code in case.drawn}
        return plan

    def _prints_decide(self, case: Case) -> bool:
        """Whether an open use needs prints."""
        uses = case.lot.limits["uses"]
        return any(verdict in ("near", "missing") and {*PRINTED} & {*uses[use]} for use, verdict in case.uses.items())

    def _open(self, case: Case) -> bool:
        if not {"near", "missing"} & {*case.uses.values()}:
            return False
        case.assessment = self.desk.get("quality", f"/lots/{case.number}/assessment")
        case.uses = case.assessment["uses"]
        return bool(still_open(case.assessment))

    def _next(self, case: Case) -> Plan | None:
        """The next round of measurements; None when the lot is decided, stuck, or over the cap."""
        if not self._open(case):
            return None
        if self.quality.decide_steps(case) and not self._open(case):
            return None
        if case.rounds >= assumed.ROUNDS_MAX:
            case.given_up = "rounds"
            return None
        plan = self._plan(case)
        planned = sum(plan.readings.values())
        if not planned and not plan.dry:
            case.given_up = "nothing to measure"
            return None
        if self.bench.taken[case.lot.name].total() + planned > assumed.READINGS_MAX:
            case.given_up = "readings"
            return None
        return plan

    def _waiting(self, case: Case, now: datetime) -> Plan | None:
        """A stuck lot with two instruments waits for their agreement study, once."""
        study = assumed.START + timedelta(days=assumed.AGREEMENT_STUDY_DAY, hours=1)
        if case.lot.kind != "two instruments" or not case.given_up or now >= study:
            return None
        case.given_up = ""
        return Plan(wait_until=study)

    def _plan(self, case: Case) -> Plan:
        codes, plan = [spool.code for spool in case.lot.spools], Plan()
        for finding in still_open(case.assessment):
            asked = asked_by(finding, codes)
            if asked.remedy == WET:
                plan.dry = True
                plan.asked_by.setdefault("moisture", asked.code)
            elif not asked.remedy and not asked.stuck and asked.kind in PATHS:
                for code, n in self._amounts(case, asked).items():
                    plan.want(asked, code, n)
        return plan

    def _amounts(self, case: Case, asked: Asked) -> dict[str, int]:
        """Spool -> readings, coupons or specimens requested by a finding."""
        spools = list(asked.spools) or case.measured.get(asked.kind) or case.drawn[:1]
        usual = self._usual(case, asked.kind)
        if asked.more is None or asked.unit.startswith(("spool", "drawn")) or asked.instrument:
            return dict.fromkeys(spools, usual)
        more = min(asked.more, assumed.MORE_AT_ONCE)
        if asked.kind == "shrinkage":
            # A coupon has two lengths along X and Y each, and one along Z.
            return spread_over(spools[: assumed.COUPON_SPOOLS], -(-more // (1 if asked.code.endswith("z") else 2)))
        if asked.kind == "bond":
            return {spools[0]: more}
        return spread_over(spools, more)

    def _usual(self, case: Case, kind: str) -> int:
        """The default number of readings per spool: as many as its limits require, one coupon, five specimens."""
        own = {"shrinkage": 1, "surface": 1, "moisture": 1, "bond": assumed.BARS}
        return own.get(kind) or int(case.lot.limits[kind]["readings_per_spool_min"])

    # Measuring

    def _carry_out(self, case: Case, plan: Plan, now: datetime, *, same_day: bool = False) -> None:
        case.days += not same_day
        at = written(now)
        if plan.dry:
            self._dry(case)
            plan.readings |= {("moisture", spool.code): 1 for spool in case.lot.spools}
        if any(plan.of(kind) for kind in PRINTED):
            case.builds += 1
        for kind in PATHS:
            wanted = plan.of(kind)
            if not wanted:
                continue
            before = self.bench.taken[case.lot.name][kind]
            rows = [row for code, n in wanted.items() for row in self._rows(case, kind, code, n, plan)]
            rows += self._controls(case, kind, next(iter(wanted)))
            self._send(case, kind, [{**row, "measured_at": at} for row in rows])
            if kind in plan.asked_by:
                case.by_finding[plan.asked_by[kind]] += self.bench.taken[case.lot.name][kind] - before
            known = case.measured.setdefault(kind, [])
            known += [code for code in wanted if code not in known]

    def _rows(self, case: Case, kind: str, code: str, n: int, plan: Plan) -> list[dict[str, Any]]:
        lot, spool, bench = case.lot, case.spool(code), self.bench
        instrument = plan.instrument.get(kind) or assumed.READ_WITH.get(kind)
        common: dict[str, Any] = {"spool_code": code}
        if instrument:
            common["instrument_id"] = self.setup.instruments[instrument]
        if kind == "color":
            labs = bench.colors(lot, spool, n, case.days, instrument or "")
            return [{**common, "lab": lab, "conditions": assumed.CONDITIONS} for lab in labs]
        if kind == "diameter":
            # Further positions lie further along the spool.
            start = 15 * (case.days - 1)
            places = [start + assumed.POSITIONS_M[nth % 5] + 15 * (nth // 5) for nth in range(n)]
            pairs = bench.diameters(lot, spool, n, case.days)
            return [
                {**common, "position_m": at, "d1_mm": d1, "d2_mm": d2}
                for at, (d1, d2) in zip(places, pairs, strict=True)
            ]
        if kind == "surface":
            return [{**common, "specks": specks, "area_dm2": 1} for specks in bench.specks(lot, spool, n)]
        if kind == "moisture":
            return [
                {**common, "moisture_percent": percent, "method": "loss on drying"}
                for percent in bench.moistures(lot, spool, n, case.days)
            ]
        made = {**common, **self._printed(case, kind)}
        if kind == "shrinkage":
            return [{**made, "age_h": 24, **row} for _ in range(n) for row in bench.coupons(lot, spool, case.builds)]
        return [{**made, "stress_mpa": stress} for stress in bench.bars(lot, spool, n, case.builds)]

    def _printed(self, case: Case, kind: str) -> dict[str, Any]:
        return {
            "printer": "T1",
            "test_print": "COUPON/1" if kind == "shrinkage" else "BAR/1",
            "build": f"{case.lot.name}-{case.builds}",
        }

    def _controls(self, case: Case, kind: str, code: str) -> list[dict[str, Any]]:
        """The control spool's prints of the same build."""
        if kind not in PRINTED:
            return []
        common = {"spool_code": code, "instrument_id": self.setup.instruments[assumed.READ_WITH[kind]], "control": True}
        made = {**common, **self._printed(case, kind)}
        if kind == "shrinkage":
            return [{**made, "age_h": 24, **row} for row in self.bench.control_coupon(case.lot, case.builds)]
        return [
            {**made, "stress_mpa": one} for one in self.bench.control_bars(case.lot, assumed.CONTROL_BARS, case.builds)
        ]

    def _send(self, case: Case, kind: str, rows: Sequence[dict[str, Any]]) -> None:
        answer = self.desk.post("quality", PATHS[kind], list(rows))
        (after,) = self.quality.confirm(answer["items"]) or answer["lots"]
        case.uses = after["uses"]

    def _dry(self, case: Case) -> None:
        """Dries every spool of the lot by the grade's rule, because one wet spool holds all until each is measured."""
        for spool in case.lot.spools:
            body = {"temperature_c": assumed.EVERY_GRADE["dry_c"], "hours": assumed.EVERY_GRADE["dry_h"]}
            self.desk.post("quality", f"/spools/{spool.code}/dryings", body)
            spool.moisture_percent = min(spool.moisture_percent, assumed.MEANS["dried_percent"])
