import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest

from lots.app import create_app
from lots.settings import Settings
from lots.store.engine import database
from lots.store.upkeep import backup as keeping
from lots.store.upkeep import copy_rows, schema, sqlite_files
from lots.store.upkeep.backup import backup, restore
from lots.store.upkeep.database_handles import NotDone
from tests.store.copies import dump, emptied, fill, new_postgres
from tests.store.rows import connected

NOW = datetime(2026, 11, 25, 14, 5, 9, tzinfo=UTC)
ROWS = 5 * len(copy_rows.tables())


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """An SQLite file with rows in every table, made once."""
    path = tmp_path_factory.mktemp("filled") / "filled.sqlite3"
    fill(f"sqlite:///{path}")
    return path


@pytest.fixture
def shop(filled, tmp_path):
    """A copy of that file as the shop's database."""
    path = tmp_path / "shop.sqlite3"
    shutil.copy(filled, path)
    yield path
    database.close()


@pytest.fixture
def kept(shop, tmp_path):
    """A backup of it."""
    path = tmp_path / "kept.sqlite3"
    backup(f"sqlite:///{shop}", path)
    return path


@pytest.fixture(scope="module")
def scratch(postgres_url):
    """A PostgreSQL database for these tests."""
    with new_postgres(postgres_url, "keeping") as url:
        yield url


@pytest.fixture
def postgres(scratch):
    """The address of an empty PostgreSQL database."""
    yield emptied(scratch)
    database.close()


def write(path, sql):
    """Changes an SQLite file as another program would."""
    with closing(sqlite3.connect(path)) as file, file:
        file.execute(sql)


def names(folder):
    """The files of a folder."""
    return sorted(path.name for path in folder.iterdir() if not path.name.endswith("-turn"))


def test_a_backup_is_one_file_with_everything_in_it(shop, tmp_path):
    """A backup is one complete file with its size and rows reported, and the database is unchanged."""
    before = shop.read_bytes()
    done = backup(f"sqlite:///{shop}", tmp_path / "kept.sqlite3")
    assert (ROWS, (tmp_path / "kept.sqlite3").stat().st_size, None) == (done.rows, done.size, done.aside)
    assert dump(shop) == dump(tmp_path / "kept.sqlite3")
    assert before == shop.read_bytes()
    assert ["kept.sqlite3", "shop.sqlite3"] == names(tmp_path)


def test_others_write_while_a_backup_is_made(shop, tmp_path, monkeypatch):
    """With writes between any two pages nobody waits, and the backup is the moment of its start."""
    monkeypatch.setattr(sqlite_files, "_PAGES", 4)
    before, written = dump(shop), []
    with closing(sqlite3.connect(shop, timeout=0)) as server:

        def meddle(doing, done, of):
            with server:
                server.execute(
                    "INSERT INTO shade (id, code, name, recorded_at, recorded_by, version) VALUES (?, ?, 'late', '2026', 'x', 1)",
                    (99 + done, f"L{done}"),
                )
                server.execute("UPDATE lot SET version = version + 1")
            written.append(done)

        backup(f"sqlite:///{shop}", tmp_path / "kept.sqlite3", meddle)
        assert 5 + len(written) == server.execute("SELECT COUNT(*) FROM shade").fetchone()[0]
    assert len(written) > 10
    assert before == dump(tmp_path / "kept.sqlite3")


def test_what_only_the_log_holds_is_in_the_backup(shop, tmp_path):
    """Rows in SQLite's log are in the backup."""
    with closing(sqlite3.connect(shop)) as server:
        server.execute("PRAGMA wal_autocheckpoint = 0")
        with server:
            server.execute(
                "INSERT INTO shade (id, code, name, recorded_at, recorded_by, version) VALUES (99, 'LATE', 'late', '2026', 'x', 1)"
            )
        assert ROWS + 1 == backup(f"sqlite:///{shop}", tmp_path / "kept.sqlite3").rows


def test_nobody_may_read_a_copy_who_may_not_read_the_database(shop, kept, tmp_path):
    """A backup and a restored database have the permissions of the original."""
    shop.chmod(0o640)
    backup(f"sqlite:///{shop}", tmp_path / "private.sqlite3")
    assert 0o640 == (tmp_path / "private.sqlite3").stat().st_mode & 0o777
    kept.chmod(0o444)
    restore(f"sqlite:///{shop}", kept, NOW, replace=True)
    assert 0o640 == shop.stat().st_mode & 0o777


