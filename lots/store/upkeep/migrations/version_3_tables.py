"""The tables that version 3 rebuilds, frozen, because the program's own tables change later."""

from __future__ import annotations

from peewee import (
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


class Spool(Row):
    pass


class Lot(Row):
    pass


class Instrument(Row):
    pass


class Import(Row):
    kind = CharField(60)
    file_name = CharField(200)
    digest = CharField(64, unique=True)
    rows = IntegerField()
    items = IntegerField()
    lot_ids = Json()
    summary = Json()
    recorded_at = Instant()
    recorded_by = CharField(120)


class InstrumentStudy(Row):
    instrument = ForeignKeyField(Instrument)
    other = ForeignKeyField(Instrument, null=True)
    kind = CharField(14, constraints=[Check("kind IN ('repeatability', 'linearity', 'agreement')")])
    measure = CharField(60, null=True)
    studied_at = Instant()
    body = Json()
    gauge_sd = DoubleField(null=True, constraints=[Check("gauge_sd >= 0")])
    repeat_sd = DoubleField(null=True, constraints=[Check("repeat_sd >= 0")])
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Reading(Row):
    kind = CharField(60)
    spool = ForeignKeyField(Spool)
    lot = ForeignKeyField(Lot, index=False)
    instrument = ForeignKeyField(Instrument, null=True, index=False)
    measured_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    screening = BooleanField(default=False)
    retest = BooleanField(default=False)
    values = Json()
    note = TextField(null=True)

    class Meta:
        indexes = ((("lot", "kind", "id"), False), (("instrument", "measured_at"), False))


MADE_ANEW = (Import, InstrumentStudy, Reading)
