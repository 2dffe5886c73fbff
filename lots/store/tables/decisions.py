"""Tables of decisions about lots: by readings and by hand, concessions, re-inspections, corrective actions."""

from __future__ import annotations

from typing import Any

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.setup import (
    Grade,
    LimitsRevision,
    ShadeRevision,
)
from lots.store.tables.suppliers import Supplier


class Decision(Row):
    """Where a lot came to stand, when, by whom or by which readings, and under which revisions."""

    lot = ForeignKeyField(Lot, backref="decisions")
    lot_id: int
    action = CharField(20)
    standing = CharField(12)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json[Any]()
    accepted = Json[list[str]]()
    reason = TextField()
    findings = Json[Any]()
    reading_ids = Json[list[int]]()
    previous = Json[Any](null=True)
    retests_cleared = Json[Any]()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    limits_revision_id: int | None
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    shade_revision_id: int | None
    decided_at = Instant()
    decided_by = CharField(120)
    rules = IntegerField(null=True)
    steps_accepted = Json[Any](null=True)


class Reinspection(Row):
    """Quality's word on a lot past its shelf life: what to measure again, and until when it may then be used."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    measure = Json[list[str]]()
    use_by = Instant()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Concession(Row):
    """A permission to use a nonconforming lot, asked for by one person and approved by another."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    uses = Json[Any]()
    max_mass_g = DoubleField(constraints=[Check("max_mass_g > 0")])
    valid_until = Instant()
    finish_running = BooleanField()
    reason = TextField()
    requested_by = CharField(120)
    recorded_at = Instant()
    recorded_by = CharField(120)
    approved_at = Instant(null=True)
    approved_by = CharField(120, null=True)
    withdrawn_at = Instant(null=True)
    withdrawn_by = CharField(120, null=True)
    withdrawn_reason = TextField(null=True)


class CorrectiveAction(Row):
    """What a supplier was asked to do about a nonconforming lot, what it answered, and when quality closed it."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    requested = TextField()
    due_at = Instant()
    conforming_lots = IntegerField(constraints=[Check("conforming_lots >= 1")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    answered_at = Instant(null=True)
    answered_by = CharField(120, null=True)
    answer_recorded_by = CharField(120, null=True)
    cause = TextField(null=True)
    action = TextField(null=True)
    evidence = TextField(null=True)
    closed_at = Instant(null=True, index=True)
    closed_by = CharField(120, null=True)
    closing_note = TextField(null=True)
    closed_on = Json[list[int] | None](null=True)

    class Meta:
        indexes = ((("supplier", "grade"), False),)
