"""Drying of spools: records, lists, and the effect on clearance."""

from __future__ import annotations

from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.moisture import MOISTURE
from lots.domain.production import drying
from lots.domain.production.drying import DryingRule
from lots.domain.production.spool_life import Dryness
from lots.domain.words import moment
from lots.services import clock
from lots.services.errors import Conflict, Fault, Invalid
from lots.services.lookups import spool_of, withdrawn
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.production import dryings
from lots.store.tables.models import Grade, Lot, Spool
from lots.store.tables.spools import Drying


class DryingSent(TypedDict):
    """The request to record a drying."""

    temperature_c: float
    hours: float
    ended_at: NotRequired[datetime]


def rule_of(grade: Grade) -> DryingRule:
    """Returns the drying rule of a grade."""
    return DryingRule(grade.dry_c, grade.dry_h, grade.softening_c)


def record(code: str, values: DryingSent, by: str) -> View:
    """Records a drying of a spool. A drying that conforms to the rule of the grade restarts the time that the spool stays dry.

    Raises:
        NotFound: no spool has this code.
        Invalid: the time is in the future, or before the delivery.
        Conflict: the spool was withdrawn.
    """
    now = clock.now()
    with transaction():
        row = spool_of(code)
        ended_at = values.get("ended_at") or max(now, row.delivery.came_at)
        faults = clock.doubt_future("/ended_at", ended_at, now)
        if ended_at < row.delivery.came_at:
            detail = f"{moment(ended_at)} is before the delivery of the spool, at {moment(row.delivery.came_at)}."
            faults.append(Fault("/ended_at", detail, "State a time after the delivery."))
        if faults:
            raise Invalid(*faults)
        if row.withdrawn_at is not None:
            raise Conflict(f"{withdrawn(row)} Take it to quality.")
        rule = rule_of(row.lot.grade)
        conforms = rule.conforms(values["temperature_c"], values["hours"])
        made = dryings.add(row, {**values, "ended_at": ended_at, "rule": rule.as_json, "conforms": conforms}, by, now)
        life: dict[str, datetime | None] = {"dried_at": _later(row.dried_at, ended_at)}
        if conforms:
            life["dried_by_rule_at"] = _later(row.dried_by_rule_at, ended_at)
        lots.note_life(row, life)
        audit.note(row.lot_id, "spool dried", by, now, {"spool": [row.id], "drying": [made.id]}, {"dried_at": ended_at})
        return view(made, row.code)


def listed(code: str, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a spool's dryings, oldest first.

    Raises:
        NotFound: no spool has this code.
    """
    row = spool_of(code)
    return dryings.of_spool(row, cursor, limit).map(lambda one: view(one, row.code))


def view(row: Drying, code: str) -> View:
    """Returns a drying with its result in words."""
    rule = DryingRule.from_json(row.rule)
    fields = ("id", "temperature_c", "hours", "ended_at", "rule", "conforms", "recorded_at", "recorded_by")
    return {
        **{name: getattr(row, name) for name in fields},
        "spool_code": code,
        "says": rule.says(row.temperature_c, row.hours),
        "caution": drying.CAUTION,
    }


def dryness_of(row: Spool, lot: Lot, agreed: Limits | None) -> Dryness | None:
    """Returns the dryness of a spool as filament of a lot; None if its grade or the limits do not require it. No query."""
    grade = row.lot.grade
    if grade.dry_for_h is None or agreed is None:
        return None
    uses = agreed.used_by(MOISTURE.name)
    if not uses:
        return None
    known = [at for at in (lot.moisture_at, row.dry_at, row.dried_by_rule_at) if at is not None]
    newest = max(known, default=None)
    dried = newest is not None and newest == row.dried_by_rule_at
    return Dryness(newest, row.opened_at, grade.dry_for_h, grade.dry_for_open_h, rule_of(grade), uses, dried)


def cautions(row: Spool) -> list[str]:
    """Returns a caution about a spool that was dried too hot. At most one query."""
    softening_c = row.lot.grade.softening_c
    if row.dried_at is None or softening_c is None:
        return []
    hottest = dryings.hottest_c(row.id)
    if hottest is None or hottest <= softening_c:
        return []
    return [
        f"Spool {row.code} was dried at {hottest:g} °C, above the softening temperature of {softening_c:g} °C. It {drying.TOO_HOT}"
    ]


def _later(held: datetime | None, at: datetime) -> datetime:
    return at if held is None else max(held, at)