def test_a_file_that_is_there_is_left_as_it_is(shop, tmp_path):
    """A backup never overwrites a file and makes no folder."""
    there = tmp_path / "there"
    there.write_text("mine")
    with pytest.raises(NotDone, match="exists already"):
        backup(f"sqlite:///{shop}", there)
    with pytest.raises(NotDone, match="There is no folder"):
        backup(f"sqlite:///{shop}", tmp_path / "missing" / "kept.sqlite3")
    assert "mine" == there.read_text()
    assert ["shop.sqlite3", "there"] == names(tmp_path)


def test_a_backup_that_breaks_off_leaves_nothing(shop, tmp_path):
    """A backup gets its name only after verification, so an interrupted one leaves nothing."""

    def stop(*_):
        assert not (tmp_path / "kept.sqlite3").exists()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backup(f"sqlite:///{shop}", tmp_path / "kept.sqlite3", stop)
    assert ["shop.sqlite3"] == names(tmp_path)


@pytest.mark.parametrize(("found", "rows"), [(0, ROWS), (9, ROWS), (-1, ROWS)])
def test_a_file_of_any_version_can_be_kept(shop, tmp_path, found, rows):
    """A file of any version can be backed up."""
    write(shop, f"UPDATE schema_version SET version = {found}")  # a number of our own
    assert rows == backup(f"sqlite:///{shop}", tmp_path / "kept.sqlite3").rows


def test_what_is_no_database_of_this_program_is_not_kept(tmp_path):
    """A missing, empty or other file is refused in words."""
    empty, other, text = (tmp_path / name for name in ("empty", "other", "text"))
    empty.touch()
    write(other, "CREATE TABLE recipes (name TEXT)")
    text.write_text("no database " * 100)
    for path, error, words in (
        (tmp_path / "missing", NotDone, r"There is no database .*missing\. Check LOTS_DATABASE"),
        (empty, NotDone, "empty"),
        (other, schema.WrongSchema, "other tables"),
        (text, NotDone, "not a database"),
    ):
        with pytest.raises(error, match=words):
            backup(f"sqlite:///{path}", tmp_path / "kept.sqlite3")
    assert ["empty", "other", "text"] == names(tmp_path)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ("DELETE FROM load_refusal WHERE id = 2", "differs from its original"),
        ("UPDATE schema_version SET version = 9", "differs from its original"),
        ("UPDATE spool SET lot_id = 99", "refer to missing rows"),
    ],
)
def test_a_copy_that_is_not_right_is_found_out(shop, kept, spoil, words):
    """A copy with missing rows, another version or missing references is found."""
    with closing(sqlite3.connect(shop)) as file:
        counted = dict.fromkeys(dump(shop), 5)
        assert ROWS == sum(counted.values())
        assert (schema.VERSION,) == file.execute("SELECT version FROM schema_version").fetchone()
    sqlite_files.verify_file(kept, schema.VERSION, counted)
    write(kept, spoil)
    with pytest.raises(NotDone, match=words):
        sqlite_files.verify_file(kept, schema.VERSION, counted)


