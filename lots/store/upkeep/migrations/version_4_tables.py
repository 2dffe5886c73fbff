"""The tables that version 4 adds and widens, frozen, because the program's own tables change later."""

from __future__ import annotations

from peewee import (
    SQL,
    BigAutoField,
    BooleanField,
    CharField,
    Check,
    DoubleField,
    ForeignKeyField,
    IntegerField,
    Model,
    TextField,
)

from lots.store.engine.column_types import Instant, Json


class Row(Model):
    id = BigAutoField()

    class Meta:
        legacy_table_names = False


class Supplier(Row):
    pass


class Shade(Row):
    pass


class Delivery(Row):
    pass


class Instrument(Row):
    code = CharField(40, unique=True)
    kind = CharField(60)
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])
    check_interval_days = IntegerField(constraints=[Check("check_interval_days > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    resolution = DoubleField(null=True, constraints=[Check("resolution > 0")])
    measures = Json(null=True)


class ShadeRevision(Row):
    shade = ForeignKeyField(Shade)
    revision = IntegerField()
    lab = Json()
    readings = Json(null=True)
    spectrum = Json(null=True)
    conditions = Json()
    approved_by = CharField(120)
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    instrument = ForeignKeyField(Instrument, null=True, index=False)
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])

    class Meta:
        indexes = ((("shade", "revision"), True),)


class Grade(Row):
    code = CharField(40, unique=True)
    polymer = CharField(60)
    color_name = CharField(120)
    finish = CharField(60, null=True)
    filler = CharField(120, null=True)
    nominal_diameter_mm = DoubleField(constraints=[Check("nominal_diameter_mm > 0 AND nominal_diameter_mm < 10")])
    density_g_cm3 = DoubleField(constraints=[Check("density_g_cm3 > 0 AND density_g_cm3 < 20")])
    shade = ForeignKeyField(Shade, null=True)
    cautions = Json()
    brightened = BooleanField(default=False)
    shelf_life_days = IntegerField(null=True, constraints=[Check("shelf_life_days > 0")])
    open_life_days = IntegerField(null=True, constraints=[Check("open_life_days > 0")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)
    filler_kind = CharField(
        10, null=True, constraints=[Check("filler_kind IN ('none', 'pigment', 'mineral', 'fibre', 'other')")]
    )
    forbidden_uses = Json(null=True)
    permitted_uses = Json(null=True)
    forbidden_shapes = Json(null=True)
    dry_c = DoubleField(null=True, constraints=[Check("dry_c > 0")])
    dry_h = DoubleField(null=True, constraints=[Check("dry_h > 0")])
    softening_c = DoubleField(null=True, constraints=[Check("softening_c > 0")])
    dry_for_h = DoubleField(null=True, constraints=[Check("dry_for_h > 0")])
    dry_for_open_h = DoubleField(null=True, constraints=[Check("dry_for_open_h > 0")])


class LimitsRevision(Row):
    grade = ForeignKeyField(Grade)
    revision = IntegerField()
    body = Json()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    rules = IntegerField(null=True)

    class Meta:
        indexes = ((("grade", "revision"), True),)


class Lot(Row):
    supplier = ForeignKeyField(Supplier)
    grade = ForeignKeyField(Grade)
    supplier_lot = CharField(120)
    lot_key = CharField(120, null=True)
    received_at = Instant()
    recorded_at = Instant()
    standing = CharField(12, index=True)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json()
    why = Json()
    to_measure = Json()
    accepted = Json()
    lab = Json(null=True)
    lab_uncertainty = Json(null=True)
    shrinkage = Json()
    shrinkage_uncertainty = Json()
    flow_factor = DoubleField(null=True)
    figures = Json()
    previous = Json(null=True)
    first_inspection = Json(null=True, column_name="original")
    resubmission_of = ForeignKeyField("self", null=True, index=False)
    retestable = Json()
    retests_cleared = Json()
    concessions = Json()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    measured = BooleanField(default=False)
    judged_at = Instant(null=True)
    version = IntegerField(default=1)
    rules = IntegerField(null=True)
    steps_accepted = Json(null=True)
    reinspected_until = Instant(null=True)
    wet = Json(null=True)
    identity = CharField(120, null=True)
    likeness = CharField(120, null=True)
    color_between = Json(null=True)
    printed = Json(null=True)
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


class Spool(Row):
    code = CharField(60, unique=True)
    lot = ForeignKeyField(Lot)
    delivery = ForeignKeyField(Delivery)
    net_mass_g = DoubleField(constraints=[Check("net_mass_g > 0 AND net_mass_g < 1e6")])
    remaining_mass_g = DoubleField(constraints=[Check("remaining_mass_g >= 0 AND remaining_mass_g < 1e6")])
    flow_factor = DoubleField(null=True)
    nonconforming = Json(null=True)
    machine = CharField(60, null=True)
    opened_at = Instant(null=True)
    dried_at = Instant(null=True)
    spliced = BooleanField(default=False)
    identity = CharField(120, null=True, unique=True)
    likeness = CharField(120, null=True, index=True)
    dry_at = Instant(null=True)
    withdrawn_at = Instant(null=True)
    color = Json(null=True)
    flow_uncertainty = DoubleField(null=True)
    dried_by_rule_at = Instant(null=True)


class Reading(Row):
    kind = CharField(60)
    spool = ForeignKeyField(Spool)
    lot = ForeignKeyField(Lot, index=False)
    instrument = ForeignKeyField(Instrument, null=True, index=False)  # covered by the index below
    measured_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    screening = BooleanField(default=False)
    retest = BooleanField(default=False)
    values = Json()
    note = TextField(null=True)
    to_confirm = BooleanField(null=True)
    build_key = CharField(200, null=True)
    control_of = CharField(200, null=True)

    class Meta:
        indexes = ((("lot", "kind", "id"), False), (("instrument", "measured_at"), False))


Reading.add_index(SQL("CREATE INDEX IF NOT EXISTS reading_build ON reading (build_key) WHERE build_key IS NOT NULL"))
Reading.add_index(
    SQL("CREATE INDEX IF NOT EXISTS reading_control ON reading (kind, control_of, id) WHERE control_of IS NOT NULL")
)
Spool.add_index(
    SQL(
        "CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0 AND withdrawn_at IS NULL"
    )
)


class TestPrint(Row):
    code = CharField(40, unique=True)
    name = CharField(200)
    recorded_at = Instant()
    recorded_by = CharField(120)


class TestPrintRevision(Row):
    test_print = ForeignKeyField(TestPrint)
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


class Drying(Row):
    spool = ForeignKeyField(Spool)
    temperature_c = DoubleField(constraints=[Check("temperature_c > 0")])
    hours = DoubleField(constraints=[Check("hours > 0")])
    ended_at = Instant()
    rule = Json(null=True)
    conforms = BooleanField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class ReadingConfirmation(Row):
    reading = ForeignKeyField(Reading, unique=True)
    reason = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class BuildDoubt(Row):
    kind = CharField(60)
    build_key = CharField(200)
    says = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)
    lifted_at = Instant(null=True)
    lifted_by = CharField(120, null=True)
    lifted_reason = TextField(null=True)

    class Meta:
        indexes = ((("build_key", "kind"), False),)


NEW = (TestPrint, TestPrintRevision, Drying, ReadingConfirmation, BuildDoubt)
# Tables with new columns. On SQLite each is rebuilt, so that its SQL equals that of a new table.
WIDER = (Instrument, ShadeRevision, Grade, LimitsRevision, Lot, Spool, Reading)
