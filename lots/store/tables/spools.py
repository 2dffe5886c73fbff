"""Tables of spools, dryings, and the parents and lots of respooled filament."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import SQL, BooleanField, CharField, Check, DoubleField, ForeignKeyField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.deliveries import Delivery
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row


class Failing(TypedDict):
    """A failed requirement of a single spool, and the uses concerned. `of` is the code of the parent spool on which it was found."""

    uses: list[str]
    message: str
    of: NotRequired[str]


class Spool(Row):
    """A spool. `machine` is the machine on which it is loaded now."""

    code = CharField(60, unique=True)
    lot = ForeignKeyField(Lot, backref="spools")
    lot_id: int
    delivery = ForeignKeyField(Delivery, backref="spools")
    delivery_id: int
    net_mass_g = DoubleField(constraints=[Check("net_mass_g > 0 AND net_mass_g < 1e6")])
    remaining_mass_g = DoubleField(constraints=[Check("remaining_mass_g >= 0 AND remaining_mass_g < 1e6")])
    flow_factor = DoubleField(null=True)
    nonconforming = Json[list[Failing] | None](null=True)
    machine = CharField(60, null=True)
    opened_at = Instant(null=True)
    dried_at = Instant(null=True)
    spliced = BooleanField(default=False)
    # NULL if another spool of an older shop already has this identity.
    identity = CharField(120, null=True, unique=True)
    likeness = CharField(120, null=True, index=True)
    # Time of the last moisture reading, if that was within the limit.
    dry_at = Instant(null=True)
    # Time of the correction that the spool was never received.
    withdrawn_at = Instant(null=True)
    # Mean colour of its own readings with its uncertainty, and the uncertainty of its flow factor.
    color = Json[dict[str, object] | None](null=True)
    flow_uncertainty = DoubleField(null=True)
    # End of the last drying that conformed to the grade's rule.
    dried_by_rule_at = Instant(null=True)


class Drying(Row):
    """A drying of a spool: temperature, time, the grade's rule then, and whether it conforms (NULL without a rule)."""

    spool = ForeignKeyField(Spool, backref="dryings")
    spool_id: int
    temperature_c = DoubleField(constraints=[Check("temperature_c > 0")])
    hours = DoubleField(constraints=[Check("hours > 0")])
    ended_at = Instant()
    rule = Json[dict[str, float] | None](null=True)
    conforms = BooleanField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class SpoolParent(Row):
    """Filament respooled from a parent spool."""

    spool = ForeignKeyField(Spool, backref="parents")
    spool_id: int
    parent = ForeignKeyField(Spool, backref="children")
    parent_id: int
    mass_g = DoubleField(constraints=[Check("mass_g > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)


class SpoolLot(Row):
    """A further lot of a spliced spool."""

    spool = ForeignKeyField(Spool, backref="further_lots")
    spool_id: int
    lot = ForeignKeyField(Lot)
    lot_id: int

    class Meta:
        indexes = ((("spool", "lot"), True),)


# A partial index, so that a query of the stock reads no other spools.
Spool.add_index(
    SQL(
        "CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0 AND withdrawn_at IS NULL"
    )
)
