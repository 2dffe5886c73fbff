"""The tables that version 7 adds and widens, frozen, because the program's own tables change later."""

from __future__ import annotations

from peewee import BigAutoField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, Model, TextField

from lots.store.engine.column_types import Instant, Json


class Row(Model):
    id = BigAutoField()

    class Meta:
        legacy_table_names = False


class Lot(Row):
    pass


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
    ordered_at = Instant(null=True)


class CorrectiveAction(Row):
    pass


class ShopDetails(Row):
    name = CharField(200, null=True)
    address = TextField(null=True)
    site = CharField(200, null=True)
    time_zone = CharField(60)
    date_form = CharField(10)
    decimal_sign = CharField(5)
    label_width_mm = DoubleField(constraints=[Check("label_width_mm > 0")])
    label_height_mm = DoubleField(constraints=[Check("label_height_mm > 0")])
    label_margin_mm = DoubleField(constraints=[Check("label_margin_mm >= 0")])
    sheet_top_mm = DoubleField(constraints=[Check("sheet_top_mm >= 0")])
    sheet_left_mm = DoubleField(constraints=[Check("sheet_left_mm >= 0")])
    label_paper = CharField(5)
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)
    usual_quarantine_days = IntegerField(null=True, constraints=[Check("usual_quarantine_days > 0")])
    bench_cost_per_h = DoubleField(null=True, constraints=[Check("bench_cost_per_h >= 0")])
    bench_currency = CharField(3, null=True)
    minutes_per_reading = DoubleField(null=True, constraints=[Check("minutes_per_reading > 0")])


class Certificate(Row):
    delivery = ForeignKeyField(Delivery)
    reference = CharField(120, null=True)
    issued_at = Instant(null=True)
    values = Json()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Letter(Row):
    lot = ForeignKeyField(Lot)
    corrective_action = ForeignKeyField(CorrectiveAction, null=True, index=False)
    number = CharField(40, unique=True)
    claim = CharField(12, constraints=[Check("claim IN ('none', 'credit', 'replacement', 'sorting')")])
    spools = IntegerField(null=True, constraints=[Check("spools > 0")])
    mass_g = DoubleField(null=True, constraints=[Check("mass_g > 0")])
    amount = DoubleField(null=True, constraints=[Check("amount >= 0")])
    currency = CharField(3, null=True)
    answer_by = Instant()
    addressed_to = TextField()
    signed_by = CharField(120)
    note = TextField(null=True)
    digest = CharField(64)
    recorded_at = Instant()
    recorded_by = CharField(120)
    pdf = TextField()


class LetterSent(Row):
    letter = ForeignKeyField(Letter)
    sent_at = Instant()
    sent_to = CharField(200)
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


NEW = (Certificate, Letter, LetterSent)
WIDER = (Delivery, ShopDetails)
