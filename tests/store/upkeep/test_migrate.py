import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from peewee import IntegrityError
from playhouse.migrations import Migration

from lots.store.engine import database
from lots.store.engine.database import db
from lots.store.tables.models import SchemaVersion
from lots.store.upkeep import migrate as migrating
from lots.store.upkeep import schema
from lots.store.upkeep.database_handles import NotDone
from tests.store.copies import dump, fill
from tests.store.rows import connected
from tests.store.shelves import NEXT, STEP, TORN_ON_FILE, Box, OldShelf, Shelf, Tag, described, make_old, rows, write


@pytest.fixture
def steps(tmp_path):
    """A folder with the step to version 2. `write` adds others."""
    folder = tmp_path / "steps"
    folder.mkdir()
    write(folder, "0002_tags", STEP)
    return folder


@pytest.fixture
def old(empty_url):
    """A database of version 1 with rows, open, on SQLite with a trigger."""
    database.open_database(empty_url)
    with connected():
        make_old()
        yield empty_url


def version():
    """The version in the database."""
    return schema.found_version(db)


def migrate(steps, newest=2, before=lambda _: None):
    """The migration with the steps of a test."""
    return migrating.migrate(before, steps, newest)


def test_a_migrated_database_is_like_a_new_one(old, steps):
    """Tables, columns, defaults, constraints, partial indexes, references and triggers equal those of an empty database."""
    before = rows()
    assert ["0002_tags"] == migrate(steps)
    migrated, kept = described(), rows()
    depths = [row[0] for row in db.execute_sql("SELECT depth_mm FROM shelf ORDER BY id").fetchall()]
    for table in (Tag, Box, Shelf, SchemaVersion):
        db.drop_tables([table])
    for table in (SchemaVersion, Shelf, Box, Tag):
        table.create_table()
    if not database.locks_rows():
        db.execute_sql(TORN_ON_FILE)
    assert described() == migrated
    assert before == kept
    assert [(0.1 + 0.2) / 2, 0.5] == depths


def test_the_rules_of_a_migrated_database_hold(old, steps):
    """Constraints and references of a migrated database are enforced."""
    migrate(steps)
    good = {"code": "C", "word": "low, and wide (so)", "height_mm": 5, "depth_mm": 0}
    for spoilt in (
        {"word": "wide"},
        {"word": "high"},  # a second open load
        {"height_mm": 0},
        {"height_mm": 3000},
        {"depth_mm": -1},
        {"code": "A"},
        {"code": "low, and wide (so)"},
        {"below": 99},
        {"depth_mm": None},
    ):
        with pytest.raises(IntegrityError), db.atomic():
            Shelf.insert({**good, **spoilt}).execute()
    Shelf.insert({**good, "below": 7}).execute()
    for shelf, words in ((99, "x"), (4, "")):
        with pytest.raises(IntegrityError), db.atomic():
            Tag.insert(shelf=shelf, worn=False, words=words).execute()
    with pytest.raises(IntegrityError), db.atomic():
        Shelf.delete().where(Shelf.id == 7).execute()


def test_the_newest_version_has_nothing_to_do(old, steps):
    """At the newest version nothing is copied or changed."""
    migrate(steps)
    before = described()
    told = []
    assert [] == migrate(steps, before=told.append)
    assert ([], before) == (told, described())


def test_each_step_is_a_transaction_of_its_own(old, steps):
    """A failed step leaves nothing, earlier steps stay, and the next run continues."""
    write(steps, "0003_hue", NEXT + "    db.execute_sql('SELECT nonsense')\n")
    told = []
    with pytest.raises(NotDone, match=r"Step 0003_hue failed and was rolled back: .*nonsense"):
        migrate(steps, newest=3, before=told.append)
    assert (2, [1]) == (version(), told)
    assert "hue" not in str(described())
    write(steps, "0003_hue", NEXT)
    assert ["0003_hue"] == migrate(steps, newest=3, before=told.append)
    assert (3, [1, 2]) == (version(), told)
    assert "hue" in str(described())


def test_a_step_that_breaks_off_leaves_the_old_state(old, steps):
    """An interrupted step restores tables, rows and version."""
    write(steps, "0002_tags", STEP + "    raise RuntimeError('the power is gone')\n")
    before = described(), rows(), version()
    with pytest.raises(RuntimeError, match="power"):
        migrate(steps)
    assert before == (described(), rows(), version())
    with pytest.raises(IntegrityError), db.atomic():
        Box.insert(shelf=99).execute()


def test_a_copy_that_fails_stops_the_step(old, steps):
    """Without the copy nothing is changed."""

    def full(_):
        raise NotDone("no room")

    before = described()
    with pytest.raises(NotDone, match="no room"):
        migrate(steps, before=full)
    assert (before, 1) == (described(), version())


