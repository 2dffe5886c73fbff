from contextlib import nullcontext

import pytest
from peewee import IntegrityError

from lots.store.engine import database
from lots.store.engine.database import Clash, db, transaction
from lots.store.tables import loads, models
from lots.store.upkeep import schema
from tests.api.bodies import Furnished
from tests.store.rows import connected, contents, counts


@pytest.fixture
def empty(empty_url):
    """A connection to a database without tables."""
    database.open_database(empty_url)
    with connected():
        yield


def test_an_empty_database_gets_its_tables(empty):
    """The first start makes every table and the version, and the second changes nothing."""
    assert [] == db.get_tables()
    schema.ensure_schema()
    assert {table._meta.table_name for table in models.TABLES} == set(db.get_tables())
    schema.ensure_schema()
    assert [schema.VERSION] == [row.version for row in models.SchemaVersion.select()]


def test_an_empty_database_may_be_found_by_two_at_once(empty):
    """A second process during the first start finds the tables."""
    schema.ensure_schema()
    db.create_tables(models.TABLES, safe=True)
    schema.ensure_schema()
    assert 1 == models.SchemaVersion.select().count()


def test_a_database_with_other_tables_is_refused(empty):
    """A database with other tables is refused."""
    db.execute_sql("CREATE TABLE accounts (id INTEGER)")
    with pytest.raises(schema.WrongSchema, match="LOTS_DATABASE"):
        schema.ensure_schema()
    assert ["accounts"] == db.get_tables()


@pytest.mark.parametrize("version", [schema.VERSION - 1, schema.VERSION + 1])
def test_another_version_is_refused_in_words(empty, version):
    """An older or newer database is unchanged, and the message has both versions."""
    schema.ensure_schema()
    models.SchemaVersion.update(version=version).execute()
    with pytest.raises(schema.WrongSchema, match=rf"version {version}.*needs version {schema.VERSION}"):
        schema.ensure_schema()


def test_every_table_refers_by_number_to_rows_that_are_there(shop):
    """Foreign keys are enforced: a spool without a lot is refused."""
    at = Furnished(shop)
    with connected(), pytest.raises(IntegrityError):
        models.Spool.create(code="X", lot=999, delivery=at.delivery["id"], net_mass_g=1, remaining_mass_g=1)


# Table, column, and an impossible value.
NEVER = [
    ("Spool", "net_mass_g", 0),
    ("Spool", "net_mass_g", -1),
    ("Spool", "net_mass_g", 1e7),
    ("Spool", "remaining_mass_g", -0.001),
    ("Spool", "remaining_mass_g", 1e7),
    ("Load", "mass_before_g", -1),
    ("Load", "remaining_mass_g", -1),
    ("Grade", "nominal_diameter_mm", 0),
    ("Grade", "nominal_diameter_mm", 10),
    ("Grade", "density_g_cm3", -1),
    ("Instrument", "standard_uncertainty", -0.1),
    ("Instrument", "check_interval_days", 0),
    ("InstrumentCheck", "result", "ok"),
    ("Lot", "standing", "fine"),
    ("Lot", "by_hand", "release"),
]


def test_the_database_itself_refuses_what_can_never_be(shop):
    """Negative masses, impossible sizes and unknown statuses are refused by constraints."""
    at = Furnished(shop)
    at.load()
    check = {"checked_at": "2026-11-20T11:00:00Z", "result": "pass"}
    shop.post("quality", f"/instruments/{at.instrument['id']}/checks", check)
    before = contents()
    for table, column, value in NEVER:
        model = getattr(models, table)
        with connected():
            assert model.select().exists(), table
            with pytest.raises(Clash), transaction():
                model.update({getattr(model, column): value}).execute()
    assert before == contents()


def test_a_spool_has_one_open_load(shop):
    """A spool can have one open load, and another after its end."""
    at = Furnished(shop)
    load = shop.load(at.spool)
    values = {"machine": "P2", "job": "J", "use": "cosmetic", "mass_before_g": 1, "recorded_by": "x"}
    with connected():
        row = loads.Load.get_by_id(load["id"])
        again = {**values, "spool": row.spool, "lot": row.lot, "loaded_at": row.loaded_at, "recorded_at": row.loaded_at}
        with pytest.raises(Clash), transaction():
            loads.Load.create(**again)
    shop.unload(load["id"], 900)
    with connected(), transaction():
        loads.Load.create(**again)
    assert 2 == counts()["load"]


def test_codes_and_revisions_are_unique(shop):
    """Codes, lot numbers within supplier and grade, and revision numbers are unique."""
    Furnished(shop)
    for model in (models.Supplier, models.Shade, models.Grade, models.Instrument, models.Spool):
        with connected():
            copy = dict(model.select().dicts().first(), id=None)
            with pytest.raises(Clash), transaction():
                model.insert({name: value for name, value in copy.items() if name != "id"}).execute()
    for model in (models.ShadeRevision, models.LimitsRevision, models.Lot):
        with connected():
            copy = model.select().dicts().first()
            with pytest.raises(Clash), transaction():
                model.insert({name: value for name, value in copy.items() if name != "id"}).execute()


def change_and_fail(*, nested):
    """Changes a row, in a nested transaction or not, then raises."""
    with transaction():
        with transaction() if nested else nullcontext():
            models.Supplier.update(name="changed").execute()
        raise RuntimeError("after the change")


@pytest.mark.parametrize("nested", [False, True])
def test_a_failed_transaction_leaves_nothing(shop, nested):
    """An exception rolls back everything since the start of the outermost transaction."""
    shop.supplier()
    before = contents()
    with connected(), pytest.raises(RuntimeError):
        change_and_fail(nested=nested)
    assert before == contents()
