"""A new database is made only where there was none, or on request."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime

import pytest

from lots.app import create_app
from lots.settings import Settings
from lots.store.engine import database
from lots.store.engine.write_lock import first_turn
from lots.store.upkeep import first_start, schema
from lots.store.upkeep.backup import backup, restore
from lots.store.upkeep.database_handles import NotDone
from lots.store.upkeep.first_start import NoDatabase, Wanted
from tests.store.copies import dump, fill

NOW = datetime(2026, 11, 25, 14, 5, 9, tzinfo=UTC)
NEVER, NEW = Wanted(make=False), Wanted(new=True)


@pytest.fixture
def path(tmp_path):
    """The path of a database."""
    yield tmp_path / "shop.sqlite3"
    database.close()


def prepare(path, wanted=first_start.Wanted()):  # noqa: B008  # it cannot be changed
    """Prepares and closes the database at a path."""
    try:
        return first_start.prepare(f"sqlite:///{path}", wanted=wanted)
    finally:
        database.close()


def names(path):
    """The files of the database's folder."""
    return sorted(one.name for one in path.parent.iterdir())


def test_a_first_start_makes_a_database_and_its_lock_file(path):
    """A first start makes the database and its lock file alone, and the next start changes nothing."""
    assert prepare(path)
    assert ["shop.sqlite3", "shop.sqlite3-turn"] == names(path)
    before = path.read_bytes()
    assert not prepare(path)
    assert before == path.read_bytes()


def test_a_copied_database_gets_its_lock_file_when_it_is_opened(path, tmp_path):
    """Opening a copied database makes its lock file, so that its loss is noticed."""
    prepare(path)
    other = tmp_path / "copy.sqlite3"
    shutil.copy(path, other)
    prepare(other)
    assert (tmp_path / "copy.sqlite3-turn").exists()


@pytest.mark.parametrize("left", ["turn", "wal", "shm", "journal"])
def test_a_database_that_vanished_is_not_made_anew(path, left):
    """Any remaining file beside a missing database stops the start, with both names and the way to an empty one."""
    path.with_name(f"shop.sqlite3-{left}").touch()
    for wanted in (Wanted(), NEVER):
        with pytest.raises(NoDatabase if wanted.make else NotDone, match=r"shop\.sqlite3") as refused:
            prepare(path, wanted)
    with pytest.raises(NoDatabase) as refused:
        prepare(path)
    assert f"shop.sqlite3-{left} shows that a database existed" in str(refused.value)
    assert "--new" in str(refused.value)
    assert [f"shop.sqlite3-{left}"] == names(path)
    with pytest.raises(NoDatabase):
        create_app(Settings(database=f"sqlite:///{path}"))
    assert prepare(path, NEW)
    assert schema.VERSION == version(path)


def version(path):
    """The schema version of a file."""
    with closing(sqlite3.connect(path)) as opened:
        return opened.execute("SELECT version FROM schema_version").fetchone()[0]


@pytest.mark.parametrize("content", ["nothing", "no tables"])
def test_an_empty_file_in_place_of_a_database_is_refused(path, content):
    """An empty file, or one without tables, beside a lock file is refused."""
    path.with_name("shop.sqlite3-turn").touch()
    if content == "nothing":
        path.touch()
    else:
        with closing(sqlite3.connect(path)) as opened:
            opened.execute("PRAGMA user_version = 1")
    with pytest.raises(NoDatabase, match=r"is empty, but .* shows that a database existed"):
        prepare(path)
    assert prepare(path, NEW)
    assert schema.VERSION == version(path)


def test_an_empty_file_where_nothing_was_gets_its_tables(path):
    """An empty file without a lock file gets its tables and keeps owner and permissions."""
    path.touch(mode=0o600)
    assert prepare(path)
    assert (schema.VERSION, 0o600) == (version(path), path.stat().st_mode & 0o777)
    assert path.with_name("shop.sqlite3-turn").exists()


def test_a_new_database_is_refused_where_one_is(path):
    """--new is refused where a database exists."""
    fill(f"sqlite:///{path}", rows=2)
    before = dump(path)
    with pytest.raises(NotDone, match="without --new"):
        prepare(path, NEW)
    assert before == dump(path)


def test_commands_that_need_a_database_make_none(path):
    """Commands that need a database make none."""
    with pytest.raises(NoDatabase, match=r"There is no database .*Check LOTS_DATABASE"):
        prepare(path, NEVER)
    assert [] == names(path)
    path.touch()
    with pytest.raises(NoDatabase, match="is empty"):
        prepare(path, NEVER)


