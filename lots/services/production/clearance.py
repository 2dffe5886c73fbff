"""Clearance of a spool for loading, with reasons, cautions, print settings and other spools to use.

It is checked on request, and again within every load.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lots.domain.assessment.limits_revision import GENERAL, Limits, limits_from
from lots.domain.code_identity import Misread
from lots.domain.production.clearance import (
    MATCH_NOT_CHECKED,
    Clearance,
    SpoolState,
    clear,
    with_caution,
    with_held,
    worst_of,
)
from lots.domain.production.matching import PairMatch
from lots.domain.production.spool_life import SpoolLife
from lots.services import clock
from lots.services.assessment import concessions
from lots.services.assessment.counting import OnRecord
from lots.services.assessment.lot_assessment import inspected_again
from lots.services.lookups import lot_of, spool_of
from lots.services.production import dryings, other_spools
from lots.services.production.job_colors import pairs_among, pairs_in_job
from lots.services.production.lot_instruments import Known
from lots.services.production.settings import Settings, length_left_m, settings_of
from lots.services.setup import grade_uses
from lots.services.views import View, spool_failures
from lots.store.assessment import lots
from lots.store.production import loads, shelf, tracing
from lots.store.production.loads import LotInJob
from lots.store.tables.models import Lot, Spool

# Uses that show colour. For these, a lot must match the other lots of its job.
SHOWS_COLOR = ("cosmetic", GENERAL)


@dataclass(frozen=True, slots=True)
class Ask:
    """A request for clearance. `match_max` is the job's limit for colour between lots, which replaces that of the grade."""

    use: str
    job: str | None = None
    machine: str | None = None
    mass_g: float | None = None
    match_max: float | None = None
    # A cache of agreement studies between instruments.
    bridges: Known = field(default_factory=dict, compare=False)


@dataclass(frozen=True, slots=True)
class Place:
    """The job and machine of a request: their names as first typed, the lots in the job, and similar names of a new one."""

    job: str | None = None
    machine: str | None = None
    in_job: Sequence[LotInJob] = ()
    misread: Sequence[Misread] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """The clearance of a spool, the lots it holds (its own first), its job and machine, and its print settings."""

    clearance: Clearance
    held: list[Lot]
    place: Place
    settings: Settings


def clearance(code: str, ask: Ask) -> View:
    """Returns the clearance of a spool with all reasons, cautions and settings, and other spools if it is not clear.

    One query, plus one each for a job, a machine, a new job, and a dried spool with a known softening temperature. A spool that is not clear
    takes two more. A spliced spool takes two more, or three if a source spool was spliced.

    Raises:
        NotFound: no spool has this code.
    """
    now = clock.now()
    row = spool_of(code, lots.spool_seen)
    found = compute_clearance(row, ask, now)
    others = [] if found.clearance.clear else other_spools.offered(_refused(row, ask, found, now))
    return {**view(row, found, ask), "others": others, "checked_at": now}


def compute_clearance(row: Spool, ask: Ask, at: datetime) -> Found:
    """Returns the clearance of a spool, the lots it holds, its job and its machine."""
    lot, held, misread = row.lot, lots_held(row), []
    job = loads.lots_in_job(ask.job, lot.grade.shade_id, lot.grade_id) if ask.job is not None else None
    in_job = job.lots if job else []
    answer = judged(row, [facts_of(one) for one in held], ask, in_job, at)
    if not answer.clear and (lacking := _inspections_lacking(row, held, at)):
        answer = replace(answer, reasons=(*answer.reasons, *lacking))
    if job is None and ask.use in SHOWS_COLOR:
        answer = with_caution(answer, MATCH_NOT_CHECKED)
    if job is not None and job.similar:
        misread.append(Misread("job", ask.job or "", tuple(job.similar)))
    name = ask.machine
    if ask.machine is not None:
        on_it = loads.held_by(ask.machine, row.id)
        name = on_it.name or ask.machine
        answer = with_held(answer, name, on_it.held, on_it.slots)
        misread += [Misread("machine", ask.machine, tuple(on_it.similar))] if on_it.similar else []
    told = settings_of(row, held, name, ask.use)
    answer = with_caution(answer, *(one.says for one in misread), *dryings.cautions(row), *told.cautions)
    return Found(answer, held, Place(job.number or ask.job if job else None, name, in_job, misread), told)


def _refused(row: Spool, ask: Ask, found: Found, at: datetime) -> other_spools.Refused:
    in_job = found.place.in_job

    known: dict[int, LotFacts] = {}
    limits: dict[int, Limits] = {}

    def judge(lot: Lot, spool: Spool | None) -> Clearance:
        if lot.id not in known:
            known[lot.id] = facts_of(lot, limits)
        return _clear(spool, known[lot.id], ask, in_job, at)

    used = [one.lot for one in in_job]
    return other_spools.Refused(row.lot.grade_id, ask.mass_g, found.held, used, ask.use in SHOWS_COLOR, judge)


