"""May this spool be loaded, with which settings, and what else would do? Asked before loading, and again inside every load."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from lots.desks import clock, concessions, grade_uses
from lots.desks.errors import NotFound
from lots.desks.views import spool_failures
from lots.domain.agreed import GENERAL, Limits, limits_from
from lots.domain.clearance import Clearance, SpoolState, clear, with_held, worst_of
from lots.domain.matching import PairMatch, match_pairs
from lots.domain.shade import ColorLimits
from lots.domain.shrinkage import AXES, scale_factor
from lots.domain.spool_life import SpoolLife
from lots.domain.values import Lab
from lots.store import loads, lots, tracing

# Uses that show: for these, a lot that does not match the others of its job is refused.
SHOWS_COLOR = ("cosmetic", GENERAL)
# How many other spools a refusal offers.
_OFFERED = 3


@dataclass(frozen=True, slots=True)
class Ask:
    """What somebody wants to load a spool for. `match_max` is the job's own limit on colour between lots, over the grade's."""

    use: str
    job: str | None = None
    machine: str | None = None
    mass_g: float | None = None
    match_max: float | None = None


def spool_of(code: str, find: Callable[[str], Any] = lots.spool) -> Any:
    """Returns a spool by its code, as `find` looks it up.

    Raises:
        NotFound: there is none; a code typed in another case is proposed.
    """
    # NUL can stand in a path but in no code, and PostgreSQL does not take it.
    row = None if "\0" in code else find(code)
    if row is None:
        like = None if "\0" in code else lots.code_like(code)
        unknown = "Do not load it: a spool without a record has no verdict. Take it to receiving."
        meant = f"Did you mean {like}?" if like else unknown
        raise NotFound(f"There is no spool with the code {code}. {meant}", candidates=[{"code": like}] if like else [])
    return row


def clearance(code: str, ask: Ask) -> dict[str, Any]:
    """Returns whether a spool may be loaded, with every reason against it, cautions, settings, and other spools when it may not.

    One query when it is clear, one more with a job and one with a machine; one more when it is not, for what else would do; two more for a
    spliced spool.

    Raises:
        NotFound: no spool has this code.
    """
    now = clock.now()
    row = spool_of(code, lots.spool_seen)
    answer, in_job = work_out(row, ask, now)
    others = [] if answer.clear else _others(row, ask, in_job, now)
    return {**view(row, answer, ask), "others": others, "checked_at": now}


def work_out(row: Any, ask: Ask, at: datetime) -> tuple[Clearance, list[Any]]:
    """Returns the clearance of a spool, and the lots of its shade already used in the job."""
    lot = row.lot
    in_job = loads.lots_in_job(ask.job, lot.grade.shade_id, lot.grade_id) if ask.job is not None else []
    found = _clear(row, lot, ask, in_job, at)
    if row.spliced:
        # A spliced spool is as good as the worst lot it holds; none of its lots' concessions covers the others.
        further = [lots.find(number) for number in tracing.further_lots([row.id]).get(row.id, ())]
        each = [_clear(row, other, ask, in_job, None) for other in further]
        found = worst_of([_clear(row, lot, ask, in_job, None if further else at), *each])
    if ask.machine is not None:
        found = with_held(found, ask.machine, loads.held_by(ask.machine, row.id))
    return found, in_job


def _clear(row: Any, lot: Any, ask: Ask, in_job: list[Any], at: datetime | None) -> Clearance:
    agreed = limits_from(lot.limits_revision.body) if lot.limits_revision else None
    rule = agreed.color if agreed and agreed.color else ColorLimits()
    if ask.match_max is not None:
        rule = replace(rule, step_max=ask.match_max)
    mine = Lab(*lot.lab) if lot.lab else None
    others = [o for o in in_job if o.id != lot.id]
    limit = _step_max if ask.match_max is None else lambda _: None
    pairs = match_pairs(mine, [(o.supplier_lot, comparable_lab(lot, o), limit(o)) for o in others], rule)
    state = _spool_state(row, lot, agreed, remaining_g=row.remaining_mass_g, loaded_on=row.machine)
    return clear(state, ask.use, pairs, ask.use in SHOWS_COLOR, ask.mass_g, at)


def of_lot(lot: Any, agreed: Limits | None, use: str, at: datetime) -> Clearance:
    """Returns whether a lot may be loaded for a use, as far as that does not hang on the spool, the job or the mass. No query."""
    # Of a spool there is only that it is not empty.
    return clear(_state(lot, agreed, spool=lot.supplier_lot, remaining_g=1.0), use, at=at)


def of_spool(row: Any, lots_on_it: list[Any], use: str, at: datetime) -> Clearance:
    """Returns whether a spool may be loaded for a use, as far as that does not hang on the machine, the job or the mass. No query.

    Args:
        row: the spool.
        lots_on_it: every lot whose filament it holds; none of their concessions covers the others.
        use: what is asked of the material.
        at: the moment of loading.
    """
    moment = at if len(lots_on_it) == 1 else None
    states = []
    for lot in lots_on_it:
        agreed = limits_from(lot.limits_revision.body) if lot.limits_revision else None
        states.append(_spool_state(row, lot, agreed, remaining_g=1.0))
    return worst_of([clear(state, use, at=moment) for state in states])


def _spool_state(row: Any, lot: Any, agreed: Limits | None, **where: Any) -> SpoolState:
    return _state(
        lot,
        agreed,
        spool=row.code,
        nonconforming=spool_failures(row, lot),
        life=_life(row, lot.grade),
        **where,
    )


def _state(lot: Any, agreed: Limits | None, **of_spool: Any) -> SpoolState:
    return SpoolState(
        lot=lot.supplier_lot,
        standing=lot.standing,
        uses=lot.uses,
        blocks=agreed.blocks if agreed else (),
        why=lot.why,
        by_hand=(lot.by_hand, lot.by_hand_reason) if lot.by_hand else None,
        cautions=grade_uses.cautions_of(lot),
        material=grade_uses.material(lot.grade),
        judged=lot.judged_at is not None,
        concessions=[concessions.from_json(kept) for kept in lot.concessions],
        **of_spool,
    )


def _life(row: Any, grade: Any) -> SpoolLife:
    received = row.delivery.received_at
    return SpoolLife(received, row.opened_at, row.dried_at, grade.shelf_life_days, grade.open_life_days)


def _step_max(other: Any) -> float | None:
    """The most that lots of one job may differ, by the limits the other lot is judged under."""
    if other.limits_revision is None:
        return None
    limit = (other.limits_revision.body.get("color") or {}).get("step_max")
    return None if limit is None else float(limit)


def comparable_lab(lot: Any, other: Any) -> Lab | None:
    """The other lot's mean colour, when it was measured under the same conditions."""
    if not other.lab or not lot.shade_revision or not other.shade_revision:
        return None
    return Lab(*other.lab) if other.shade_revision.conditions == lot.shade_revision.conditions else None


