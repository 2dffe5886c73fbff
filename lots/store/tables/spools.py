"""Tables of spools: reels, what a reel wound in the shop holds, and where it comes from."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import SQL, BooleanField, CharField, Check, DoubleField, ForeignKeyField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.deliveries import Delivery
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row


class Failing(TypedDict):
    """What a spool fails by itself, and for which uses; `of` is the code of the spool it was found on, where that is a parent."""

    uses: list[str]
    message: str
    of: NotRequired[str]


class Spool(Row):
    """One reel. `machine` is where it is loaded now."""

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
    # None where a spool of an older shop has the identity of another already.
    identity = CharField(120, null=True, unique=True)
    likeness = CharField(120, null=True, index=True)
    # When it was last measured, where that reading was dry.
    dry_at = Instant(null=True)
    # When it was found never to have come.
    withdrawn_at = Instant(null=True)
    # Mean colour of its own readings with its uncertainty, and how sure its flow factor is.
    color = Json[dict[str, object] | None](null=True)
    flow_uncertainty = DoubleField(null=True)
    # When a drying ended that kept to the grade's rule.
    dried_by_rule_at = Instant(null=True)


class Drying(Row):
    """One drying of a spool: how hot, how long, the grade's rule at the time, and whether it was kept (None without a rule)."""

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
    """Filament that was wound from one spool onto another."""

    spool = ForeignKeyField(Spool, backref="parents")
    spool_id: int
    parent = ForeignKeyField(Spool, backref="children")
    parent_id: int
    mass_g = DoubleField(constraints=[Check("mass_g > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)


class SpoolLot(Row):
    """A lot, beside its own, that a spliced spool holds filament of."""

    spool = ForeignKeyField(Spool, backref="further_lots")
    spool_id: int
    lot = ForeignKeyField(Lot)
    lot_id: int

    class Meta:
        indexes = ((("spool", "lot"), True),)


# What is in stock is found among what is in stock, not among all that ever came.
Spool.add_index(
    SQL(
        "CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0 AND withdrawn_at IS NULL"
    )
)