def lots_held(row: Spool) -> list[Lot]:
    """Returns the lots whose filament a spool holds, its own first. One query for a spliced spool."""
    return [row.lot, *shelf.further_lots(row.id)] if row.spliced else [row.lot]


@dataclass(frozen=True, slots=True)
class LotFacts:
    """The data of a lot that its clearance needs, for every spool and use."""

    lot: Lot
    agreed: Limits | None
    state: SpoolState


def facts_of(lot: Lot, known: dict[int, Limits] | None = None) -> LotFacts:
    """Returns the data of a lot that its clearance needs. No query.

    Args:
        lot: the lot.
        known: a cache of limits by revision id, which this extends.
    """
    revision, known = lot.limits_revision, {} if known is None else known
    if revision is not None and revision.id not in known:
        known[revision.id] = limits_from(revision.body)
    agreed = known[revision.id] if revision is not None else None
    state = SpoolState(
        # This stands for any spool of the lot that is not empty.
        spool=lot.supplier_lot,
        remaining_g=math.inf,
        lot=lot.supplier_lot,
        standing=lot.standing,
        uses=lot.uses,
        blocks=agreed.blocks if agreed else (),
        why=lot.why,
        by_hand=(lot.by_hand, lot.by_hand_reason or "") if lot.by_hand else None,
        cautions=grade_uses.cautions_of(lot),
        material=grade_uses.material(lot.grade),
        judged=lot.judged_at is not None,
        concessions=[concessions.from_json(kept) for kept in lot.concessions],
    )
    return LotFacts(lot, agreed, state)


def judged(row: Spool, held: Sequence[LotFacts], ask: Ask, in_job: Sequence[LotInJob], at: datetime) -> Clearance:
    """Returns the clearance of a spool that holds these lots, its own first. No query.

    A spool of several lots takes the worst clearance of them, and a concession for one lot does not cover the others. For uses that show
    colour, its lots must match each other, and each must match the lots used in the job.
    """
    if len(held) == 1:
        return _clear(row, held[0], ask, in_job, at)
    each = [_clear(row, lot, ask, in_job, at, alone=False) for lot in held]
    return worst_of(each, row.code, pairs_among([one.lot for one in held], ask.match_max), ask.use in SHOWS_COLOR)


def _clear(
    row: Spool | None, facts: LotFacts, ask: Ask, in_job: Sequence[LotInJob], at: datetime, alone: bool = True
) -> Clearance:
    """Returns the clearance by one of the lots of a spool. `alone` means that the spool holds no other lot.

    Without a spool, it is the clearance of any spool of the lot.
    """
    pairs = pairs_in_job(facts.lot, row, in_job, ask.match_max, ask.bridges)
    state = facts.state if row is None else _with_spool(facts, row)
    if not alone:
        state = replace(state, concessions=())
    return clear(state, ask.use, pairs, ask.use in SHOWS_COLOR, ask.mass_g, at)


def _with_spool(facts: LotFacts, row: Spool) -> SpoolState:
    """Returns the state of a spool as filament of a lot, with its own findings and its age."""
    return replace(
        facts.state,
        spool=row.code,
        remaining_g=row.remaining_mass_g,
        loaded_on=row.machine,
        withdrawn=row.withdrawn_at is not None,
        nonconforming=spool_failures(row, facts.lot),
        life=_life(row, facts.lot),
        dryness=dryings.dryness_of(row, facts.lot, facts.agreed),
    )


def of_lot(facts: LotFacts, use: str, at: datetime) -> Clearance:
    """Returns the clearance of a lot for a use, without regard to the spool, the job and the mass. No query."""
    return clear(facts.state, use, at=at)


def of_spool(row: Spool, held: Sequence[LotFacts], use: str, at: datetime) -> Clearance:
    """Returns the clearance of a spool for a use, without regard to the machine, the job and the mass. No query.

    Args:
        row: the spool.
        held: every lot that it holds. A concession for one lot does not cover the others.
        use: the intended use.
        at: the time of loading.
    """
    states = [replace(_with_spool(facts, row), remaining_g=math.inf, loaded_on=None) for facts in held]
    if len(held) > 1:
        states = [replace(state, concessions=()) for state in states]
    return worst_of([clear(state, use, at=at) for state in states], row.code)