def _others(row: Any, ask: Ask, in_job: list[Any], at: datetime) -> list[dict[str, Any]]:
    """The nearest spools that are clear for the same: of the same lot first, then the oldest lot, opened ones first."""
    shelf = [s for s in lots.spools_on_shelf(grade_id=row.lot.grade_id, most=300) if s.id != row.id and not s.spliced]
    shelf.sort(key=lambda s: (s.lot_id != row.lot_id, s.lot.received_at, s.lot_id, s.opened_at is None, s.code))
    found = []
    for spool in shelf:
        answer = _clear(spool, spool.lot, ask, in_job, at)
        if answer.clear:
            terms = answer.concession.says if answer.concession else None
            found.append(
                {
                    "spool_code": spool.code,
                    "supplier_lot": spool.lot.supplier_lot,
                    "remaining_mass_g": spool.remaining_mass_g,
                    "opened_at": spool.opened_at,
                    "says": terms,
                }
            )
        if len(found) == _OFFERED:
            break
    return found


def view(row: Any, answer: Clearance, ask: Ask) -> dict[str, Any]:
    """A clearance as the contract shows it."""
    lot = row.lot
    life = _life(row, lot.grade)
    return {
        "spool_code": row.code,
        "clear": answer.clear,
        "says": answer.says,
        "use": ask.use,
        "job": ask.job,
        "machine": ask.machine,
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "uses": lot.uses,
        "reasons": list(answer.reasons),
        "cautions": list(answer.cautions),
        "settings": settings(row),
        "shade_match": None if ask.job is None else [_pair(pair) for pair in answer.pairs],
        "remaining_mass_g": row.remaining_mass_g,
        "concession": answer.concession and concessions.view_of(answer.concession),
        "permission": answer.permission and grade_uses.permission_view(answer.permission),
        "spool": {
            "part": row.remaining_mass_g < row.net_mass_g,
            "spliced": row.spliced,
            "opened_at": row.opened_at,
            "dried_at": row.dried_at,
            "use_by": life.use_by,
        },
    }


def settings(row: Any) -> dict[str, Any]:
    """What to set for a spool, from measurements of itself and of its lot, never of another.

    Flow from its own diameters, or its lot's when it was not measured itself; scales from its lot's coupons, with the standard uncertainty
    and what 100 mm would come out as without them. A spliced spool holds more than one filament, so nothing is set for it.
    """
    own = row.flow_factor is not None
    flow = None if row.spliced else row.flow_factor if own else row.lot.flow_factor
    shrink = {} if row.spliced else row.lot.shrinkage
    uncertain = {} if row.spliced else row.lot.shrinkage_uncertainty
    found: dict[str, Any] = {"flow_factor": flow, "flow_from": None if flow is None else "spool" if own else "lot"}
    for axis in AXES:
        percent = shrink.get(axis)
        scale = None if percent is None else scale_factor(percent)
        u = uncertain.get(axis)
        found[f"scale_{axis}"] = scale
        # d(scale)/dS = scale^2, with S as a fraction.
        found[f"scale_{axis}_uncertainty"] = None if scale is None or u is None else scale * scale * u / 100
        found[f"length_100_mm_{axis}"] = None if percent is None else 100 - percent
    return found


def _pair(pair: PairMatch) -> dict[str, Any]:
    return {
        "supplier_lot": pair.lot,
        "delta_e": pair.delta_e,
        "limit": pair.limit,
        "within": pair.within,
        "direction": pair.direction,
    }
