"""The table of lots."""

from __future__ import annotations

from typing import Any

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, LimitsRevision, ShadeRevision
from lots.store.tables.suppliers import Supplier


class Lot(Row):
    """The supplier's batch, with where it stands: kept in the transaction of whatever moved it, rebuilt from readings and decisions at will."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    supplier_lot = CharField(120)
    # As version 1 folded numbers; later lots have an identity and a likeness instead.
    lot_key = CharField(120, null=True)
    received_at = Instant()
    recorded_at = Instant()
    standing = CharField(12, index=True)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json[dict[str, str]]()
    why = Json[Any]()
    to_measure = Json[list[str]]()
    accepted = Json[list[str]]()
    lab = Json[list[float] | None](null=True)
    lab_uncertainty = Json[Any](null=True)
    shrinkage = Json[Any]()
    shrinkage_uncertainty = Json[Any]()
    flow_factor = DoubleField(null=True)
    figures = Json[Any]()
    previous = Json[Any](null=True)
    first_inspection = Json[Any](null=True, column_name="original")
    resubmission_of = ForeignKeyField("self", null=True, index=False)
    resubmission_of_id: int | None
    retestable = Json[list[str]]()
    retests_cleared = Json[Any]()
    concessions = Json[Any]()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    limits_revision_id: int | None
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    shade_revision_id: int | None
    measured = BooleanField(default=False)
    judged_at = Instant(null=True)
    version = IntegerField(default=1)
    # The version of the rules it is judged by; none stands for the first.
    rules = IntegerField(null=True)
    # Code of a finding on a step -> the largest step from `previous` that quality accepted.
    steps_accepted = Json[Any](null=True)
    reinspected_until = Instant(null=True)
    wet = Json[Any](null=True)
    # None where a lot of an older shop has the identity of another already.
    identity = CharField(120, null=True)
    likeness = CharField(120, null=True)
    # How far spools lie apart in colour, what was measured by printer, how sure the flow factor is, and when moisture was last measured.
    color_between = Json[Any](null=True)
    printed = Json[Any](null=True)
    flow_uncertainty = DoubleField(null=True)
    moisture_at = Instant(null=True)

    class Meta:
        indexes = (
            (("supplier", "grade", "supplier_lot"), True),
            (("supplier", "grade", "identity"), True),
            (("supplier", "grade", "likeness"), False),
            (("supplier", "grade", "received_at"), False),
            (("grade", "received_at"), False),
            (("received_at",), False),
            (("supplier_lot",), False),
            (("identity",), False),
        )
        constraints = (
            Check("standing IN ('quarantined', 'released', 'restricted', 'blocked', 'returned', 'scrapped')"),
            Check("by_hand IN ('block', 'hold', 'return', 'scrap')"),
        )