def test_a_damaged_copy_is_found_out(kept):
    """A disk that returns other bytes than written is found."""
    counted = dict.fromkeys(dump(kept), 5)
    with closing(sqlite3.connect(kept)) as file:
        (page,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading_lot_id_kind_id'").fetchone()
        (size,) = file.execute("PRAGMA page_size").fetchone()
    content = bytearray(kept.read_bytes())
    content[page * size - 40 : page * size] = bytes(40)
    kept.write_bytes(content)
    with pytest.raises(NotDone, match="damaged"):
        sqlite_files.verify_file(kept, schema.VERSION, counted)


# Back again


def test_a_backup_becomes_a_database(kept, tmp_path):
    """A backup restores a new database for the program and stays unchanged."""
    before = kept.read_bytes()
    done = restore(f"sqlite:///{tmp_path / 'new.sqlite3'}", kept, NOW)
    assert (ROWS, None) == (done.rows, done.aside)
    assert dump(kept) == dump(tmp_path / "new.sqlite3")
    create_app(Settings(database=f"sqlite:///{tmp_path / 'new.sqlite3'}"))
    database.close()
    assert before == kept.read_bytes()


def test_a_database_with_nothing_in_it_may_be_filled(kept, tmp_path):
    """A database with empty tables can be restored into."""
    fill(f"sqlite:///{tmp_path / 'new.sqlite3'}", rows=0)
    assert restore(f"sqlite:///{tmp_path / 'new.sqlite3'}", kept, NOW).aside is None
    assert dump(kept) == dump(tmp_path / "new.sqlite3")
    assert ["kept.sqlite3", "new.sqlite3", "shop.sqlite3"] == names(tmp_path)


def test_what_is_there_is_never_lost(shop, kept, tmp_path):
    """A database with rows is refused, and with --replace kept beside, complete."""
    write(
        shop,
        "INSERT INTO shade (id, code, name, recorded_at, recorded_by, version) VALUES (99, 'LATE', 'late', '2026', 'x', 1)",
    )
    before = dump(shop)
    with pytest.raises(NotDone, match="--replace"):
        restore(f"sqlite:///{shop}", kept, NOW)
    assert before == dump(shop)
    done = restore(f"sqlite:///{shop}", kept, NOW, replace=True)
    assert tmp_path / "shop.sqlite3.before-restore-20261125T140509Z" == done.aside
    assert (before, dump(kept)) == (dump(done.aside), dump(shop))


def test_a_database_in_use_is_not_replaced(shop, kept):
    """A database in use is not replaced."""
    with closing(sqlite3.connect(shop)) as server:
        server.execute("SELECT COUNT(*) FROM lot").fetchone()
        with pytest.raises(NotDone, match="in use"):
            restore(f"sqlite:///{shop}", kept, NOW, replace=True)
    assert dump(kept) == dump(shop)


def test_a_ruined_database_can_be_replaced(shop, kept, tmp_path):
    """An unreadable database is refused without --replace, and kept beside with its log otherwise."""
    shop.write_bytes(b"ruin" * 4096)
    (tmp_path / "shop.sqlite3-wal").write_bytes(b"log")
    with pytest.raises(NotDone, match="--replace"):
        restore(f"sqlite:///{shop}", kept, NOW)
    aside = restore(f"sqlite:///{shop}", kept, NOW, replace=True).aside
    assert b"ruin" * 4096 == aside.read_bytes()
    assert b"log" == aside.with_name(f"{aside.name}-wal").read_bytes()
    assert dump(kept) == dump(shop)


def test_two_restores_in_one_second_keep_both(shop, kept):
    """Two restores within one second keep both set-aside files."""
    restore(f"sqlite:///{shop}", kept, NOW, replace=True)
    with pytest.raises(NotDone, match="Try again"):
        restore(f"sqlite:///{shop}", kept, NOW, replace=True)
    assert dump(kept) == dump(shop)


@pytest.mark.parametrize(("found", "words"), [(0, "version 0.*lots migrate"), (9, "version 9"), (-1, "lots move")])
def test_a_backup_of_another_version_is_refused(kept, tmp_path, found, words):
    """A backup of another version is refused with file, versions and remedy."""
    write(kept, f"UPDATE schema_version SET version = {found}")  # a number of our own
    with pytest.raises(schema.WrongSchema, match=rf"kept\.sqlite3 .*{words}"):
        restore(f"sqlite:///{tmp_path / 'new.sqlite3'}", kept, NOW)
    assert not (tmp_path / "new.sqlite3").exists()


def test_what_is_no_backup_is_refused(shop, tmp_path):
    """Another program's, an empty, a text and a missing file are refused, and the database is unchanged even with --replace."""
    before = dump(shop)
    empty, other, text = (tmp_path / name for name in ("empty", "other", "text"))
    empty.touch()
    write(other, "CREATE TABLE recipes (name TEXT)")
    text.write_text("no database " * 100)
    for path, error, words in (
        (tmp_path / "missing", NotDone, "There is no file"),
        (empty, schema.WrongSchema, "no tables of this program"),
        (other, schema.WrongSchema, "no tables of this program"),
        (text, NotDone, "not a database"),
    ):
        with pytest.raises(error, match=words):
            restore(f"sqlite:///{shop}", path, NOW, replace=True)
    assert before == dump(shop)


# PostgreSQL


@pytest.mark.postgresql
def test_a_postgresql_database_is_kept_in_a_file_and_restored_from_it(shop, kept, postgres, tmp_path):
    """A PostgreSQL database is backed up and restored to the last bit."""
    assert ROWS == restore(postgres, kept, NOW).rows
    create_app(Settings(database=postgres))
    done = backup(postgres, tmp_path / "again.sqlite3")
    assert (ROWS, (tmp_path / "again.sqlite3").stat().st_size) == (done.rows, done.size)
    assert dump(shop) == dump(tmp_path / "again.sqlite3")
    assert ["again.sqlite3", "kept.sqlite3", "shop.sqlite3"] == names(tmp_path)


@pytest.mark.postgresql
def test_a_backup_of_postgresql_is_one_moment(postgres, tmp_path):
    """A backup of PostgreSQL contains no later commit."""
    import psycopg

    fill(postgres)
    meddled = []

    def meddle(doing, done, of):
        with psycopg.connect(postgres) as server:
            server.execute("UPDATE lot SET version = version + 1")
            server.execute(
                "INSERT INTO shade (id, code, name, recorded_at, recorded_by, version) VALUES (%s, %s, 'late', '2026', 'x', 1)",
                (100 + len(meddled), f"L{done}{of}"),
            )
        meddled.append(done)

    assert ROWS == backup(postgres, tmp_path / "kept.sqlite3", meddle).rows
    assert len(meddled) > 10
    with closing(sqlite3.connect(tmp_path / "kept.sqlite3")) as file:
        assert [(n,) for n in (1, 2, 3, 4, 5)] == file.execute("SELECT version FROM lot ORDER BY id").fetchall()


@pytest.mark.postgresql
def test_postgresql_wants_an_empty_database(shop, kept, postgres):
    """A PostgreSQL database with rows is always refused."""
    fill(postgres, rows=1, first=7)
    for replace in (False, True):
        with pytest.raises(NotDone, match="Name an empty database"):
            restore(postgres, kept, NOW, replace=replace)
    database.open_database(postgres)
    with connected():
        assert {1} == set(copy_rows.held(database.db.obj).values())


@pytest.mark.postgresql
def test_a_restore_to_postgresql_is_all_or_nothing(kept, postgres):
    """An interrupted restore leaves an empty database and can be repeated."""

    def stop(doing, done, of):
        if done > ROWS // 2:
            raise RuntimeError("the line is gone")

    with pytest.raises(RuntimeError, match="line"):
        restore(postgres, kept, NOW, watch=stop)
    database.open_database(postgres)
    with connected():
        assert {0} == set(copy_rows.held(database.db.obj).values())
    assert ROWS == restore(postgres, kept, NOW).rows


@pytest.mark.postgresql
def test_a_postgresql_database_of_another_version_is_not_kept(postgres, tmp_path):
    """A PostgreSQL database of another version is refused."""
    fill(postgres, rows=1)
    database.open_database(postgres)
    with connected():
        database.db.execute_sql("UPDATE schema_version SET version = 0")
    with pytest.raises(schema.WrongSchema, match=r"version 0.*lots migrate"):
        backup(postgres, tmp_path / "kept.sqlite3")
    assert [] == names(tmp_path)


def test_a_copy_that_came_out_otherwise_is_not_kept(shop, tmp_path, monkeypatch):
    """A row changed on its way is found by its checksum, and nothing is kept."""
    insert = copy_rows._insert

    def slip(engine, model, rows):
        insert(engine, model, rows)
        if model._meta.table_name == "shade":
            engine.execute_sql("UPDATE shade SET name = 'slipped' WHERE id = 5")

    monkeypatch.setattr(copy_rows, "_insert", slip)
    with pytest.raises(NotDone, match="The copy of shade differs from the original"):
        keeping._out_of_postgresql(f"sqlite:///{shop}", tmp_path / "copy.sqlite3", lambda *_: None)
