"""Tables of test prints: numbered recipes for coupons, specimens, plaques and first layers."""

from __future__ import annotations

from peewee import CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant
from lots.store.tables.row import Row


class TestPrint(Row):
    """A kind of test print, such as a coupon. Its revisions hold its recipe."""

    code = CharField(40, unique=True)
    name = CharField(200)
    recorded_at = Instant()
    recorded_by = CharField(120)


class TestPrintRevision(Row):
    """An immutable recipe. Temperatures are in °C, lengths in mm, speed in mm/s, cooling in % of the fan speed."""

    test_print = ForeignKeyField(TestPrint, backref="revisions")
    test_print_id: int
    revision = IntegerField()
    nozzle_c = DoubleField(constraints=[Check("nozzle_c > 0")])
    bed_c = DoubleField(constraints=[Check("bed_c >= 0")])
    layer_height_mm = DoubleField(constraints=[Check("layer_height_mm > 0")])
    speed_mm_s = DoubleField(constraints=[Check("speed_mm_s > 0")])
    cooling_percent = DoubleField(constraints=[Check("cooling_percent >= 0 AND cooling_percent <= 100")])
    orientation = CharField(120)
    geometry = TextField()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)

    class Meta:
        indexes = ((("test_print", "revision"), True),)