KILLED = """
import os, signal, sqlite3, sys
shop = sqlite3.connect(sys.argv[1], isolation_level=None)
shop.execute("PRAGMA journal_mode = wal")
shop.execute("UPDATE schema_version SET version = 77")
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def log_left(path, tmp_path):
    """A deleted database of a killed server whose log remains with changes. Returns a backup of it."""
    fill(f"sqlite:///{path}", rows=2)
    kept = tmp_path / "kept.sqlite3"
    backup(f"sqlite:///{path}", kept)
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert -signal.SIGKILL == done.returncode
    path.unlink()
    assert path.with_name("shop.sqlite3-wal").stat().st_size
    return kept


def test_the_log_of_a_lost_database_is_not_taken_for_that_of_a_new_one(path, log_left):
    """The remaining log of a lost database is set aside, because SQLite would apply it to the new one."""
    with pytest.raises(NoDatabase):
        prepare(path)
    assert prepare(path, NEW)
    assert schema.VERSION == version(path)
    assert any(".left-" in name and name.endswith("-wal") for name in names(path))


def test_the_log_of_a_lost_database_is_not_taken_for_that_of_a_restored_one(path, log_left):
    """The restored database equals the backup, and the remaining log is set aside and named."""
    done = restore(f"sqlite:///{path}", log_left, NOW)
    assert dump(log_left) == dump(path)
    assert schema.VERSION == version(path)
    assert path.with_name("shop.sqlite3.left-20261125T140509Z-wal") == done.aside


def test_an_empty_file_does_not_cost_the_log_beside_it(path, log_left):
    """An empty file is not opened, because SQLite would delete the log beside it."""
    path.touch()
    log = path.with_name("shop.sqlite3-wal")
    size = log.stat().st_size
    for wanted in (Wanted(), NEVER):
        with pytest.raises(NoDatabase):
            prepare(path, wanted)
    with pytest.raises(NotDone, match="is empty"):
        backup(f"sqlite:///{path}", path.with_name("other.sqlite3"))
    assert size == log.stat().st_size


def test_a_log_is_not_taken_for_that_of_a_file_put_in_place_of_its_own(path, tmp_path):
    """A file moved over the database of a killed server is refused by every command until its log is assigned."""
    prepare(path)
    other = tmp_path / "other.sqlite3"
    shutil.copy(path, other)
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert -signal.SIGKILL == done.returncode
    other.replace(path)
    for refused in (lambda: prepare(path), lambda: backup(f"sqlite:///{path}", tmp_path / "kept.sqlite3")):
        with pytest.raises(NotDone, match=r"The log shop\.sqlite3-wal belongs to another file"):
            refused()
    for log in ("shop.sqlite3-wal", "shop.sqlite3-shm"):
        path.with_name(log).rename(tmp_path / f"aside-{log}")
    assert not prepare(path)
    assert schema.VERSION == version(path)


HOLDS = """
import sqlite3, sys
shop = sqlite3.connect(sys.argv[1], isolation_level=None)
shop.execute("UPDATE schema_version SET version = version")
print("open", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize(("gone", "words"), [("wal", "-wal is missing"), ("shm", "-shm is missing")])
def test_a_log_removed_under_a_server_is_not_begun_anew_by_a_command(path, tmp_path, gone, words):
    """With the log removed under a server a second program is refused, until the first has ended."""
    prepare(path)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as server:
        assert "open\n" == server.stdout.readline()
        path.with_name(f"shop.sqlite3-{gone}").unlink()
        for refused in (lambda: prepare(path), lambda: backup(f"sqlite:///{path}", tmp_path / "kept.sqlite3")):
            with pytest.raises(NotDone, match=words):
                refused()
        assert not path.with_name(f"shop.sqlite3-{gone}").exists()
        server.stdin.close()
    assert not prepare(path)


def test_a_killed_servers_own_log_is_taken(path):
    """The log of a killed server is used at the next start with all acknowledged data."""
    prepare(path)
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert -signal.SIGKILL == done.returncode
    with pytest.raises(schema.WrongSchema, match="version 77"):
        prepare(path)


def test_a_restored_database_has_its_lock_file(path, tmp_path):
    """A restored database has its lock file."""
    fill(f"sqlite:///{path}", rows=1)
    backup(f"sqlite:///{path}", tmp_path / "kept.sqlite3")
    restore(f"sqlite:///{tmp_path / 'back.sqlite3'}", tmp_path / "kept.sqlite3", NOW)
    (tmp_path / "back.sqlite3").unlink()
    with pytest.raises(NoDatabase):
        prepare(tmp_path / "back.sqlite3")


STARTS = """
import sys
from lots.store.upkeep import first_start
sys.stdin.readline()
first_start.prepare(f"sqlite:///{sys.argv[1]}")
"""


@pytest.mark.thorough
def test_workers_that_start_at_once_make_one_database(path):
    """A worker that finds the lock file before the database waits for it."""
    workers = [
        subprocess.Popen([sys.executable, "-c", STARTS, str(path)], stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    for worker in workers:
        worker.stdin.write(b"go\n")
        worker.stdin.flush()
    said = [worker.communicate(timeout=120)[1] for worker in workers]
    assert [b""] * 4 == said
    assert [0] * 4 == [worker.returncode for worker in workers]
    assert ["shop.sqlite3", "shop.sqlite3-turn"] == names(path)
    assert schema.VERSION == version(path)


def test_a_start_that_fails_leaves_no_lock_file(path, monkeypatch):
    """A failed start leaves no lock file."""

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(first_start, "_fill", full)
    with pytest.raises(OSError, match="No space"):
        prepare(path)
    assert [] == names(path)
    monkeypatch.undo()
    assert prepare(path)


def test_the_first_lock_file_appears_locked(path):
    """The first lock file is created locked, so that another start waits."""
    fcntl = pytest.importorskip("fcntl", reason="this platform has no such lock")
    with first_turn(str(path), 1):
        mark = os.open(f"{path}-turn", os.O_RDWR)
        with pytest.raises(BlockingIOError):
            fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.close(mark)
    assert ["shop.sqlite3-turn"] == names(path)


@pytest.mark.postgresql
def test_an_empty_postgresql_database_gets_its_tables_from_a_server_alone(postgres_url):
    """Only a server makes tables in an empty PostgreSQL database; a check or an import is refused."""
    from tests.store.copies import new_postgres

    with new_postgres(postgres_url, "first") as url:
        with pytest.raises(NoDatabase, match="is empty"):
            first_start.prepare(url, wanted=NEVER)
        assert first_start.prepare(url)
        with pytest.raises(NotDone, match="without --new"):
            first_start.prepare(url, wanted=NEW)
        database.close()
