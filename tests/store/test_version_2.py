"""A shop of version 2 as its program left it: migrated, unchanged, and open to new kinds of readings."""

from datetime import UTC, datetime

import pytest
from peewee import IntegrityError

from lots.services.assessment import integrity_checks
from lots.store.engine.database import db
from lots.store.tables.models import TABLES, Import, Instrument, Reading, ReadingVoid, SchemaVersion
from lots.store.tables.studies import InstrumentStudy
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new

# An undeclared kind of the greatest length; version 2 had room for 12 characters.
UNKNOWN = f"{'hardness_':x<60}"
AT = datetime(2026, 11, 27, 12, 0, 0, 1, UTC)
RECORDED = {"recorded_at": AT, "recorded_by": "Ansel"}


def every_row():
    """Every row of every table of version 2, without the version's, by column, without empty values."""
    names = [table._meta.table_name for table in TABLES if table is not SchemaVersion and table.table_exists()]
    found = {}
    for name in names:
        columns = [column.name for column in db.get_columns(name)]
        rows = db.execute_sql(f'SELECT * FROM "{name}" ORDER BY id').fetchall()
        found[name] = [
            {column: value for column, value in zip(columns, row, strict=True) if value is not None} for row in rows
        ]
    return found


STEPS = [
    "0003_readings_of_any_kind",
    "0004_rules_of_the_trade",
    "0005_sessions_and_feed",
    "0006_shop_and_search",
    "0007_letters_and_certificates",
    "0008_wording",
]


@pytest.fixture
def shop(empty_url, engine):
    """The shop as stored, open."""
    with kept(2, empty_url, engine):
        yield


@pytest.fixture
def migrated(shop):
    """The shop at the newest version, open."""
    assert STEPS == bring_up_to_date()


def test_its_tables_are_those_of_a_new_one(migrated):
    """Columns, constraints, indexes and references are those of an empty database."""
    found, new = tables_as_they_are_and_as_new()
    assert new == found


def test_no_row_of_it_changed(shop):
    """Numbers, values and history are unchanged in every table, and rebuilt tables have rows; instruments have measures and a version."""
    before = every_row()
    bring_up_to_date()
    after = every_row()
    added = {name: after.pop(name) for name in after.keys() - before.keys()}
    # They follow from names.
    assert added.pop("search_key")
    assert not any(added.values())
    for row in after["instrument"]:
        row.pop("measures", None), row.pop("version")
    assert "shop migrated" == after["event"].pop()["what"]
    before.pop("chain"), after.pop("chain")
    assert before == after
    assert all(before[model._meta.table_name] for model in (Import, InstrumentStudy, Reading))


def test_instruments_measure_what_their_kind_does_and_what_they_have_measured(migrated):
    """A micrometer measures lengths, and an instrument keeps its earlier measures."""
    used = {}
    for row in Reading.select(Reading.instrument, Reading.kind).where(Reading.instrument.is_null(False)).distinct():
        used.setdefault(row.instrument_id, set()).add(row.kind)
    every = {row.id: row for row in Instrument.select()}
    assert used
    assert all(kinds <= set(every[number].measures) for number, kinds in used.items())
    assert all({"diameter", "shrinkage"} <= set(row.measures) for row in every.values() if "micrometer" in row.kind)


def test_nothing_in_it_changed_its_meaning(migrated):
    """Every row agrees with the history, and every lot has the status of its readings."""
    assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_it_takes_readings_of_a_kind_that_nobody_declared(migrated):
    """Tables list no kinds, so a new characteristic changes none; numbers continue after the highest."""
    newest = Reading.select().order_by(Reading.id.desc()).get()
    values = {"kind": UNKNOWN, "spool": newest.spool_id, "lot": newest.lot_id, "values": {"shore_d": 78.5}}
    made = Reading.create(**values, measured_at=AT, **RECORDED)
    assert newest.id + 1 == made.id
    assert (UNKNOWN, {"shore_d": 78.5}) == (Reading.get_by_id(made.id).kind, Reading.get_by_id(made.id).values)


def test_it_takes_files_and_studies_of_a_kind_that_nobody_declared(migrated):
    """The kind of a file and the measure of a study have room for a long name."""
    about = {"digest": "0" * 64, "rows": 1, "items": 1, "lot_ids": [], "summary": {}}
    file = Import.create(kind=UNKNOWN, file_name="hardness.csv", **about, **RECORDED)
    study = InstrumentStudy.create(
        instrument=InstrumentStudy.get().instrument_id,
        kind="agreement",
        measure=UNKNOWN,
        studied_at=AT,
        body={},
        **RECORDED,
    )
    assert UNKNOWN == Import.get_by_id(file.id).kind == InstrumentStudy.get_by_id(study.id).measure


def test_references_and_other_rules_still_hold(migrated):
    """Rebuilt tables refuse missing references, deleted ones, other words and a repeated file."""
    newest = Reading.select().order_by(Reading.id.desc()).get()
    values = {"kind": "gloss", "lot": newest.lot_id, "values": {}, "measured_at": AT, **RECORDED}
    voided = ReadingVoid.get().reading_id
    columns = Import._meta.sorted_fields[1:]
    for refused in (
        Reading.insert(**values, spool=999_999),
        Reading.delete().where(Reading.id == voided),
        InstrumentStudy.update(kind="hearsay"),
        Import.insert_from(Import.select(*columns), columns),
    ):
        with pytest.raises(IntegrityError), db.atomic():
            refused.execute()
