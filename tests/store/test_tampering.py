"""Direct changes of the tables are found with lot and entry."""

from contextlib import contextmanager

import pytest
from peewee import BooleanField, DoubleField, ForeignKeyField, IntegerField, SqliteDatabase

from lots.domain.hash_chain import Entry, hash_of
from lots.services.assessment import integrity_checks
from lots.store import audit
from lots.store.engine.column_types import Json
from lots.store.engine.database import db
from lots.store.tables import loads, models
from lots.store.upkeep import integrity as store
from tests.changes import lived_in
from tests.store.rows import connected, contents

AUDITED = list(audit.AUDITED.values())


def sql(text, *values):
    """A direct SQL statement."""
    return db.execute_sql(text.replace("?", db.param), values)


@contextmanager
def by_hand():
    """A connection without foreign keys, as in the shell of SQLite."""
    with connected():
        on_file = isinstance(db.obj, SqliteDatabase)
        sql("PRAGMA foreign_keys = 0" if on_file else "SET session_replication_role = replica")
        try:
            yield
        finally:
            sql("PRAGMA foreign_keys = 1" if on_file else "SET session_replication_role = DEFAULT")


@pytest.fixture
def lived(shop):
    """A shop with every kind of change, and a direct connection."""
    lived_in(shop)
    with by_hand():
        assert [] == proved()
        yield


@pytest.fixture
def lot(shop):
    """The name in findings of a lot with a few entries, with a direct connection."""
    delivery = shop.good_lot()
    shop.decide(delivery["lot_id"], "hold")
    with by_hand():
        assert [] == proved()
        yield f"lot Q-71 ({delivery['lot_id']})"


def proved():
    """The findings on chains and rows, line by line."""
    return [flaw.line for flaw in integrity_checks.proved(store.lot_names())]


def row_of(model, number):
    """A row as stored, by column."""
    columns = [field.column_name for field in model._meta.sorted_fields]
    names = ", ".join(f'"{column}"' for column in columns)
    values = sql(f'SELECT {names} FROM "{model._meta.table_name}" WHERE id = ?', number).fetchone()
    return dict(zip(columns, values, strict=True))


def put(model, row):
    """Inserts a row directly."""
    names, marks = ", ".join(f'"{column}"' for column in row), ", ".join("?" * len(row))
    sql(f'INSERT INTO "{model._meta.table_name}" ({names}) VALUES ({marks})', *row.values())


def take_out(model, number):
    """Deletes a row directly."""
    sql(f'DELETE FROM "{model._meta.table_name}" WHERE id = ?', number)


def edit(model, row_id, /, **columns):
    """Changes columns of a row directly."""
    for column, value in columns.items():
        sql(f'UPDATE "{model._meta.table_name}" SET "{column}" = ? WHERE id = ?', value, row_id)


@contextmanager
def undone(model, number):
    """Restores a row after the block."""
    before = row_of(model, number)
    yield before
    take_out(model, number)
    put(model, before)


# Words that a constraint allows, to replace one another.
OTHER = {"fail": "pass", "pass": "fail", "diameter": "moisture", "repeatability": "linearity", "credit": "sorting"}


def other(field, value):
    """Another valid value for the table."""
    if field.name == "filler_kind":
        return "mineral" if value != "mineral" else "fibre"
    if isinstance(field, BooleanField):
        return not value
    if isinstance(field, DoubleField):
        return (value or 1.0) * 0.5
    if isinstance(field, ForeignKeyField | IntegerField) or field.name == "id":
        return (value or 0) + 1000
    if isinstance(field, Json):
        return f"{value or '[]'} "
    text = value or "x"
    return OTHER.get(text) or ("y" if text[0] == "x" else "x") + text[1:]


def editable(cover):
    """Columns of a table to edit."""
    return [field for field in cover.fields if field.name not in ("id", "by_hand")]


def owner(cover, number):
    """The name of a row's lot in a finding."""
    with_names = store.lot_names()
    lot_id = store.lot_of_row(cover.table, row_of(cover.model, number))
    return "shop" if lot_id is None else f"lot {with_names[lot_id]} ({lot_id})"


def last_entry(table, number):
    """Chain and number of the last entry with a row."""
    return max(
        (event.number, event.chain)
        for event in models.Event.select()
        if number in event.content["rows"].get(table, {}).get("ids", ())
    )[0]


def some_row(cover):
    """The number of a row of a table; of a load or an exclusion an ended one, because only one open is possible."""
    query = cover.model.select(cover.model.id)
    if cover.model is loads.Load:
        query = query.where(loads.Load.unloaded_at.is_null(False))
    if cover.model is models.ReadingExclusion:
        query = query.where(models.ReadingExclusion.included_at.is_null(False))
    return query.order_by(cover.model.id).first().id