KILLED = """
import sys
from pathlib import Path
from lots.store.engine import database
from lots.store.upkeep import migrate
database.open_database(sys.argv[1])
database.connect()
migrate.migrate(lambda _: None, Path(sys.argv[2]), 2)
"""


@pytest.mark.thorough
def test_a_migration_that_is_killed_leaves_the_old_state(old, steps):
    """After a kill within a step the old state remains, and the step can be repeated."""
    write(steps, "0002_tags", f"{STEP}    import os, signal\n    os.kill(os.getpid(), signal.SIGKILL)\n")
    before = described(), rows(), version()
    database.disconnect()
    root = str(Path(__file__).parents[3])
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, old, str(steps)], env={**os.environ, "PYTHONPATH": root}, timeout=120
    )
    assert -signal.SIGKILL == killed.returncode
    database.connect()
    assert before == (described(), rows(), version())
    write(steps, "0002_tags", STEP)
    assert ["0002_tags"] == migrate(steps)


@pytest.mark.thorough
def test_two_at_once_take_a_step_once(old, steps, tmp_path):
    """Of two simultaneous migrations the second waits and finds nothing to do, and only the first copies."""
    inside, told, results = threading.Event(), [], {}

    def first_waits(found):
        told.append(found)
        inside.set()
        # The other migration is starting. It does not matter whether it already waits for the lock.
        other.start()

    def run(name, before):
        database.connect()
        results[name] = migrate(steps, before=before)
        database.disconnect()

    other = threading.Thread(target=run, args=("second", told.append))
    database.disconnect()
    one = threading.Thread(target=run, args=("first", first_waits))
    one.start()
    one.join(60)
    other.join(60)
    database.connect()
    assert {"first": ["0002_tags"], "second": []} == results
    assert ([1], 2, True) == (told, version(), inside.is_set())


@pytest.mark.parametrize(
    ("found", "words"), [(3, "version 3. This program needs version 2.*version of the program"), (-1, "lots move")]
)
def test_a_newer_version_or_half_a_move_is_refused(old, steps, found, words):
    """A newer version and an incomplete move are refused."""
    SchemaVersion.update(version=found).execute()
    before = described()
    with pytest.raises(schema.WrongSchema, match=words):
        migrate(steps)
    assert (before, found) == (described(), version())


def test_a_gap_between_steps_is_refused(old, steps):
    """A version without a next step is refused."""
    SchemaVersion.update(version=0).execute()
    with pytest.raises(NotDone, match="No step leads from schema version 0 to 1"):
        migrate(steps)
    assert 0 == version()


def test_a_step_must_not_leave_rows_that_refer_to_none(tmp_path, steps):
    """A step that leaves missing references is refused."""
    database.open_database(f"sqlite:///{tmp_path / 'old.sqlite3'}")
    with connected():
        make_old()
        db.execute_sql("DROP TRIGGER shelf_stays")
        write(steps, "0002_tags", f"{STEP}    db.execute_sql('DELETE FROM shelf WHERE id = 7')\n")
        with pytest.raises(NotDone, match="would break foreign keys"):
            migrate(steps)
        assert ([4, 7], 1) == ([row.id for row in OldShelf.select()], version())
    database.close()


def test_an_empty_database_takes_no_steps(empty_url, steps):
    """An empty database gets its tables from the models without steps."""
    database.open_database(empty_url)
    with connected(), pytest.raises(NotDone, match="no tables"):
        migrate(steps)


def test_an_older_database_names_the_command(old):
    """An older database is refused with the command to run."""
    SchemaVersion.update(version=schema.VERSION - 1).execute()
    with pytest.raises(schema.WrongSchema, match=r"needs version \d+\. .*lots migrate"):
        schema.ensure_schema()


def test_every_table_can_be_made_anew_and_stays_as_it_was(tmp_path, steps):
    """On SQLite a rebuilt table has the same constraints, indexes, references and rows."""
    path = tmp_path / "shop.sqlite3"
    fill(f"sqlite:///{path}")
    before = dump(path)
    again = "for model in TABLES:\n        rebuild(db, model)\n"
    text = f"from lots.store.tables.models import TABLES\nfrom lots.store.upkeep.rebuild_table import rebuild\n\ndef up(_, db):\n    {again}"
    (steps / "0002_tags.py").unlink()
    write(steps, f"{schema.VERSION + 1:04}_anew", text)
    database.open_database(f"sqlite:///{path}")
    with connected():
        tables = described()
        assert [f"{schema.VERSION + 1:04}_anew"] == migrate(steps, newest=schema.VERSION + 1)
        assert tables == described()
    database.close()
    assert before == dump(path)


def test_the_steps_of_the_program_lead_to_its_version():
    """There is one step with `up` for every version after the first."""
    steps = Migration.load_directory(migrating.STEPS)
    assert list(range(2, schema.VERSION + 1)) == [step.idx for step in steps]
    assert all(callable(step.load().up) for step in steps)
