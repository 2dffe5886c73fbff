"""A year with the program: all lots through the API in calendar order, and production that loads clear spools."""

from __future__ import annotations

import heapq
import tempfile
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from tests.year import assumptions as assumed
from tests.year.api import Desk, Setup, opened
from tests.year.bench import Bench
from tests.year.clerk import Case, Clerk
from tests.year.counting import Load, Outcome
from tests.year.quality import Quality
from tests.year.truth import Given, Lot, Spool, year


@dataclass
class Floor:
    """Production: its loads and refusals, by lot."""

    desk: Desk
    loads: dict[str, list[Load]] = field(default_factory=dict)
    refused: Counter[str] = field(default_factory=Counter)
    free: list[str] = field(default_factory=lambda: [f"P{nth}" for nth in range(assumed.MACHINES)])

    def want(self, lot: Lot, spool: Spool) -> Iterator[datetime]:
        """Tries to load a spool when needed, some days apart. Yields the moments of further tries."""
        moment = spool.wanted_at
        for _ in range(assumed.TRIES):
            yield moment
            number, machine, standing = self._load(lot, spool)
            if number:
                yield moment + timedelta(hours=assumed.LOAD_H)
                self.desk.post("production", f"/loads/{number}/unload", {"remaining_mass_g": 0})
                self.free.append(machine)
                return
            if standing != "quarantined":
                return
            moment += timedelta(days=assumed.TRIED_AGAIN_AFTER_D)

    def _load(self, lot: Lot, spool: Spool) -> tuple[int | None, str, str]:
        """Asks for clearance and posts the load, clear or not. The number of the load, None where it was refused; the machine; where the lot stands."""
        machine, job = self.free[0], f"J-{spool.code}"
        said = self.desk.get(
            "production", f"/spools/{spool.code}/clearance?use={spool.use}&job={job}&machine={machine}"
        )
        body = {"spool_code": spool.code, "machine": machine, "job": job, "use": spool.use}
        answer = self.desk.post(
            "production", "/loads", {**body, "confirm_new_job": True, "confirm_new_machine": True}, (201, 409)
        )
        loaded = "id" in answer
        if loaded != said["clear"]:
            raise RuntimeError(f"clearance of {spool.code} and its load disagree: {said}, {answer}")
        if not loaded:
            self.refused[lot.name] += 1
            return None, machine, said["standing"]
        self.free.remove(machine)
        self.loads.setdefault(lot.name, []).append(
            Load(spool.code, spool.use, assumed.SPOOL_G, lot.nonconforming(spool, spool.use))
        )
        return answer["id"], machine, said["standing"]


@dataclass
class Year:
    """The result of a year with the program: an outcome for each lot, and the circumstances."""

    outcomes: list[Outcome]
    statuses: Counter[int]
    notes: dict[str, Any]
    listed: list[dict[str, Any]] = field(default_factory=list)


def with_program(
    given: Given,
    streams: Collection[tuple[str, str]],
    *,
    listing: bool = False,
    tell: Callable[[str], None] = lambda text: None,
) -> Year:
    """Runs the year through the API on a temporary database.

    Args:
        given: seed, number of lots, scatter and rule.
        streams: suppliers and grades whose lots are measured here.
        listing: True asks the API for all loads at the end.
        tell: takes a line now and then.
    """
    with tempfile.TemporaryDirectory() as folder, opened(Path(folder), given.seed) as desk:
        setup, bench = Setup(desk, given.rule), Bench(given.seed)
        quality, floor = Quality(desk, setup, given.seed), Floor(desk)
        clerk = Clerk(desk, setup, bench, quality)
        cases = [Case(lot) for lot in year(given) if (lot.supplier, lot.grade) in streams]
        calendar = _Calendar(desk, tell)
        study = assumed.START + timedelta(days=assumed.AGREEMENT_STUDY_DAY)
        calendar.add(_once(study, quality.study_agreement))
        for case in cases:
            calendar.add(clerk.follow(case))
            for spool in case.lot.spools:
                calendar.add(floor.want(case.lot, spool))
        calendar.run()
        outcomes = [_outcome(desk, case, bench, floor) for case in cases]
        notes = {
            "steps accepted": quality.steps_accepted,
            "manual blocks": quality.blocked_by_hand,
            "readings confirmed": quality.confirmed,
            "build doubts": len(desk.every("quality", "/build-doubts")),
        }
        listed = desk.every("production", "/loads") if listing else []
        return Year(outcomes, desk.statuses, notes, listed)


def _once(moment: datetime, act: Callable[[datetime], None]) -> Iterator[datetime]:
    yield moment
    act(moment)


class _Calendar:
    """All work in order of time."""

    def __init__(self, desk: Desk, tell: Callable[[str], None]) -> None:
        self.desk, self.tell, self.order = desk, tell, count()
        self.waiting: list[tuple[datetime, int, Iterator[datetime]]] = []

    def add(self, work: Iterator[datetime]) -> None:
        """Schedules work for the next moment it yields, if any."""
        moment = next(work, None)
        if moment is not None:
            heapq.heappush(self.waiting, (moment, next(self.order), work))

    def run(self) -> None:
        """Runs the year."""
        month = 0
        while self.waiting:
            moment, _, work = heapq.heappop(self.waiting)
            self.desk.go(moment)
            self.add(work)
            if (moment - assumed.START).days // 30 > month:
                month = (moment - assumed.START).days // 30
                self.tell(f"{moment:%Y-%m-%d}: {sum(self.desk.statuses.values())} requests")


def _outcome(desk: Desk, case: Case, bench: Bench, floor: Floor) -> Outcome:
    """The result of a lot."""
    lot = case.lot
    row = desk.get("quality", f"/lots/{case.number}")
    by_verdict = {"pass": "released", "fail": "refused"}
    uses = {use: by_verdict.get(verdict, "held") for use, verdict in row["uses"].items()}
    if row["standing"] == "blocked":
        uses = dict.fromkeys(uses, "refused")
    reasons = (
        {} if {"released"} == {*uses.values()} else _reasons(desk.get("quality", f"/lots/{case.number}/assessment"))
    )
    ended = case.ended_at or lot.received_at
    return Outcome(
        lot=lot,
        uses=uses,
        loads=floor.loads.get(lot.name, []),
        by_kind=bench.taken[lot.name],
        spools=len(bench.opened[lot.name]),
        days=(ended - lot.received_at).total_seconds() / 86400,
        refused_loads=floor.refused[lot.name],
        rounds=case.rounds,
        reasons=reasons,
        by_finding=dict(case.by_finding),
        given_up=case.given_up,
    )


def _reasons(assessment: dict[str, Any]) -> dict[str, list[tuple[str, str]]]:
    """Use -> the findings that do not pass, with their verdicts."""
    found: dict[str, list[tuple[str, str]]] = {use: [] for use in assessment["uses"]}
    for finding in assessment["findings"]:
        for use in finding["uses"] if finding["verdict"] != "pass" else ():
            found[use].append((finding["code"], finding["verdict"]))
    return found