def test_every_table_and_column_is_covered_or_said_not_to_be():
    """Every table and column is covered, or named as not covered."""
    covered = {cover.model for cover in AUDITED}
    assert set(models.TABLES) == covered | set(audit.NOT_COVERED)
    assert not covered & set(audit.NOT_COVERED)
    for cover in AUDITED:
        names = {field.name for field in cover.model._meta.sorted_fields}
        assert names == {field.name for field in cover.fields} | set(cover.derived), cover.table


def edited(cover, number):
    """Edits a row of a table; returns the findings."""
    named = f"{owner(cover, number)}, entry {last_entry(cover.table, number)}: "
    field = editable(cover)[number % len(editable(cover))]
    with undone(cover.model, number) as row:
        edit(cover.model, number, **{field.column_name: other(field, row[field.column_name])})
        (line,) = proved()
    assert line.startswith(named) or field.name == "supplier_lot", (field.name, line)
    assert f" {cover.table.replace('_', ' ')} " in line, (field.name, line)
    assert line.endswith(("was edited.", "was edited since.")), (field.name, line)


def taken_out(cover, number):
    """Deletes a row of a table; returns the findings."""
    whose, entry = owner(cover, number), last_entry(cover.table, number)
    with undone(cover.model, number):
        take_out(cover.model, number)
        lines = proved()
    if cover.model is models.Lot:
        whose = f"lot missing ({number})"
    words = f"{cover.table.replace('_', ' ')} {number} was deleted"
    assert begins(lines, f"{whose}, entry {entry}: {words}"), (cover.table, lines)


def put_in(cover, number):
    """Inserts a copy of a row; returns the findings."""
    row = {**row_of(cover.model, number), "id": 10_000}
    alone = [(field.name,) for field in cover.model._meta.sorted_fields if field.unique and field.name != "id"]
    together = [index[0] for index in cover.model._meta.indexes if isinstance(index, tuple) and index[1]]
    for *_, name in (*alone, *together):
        field = cover.model._meta.fields[name]
        row[field.column_name] = other(field, row[field.column_name])
    put(cover.model, row)
    says = f"{owner(cover, 10_000)}: {cover.table.replace('_', ' ')} 10000 was added without an entry."
    assert says in proved(), cover.table
    take_out(cover.model, 10_000)


@pytest.mark.usefixtures("lived")
def test_a_row_that_is_edited_taken_out_or_put_in_is_found():
    """In each covered table an edit, deletion or insertion is found with lot and entry."""
    for cover in AUDITED:
        number = some_row(cover)
        for done in (edited, taken_out, put_in):
            done(cover, number)
    assert [] == proved()


@pytest.mark.usefixtures("lived")
@pytest.mark.parametrize("engine", ["sqlite"])
def test_every_covered_column_counts():
    """An edit of any covered column changes the digest of its row."""
    for cover in AUDITED:
        number = some_row(cover)
        for field in editable(cover):
            (before,) = audit.stored(cover, [number]).values()
            with undone(cover.model, number) as row:
                edit(cover.model, number, **{field.column_name: other(field, row[field.column_name])})
                (after,) = audit.stored(cover, [number]).values()
            assert audit.cover_of(cover, [before]) != audit.cover_of(cover, [after]), (cover.table, field.name)


def entries_of_the_lot():
    """The rows of its entries."""
    events = list(models.Event.select().where(models.Event.lot_id.is_null(False)).order_by(models.Event.number))
    assert len(events) >= 4
    return events


def begins(lines, *wanted):
    """True when each of these begins some line."""
    return all(any(line.startswith(begin) for line in lines) for begin in wanted)


def test_an_entry_that_is_edited_is_found(lot):
    """An edited column of an entry is found with its lot, by number or gap."""
    second = entries_of_the_lot()[1]
    changes = {
        "by": "Nobody",
        "what": "lot judged again",
        "at": "2026-01-01T00:00:00.000000Z",
        "content": '{"rows":{}}',
        "previous": "f" * 64,
        "hash": "f" * 64,
        "number": 999,
        "chain": "shop",
        "lot_id": 1_000,
        "announces": not second.announces,
    }
    for column, value in changes.items():
        with undone(models.Event, second.id):
            if column == "chain":
                edit(models.Event, second.id, number=999)
            edit(models.Event, second.id, **{column: value})
            lines = proved()
        assert begins(lines, f"{lot}, entry 2: entry 2 "), (column, lines)
    assert [] == proved()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"rows": 7}', '{"rows":{"lot":7}}', '{"rows":{"lot":{"ids":["x"]}}}', "NaN"]
)
def test_an_entry_that_says_nothing_that_can_be_read_is_found(lot, text):
    """Unreadable content of an entry is found, and the check continues."""
    second = entries_of_the_lot()[1]
    with undone(models.Event, second.id):
        edit(models.Event, second.id, content=text)
        assert begins(proved(), f"{lot}, entry 2: entry 2 was edited")


