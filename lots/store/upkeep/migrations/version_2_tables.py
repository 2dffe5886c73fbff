"""The tables that version 2 creates or rebuilds, frozen, because the program's own tables change later."""

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


class LimitsRevision(Row):
    pass


class ShadeRevision(Row):
    pass


class Reading(Row):
    pass


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


class Instrument(Row):
    code = CharField(40, unique=True)
    kind = CharField(60)
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])
    check_interval_days = IntegerField(constraints=[Check("check_interval_days > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    resolution = DoubleField(null=True, constraints=[Check("resolution > 0")])


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
    original = Json(null=True)
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


class Delivery(Row):
    lot = ForeignKeyField(Lot)
    order_ref = CharField(120, null=True)
    received_at = Instant()
    due_at = Instant(null=True)
    cost = DoubleField(null=True, constraints=[Check("cost >= 0")])
    currency = CharField(3, null=True)
    sample = Json()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    came_at = Instant(index=True)
    corrected = Json(null=True)


class DeliveryCorrection(Row):
    delivery = ForeignKeyField(Delivery)
    changes = Json()
    closes = BooleanField(default=False)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


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


Spool.add_index(
    SQL(
        "CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0 AND withdrawn_at IS NULL"
    )
)


class SampleDraw(Row):
    delivery = ForeignKeyField(Delivery)
    spool_codes = Json()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class SampleSubstitute(Row):
    delivery = ForeignKeyField(Delivery)
    drawn = ForeignKeyField(Spool, unique=True)
    substitute = ForeignKeyField(Spool)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class ReadingVoid(Row):
    reading = ForeignKeyField(Reading, unique=True)
    reason = TextField()
    replaced_by = ForeignKeyField(Reading, null=True)
    voided_at = Instant()
    voided_by = CharField(120)
    held = BooleanField(null=True)


ReadingVoid.add_index(SQL("CREATE INDEX IF NOT EXISTS void_held ON reading_void (id) WHERE held"))


class VoidAgreement(Row):
    void = ForeignKeyField(ReadingVoid, unique=True)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Decision(Row):
    lot = ForeignKeyField(Lot)
    action = CharField(20)
    standing = CharField(12)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json()
    accepted = Json()
    reason = TextField()
    findings = Json()
    reading_ids = Json()
    previous = Json(null=True)
    retests_cleared = Json()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    decided_at = Instant()
    decided_by = CharField(120)
    rules = IntegerField(null=True)
    steps_accepted = Json(null=True)


class Reinspection(Row):
    lot = ForeignKeyField(Lot)
    measure = Json()
    use_by = Instant()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Concession(Row):
    pass


class Job(Row):
    number = CharField(120)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Machine(Row):
    name = CharField(60)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    slots = IntegerField(default=1, constraints=[Check("slots >= 1")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Load(Row):
    spool = ForeignKeyField(Spool)
    lot = ForeignKeyField(Lot)
    machine = CharField(60)
    job = CharField(120, index=True)
    use = CharField(20)
    mass_before_g = DoubleField(constraints=[Check("mass_before_g >= 0")])
    concession = ForeignKeyField(Concession, null=True)
    reserved_g = DoubleField(null=True, constraints=[Check("reserved_g >= 0")])
    loaded_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    remaining_mass_g = DoubleField(null=True, constraints=[Check("remaining_mass_g >= 0")])
    unloaded_at = Instant(null=True)
    unload_recorded_at = Instant(null=True)
    unload_recorded_by = CharField(120, null=True)
    on_machine = ForeignKeyField(Machine, null=True, index=False)
    of_job = ForeignKeyField(Job, null=True)

    class Meta:
        indexes = ((("on_machine", "loaded_at"), False),)


Load.add_index(SQL("CREATE UNIQUE INDEX IF NOT EXISTS load_open_spool ON load (spool_id) WHERE unloaded_at IS NULL"))


Load.add_index(SQL("CREATE INDEX IF NOT EXISTS load_open_machine ON load (on_machine_id) WHERE unloaded_at IS NULL"))


MADE_ANEW = (Grade, Instrument, Lot, Delivery, Spool, ReadingVoid, Decision, Load)
NEW = (DeliveryCorrection, SampleDraw, SampleSubstitute, VoidAgreement, Reinspection, Job, Machine)