def by_use(row: Spool, held: Sequence[LotFacts], uses: Sequence[str], at: datetime) -> dict[str, Clearance]:
    """Returns the clearance of a spool by use, without regard to machine, job and mass. No query for a spool of one lot.

    A spool on a machine is treated as unloaded. Args as in `of_spool`.
    """
    mates = pairs_among([facts.lot for facts in held]) if len(held) > 1 else []
    states = [replace(_with_spool(facts, row), loaded_on=None) for facts in held]
    if len(held) > 1:
        states = [replace(state, concessions=()) for state in states]
    return {
        use: worst_of([clear(state, use, at=at) for state in states], row.code, mates, use in SHOWS_COLOR)
        for use in uses
    }


def _life(row: Spool, lot: Lot) -> SpoolLife:
    grade = row.lot.grade
    # The other lots of a spliced spool came with other deliveries.
    received = row.delivery.came_at if lot.id == row.lot_id else lot.received_at
    dates = (received, row.opened_at, row.dried_at)
    return SpoolLife(*dates, grade.shelf_life_days, grade.open_life_days, lot.reinspected_until)


def _inspections_lacking(row: Spool, held: Sequence[Lot], at: datetime) -> list[str]:
    """Returns the open steps of the newest re-inspection of each lot past its shelf life. No query for other lots."""
    found = []
    for lot in held:
        again = inspected_again(OnRecord(lot_of(lot.id))) if _life(row, lot).past_shelf_life(at) else []
        if again and (lacking := again[-1][1]):
            found.append(f"Lot {lot.supplier_lot} is being inspected again. Still to do {'; '.join(lacking)}.")
    return found


def view(row: Spool, found: Found, ask: Ask) -> View:
    """Returns a clearance for the API. One query for a spool of several lots, two if a source spool has several lots."""
    lot, answer, place = row.lot, found.clearance, found.place
    lives = [_life(row, each).use_by for each in found.held]
    return {
        "spool_code": row.code,
        "clear": answer.clear,
        "says": answer.says,
        "use": ask.use,
        "job": place.job,
        "machine": place.machine,
        "candidates": candidates(place),
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "uses": lot.uses,
        "reasons": list(answer.reasons),
        "cautions": list(answer.cautions),
        "settings": found.settings.values,
        "lots": _lots(row, found.held),
        "spool_match": [_pair(pair) for pair in answer.mates],
        "shade_match": None if ask.job is None else [_pair(pair) for pair in answer.pairs],
        "remaining_mass_g": row.remaining_mass_g,
        "length_m": length_left_m(row),
        "concession": answer.concession and concessions.view_of(answer.concession),
        "permission": answer.permission and grade_uses.permission_view(answer.permission),
        "spool": {
            "part": row.remaining_mass_g < row.net_mass_g,
            "spliced": row.spliced,
            "opened_at": row.opened_at,
            "dried_at": row.dried_at,
            "use_by": min((end for end in lives if end is not None), default=None),
        },
    }


def _lots(row: Spool, held: Sequence[Lot]) -> list[View]:
    """Returns each lot of a spool, with its mass on the spool when that was new."""
    masses = {row.lot_id: row.net_mass_g} if len(held) == 1 else _masses(row)
    return [
        {
            "lot_id": lot.id,
            "supplier_lot": lot.supplier_lot,
            "standing": lot.standing,
            "uses": lot.uses,
            "mass_g": masses.get(lot.id),
        }
        for lot in held
    ]


def _masses(row: Spool) -> dict[int, float]:
    """Returns the mass of each lot respooled onto a spool, g; without lots from source spools that held several lots."""
    parents = [(link.parent, link.mass_g) for link in shelf.wound_from(row.id)]
    further = tracing.further_lots(parent.id for parent, _ in parents if parent.spliced)
    unknown = {
        number for parent, _ in parents if parent.id in further for number in (parent.lot_id, *further[parent.id])
    }
    masses: dict[int, float] = {}
    for parent, mass_g in parents:
        masses[parent.lot_id] = masses.get(parent.lot_id, 0.0) + mass_g
    return {number: mass_g for number, mass_g in masses.items() if number not in unknown}


def candidates(place: Place) -> list[dict[str, str]]:
    """Returns known names that are similar to that of a new job or machine."""
    return [{"field": one.field, "name": name} for one in place.misread for name in one.alike]


def _pair(pair: PairMatch) -> View:
    return {
        "supplier_lot": pair.lot,
        "spool_code": pair.spool or None,
        "of_lot": pair.of,
        "of_spool": pair.of_spool or None,
        "delta_e": pair.delta_e,
        "limit": pair.limit,
        "within": pair.within,
        "direction": pair.direction,
        "allowance": pair.allowance,
        "spools_known": not pair.unknown,
    }