def test_an_edited_entry_with_a_right_hash_is_found_by_the_next(lot):
    """A rehashed entry breaks its link to the next one or the head."""
    events = entries_of_the_lot()
    for event, found in ((events[1], 3), (events[-1], events[-1].number)):
        with undone(models.Event, event.id):
            (entry,) = (one for one, _ in audit.entries(event.chain) if one.number == event.number)
            names = ("chain", "number", "at", "what", "content", "previous", "hash")
            forged = Entry(by="Nobody", **{name: getattr(entry, name) for name in names})
            edit(models.Event, event.id, by="Nobody", hash=hash_of(forged))
            assert begins(proved(), f"{lot}, entry {found}: entry {found} ")


def test_an_entry_that_is_taken_out_is_found(lot):
    """A deleted entry at the beginning, in the middle or at the end is found by its number."""
    events = entries_of_the_lot()
    for event in (events[0], events[2], events[-1]):
        with undone(models.Event, event.id):
            take_out(models.Event, event.id)
            lines = proved()
        assert begins(lines, f"{lot}, entry {event.number}: entry {event.number} was deleted"), lines


def test_an_entry_that_is_put_in_is_found(lot):
    """An inserted entry at the end, though linked, and one before the beginning are found."""
    events = entries_of_the_lot()
    last = row_of(models.Event, events[-1].id)
    number = last["number"] + 1
    put(models.Event, {**last, "id": 10_000, "number": number, "previous": last["hash"]})
    assert begins(proved(), f"{lot}, entry {number}: entry {number} was inserted")
    edit(models.Event, 10_000, number=0)
    assert begins(proved(), f"{lot}, entry 0: entry 0 was inserted")


def test_entries_that_changed_places_are_found(lot):
    """Two entries with exchanged numbers are both found."""
    _, second, third, *_ = entries_of_the_lot()
    with undone(models.Event, second.id), undone(models.Event, third.id):
        edit(models.Event, second.id, number=10_000)
        edit(models.Event, third.id, number=2)
        edit(models.Event, second.id, number=3)
        assert begins(proved(), f"{lot}, entry 2: ", f"{lot}, entry 3: ")
        take_out(models.Event, second.id)  # so that each can be restored


def test_length_and_head_that_are_edited_are_found(lot):
    """An edited length or head, and a deleted chain, are found with the lot."""
    event = entries_of_the_lot()[-1]
    kept = models.Chain.get(models.Chain.chain == event.chain)
    changes = ({"length": kept.length - 1}, {"length": kept.length + 1}, {"head": "f" * 64})
    for change in changes:
        with undone(models.Chain, kept.id):
            edit(models.Chain, kept.id, **change)
            assert begins(proved(), f"{lot}, entry "), change
    with undone(models.Chain, kept.id):
        take_out(models.Chain, kept.id)
        assert begins(proved(), f"{lot}, entry {event.number}: the length and the head of the history are missing")


def test_a_chain_of_nobody_is_found(lot):
    """A chain without a lot is found."""
    put(models.Chain, {"id": 10_000, "chain": "lot:x", "length": 1, "head": "f" * 64})
    assert 'shop: history "lot:x" belongs neither to a lot nor to the shop.' in proved()


def test_a_whole_history_written_anew_is_found_by_a_head_that_was_noted(lot):
    """A completely rewritten history has no internal fault but another head than the noted one."""
    event = entries_of_the_lot()[-1]
    noted = audit.heads()
    assert [] == list(integrity_checks.against(noted))
    last = None
    for entry, _ in audit.entries(event.chain):
        forged = Entry(entry.chain, entry.number, entry.at, "Nobody", entry.what, entry.content, last or "0" * 64, "")
        last = hash_of(forged)
        number = models.Event.get((models.Event.chain == entry.chain) & (models.Event.number == entry.number)).id
        edit(models.Event, number, by="Nobody", previous=forged.previous, hash=last)
    edit(models.Chain, models.Chain.get(models.Chain.chain == event.chain).id, head=last)
    assert [] == proved()
    says = f"{lot}, entry {event.number}: entry {event.number} differs from the noted one."
    assert [says] == [flaw.line for flaw in integrity_checks.against(noted)]


def test_looking_changes_nothing(shop):
    """A check stores nothing."""
    shop.good_lot()
    with by_hand():
        edit(models.Supplier, 1, name="Nobody's")
    before = contents()
    with connected(), store.snapshot():
        assert ["shop, entry 8: supplier 1 was edited since."] == [flaw.line for flaw in integrity_checks.found()]
    assert before == contents()
