"""The tables that version 6 adds and widens, frozen, because the program's own tables change later."""

from __future__ import annotations

from peewee import BigAutoField, BigIntegerField, CharField, Check, DoubleField, IntegerField, Model, TextField

from lots.store.engine.column_types import Instant, Json


class Row(Model):
    id = BigAutoField()

    class Meta:
        legacy_table_names = False


class Instrument(Row):
    code = CharField(40, unique=True)
    kind = CharField(60)
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])
    check_interval_days = IntegerField(constraints=[Check("check_interval_days > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    resolution = DoubleField(null=True, constraints=[Check("resolution > 0")])
    measures = Json(null=True)
    version = IntegerField(default=1)


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


class SearchKey(Row):
    kind = CharField(8)
    key = CharField(48)
    refers_to = BigIntegerField()

    class Meta:
        indexes = ((("kind", "key", "refers_to"), False), (("kind", "refers_to"), False))


NEW = (ShopDetails, SearchKey)
