"""A database removed, replaced or cut short during use: no write is acknowledged, and the server reports it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from lots.app import create_app
from lots.settings import Settings
from lots.store.engine import database
from lots.store.engine.database import Gone, db
from lots.store.engine.troubles import Uncertain
from tests.shop import Shop
from tests.store.copies import new_postgres
from tests.store.test_trouble import readings, stored

FRESH_APP = True


@pytest.fixture
def file(sqlite_template, tmp_path):
    """A database in its own folder behind a symbolic link, with an empty log."""
    folder = tmp_path / "data"
    folder.mkdir()
    shutil.copy(sqlite_template[0], folder / "real.sqlite3")
    (folder / "shop.sqlite3").symlink_to("real.sqlite3")
    yield folder / "shop.sqlite3"
    database.close()


@pytest.fixture
def shop(file, sqlite_template):
    """The shop on that database."""
    return Shop(create_app(Settings(database=f"sqlite:///{file}")), sqlite_template[1])


@pytest.fixture
def delivered(shop):
    """The code of a spool and its lot, with three acknowledged readings in the log alone."""
    delivery = shop.receive(shop.supplier(), shop.grade())
    code, lot = delivery["spools"][0]["code"], delivery["lot"]["id"]
    assert 201 == shop.call("receiving", "POST", "/diameter-readings", readings(code, 3)).status_code
    return code, lot


def move_away(file):
    """Moves the file away, and back."""
    real = file.resolve()
    real.rename(real.with_name("aside.sqlite3"))
    return lambda: real.with_name("aside.sqlite3").rename(real)


def replace(file):
    """Replaces the file by another, and restores it."""
    real = file.resolve()
    kept, other = real.with_name("kept.sqlite3"), real.with_name("other.sqlite3")
    os.link(real, kept)
    shutil.copy(real, other)
    other.replace(real)
    return lambda: kept.replace(real)


def rename_folder(file):
    """Renames the folder, and restores it."""
    aside = file.parent.with_name("aside")
    file.parent.rename(aside)
    return lambda: aside.rename(file.parent)


def point_elsewhere(file):
    """Points the symbolic link to another file, and back."""
    real = file.resolve()
    shutil.copy(real, real.with_name("other.sqlite3"))
    file.unlink()
    file.symlink_to("other.sqlite3")

    def back():
        file.unlink()
        file.symlink_to(real.name)

    return back


MENDED = {"moved": move_away, "replaced": replace, "folder renamed": rename_folder, "link re-pointed": point_elsewhere}


def delete(file):
    """Deletes the file."""
    file.resolve().unlink()


def delete_log(file):
    """Deletes the write-ahead log."""
    file.resolve().with_name("real.sqlite3-wal").unlink()


def delete_index(file):
    """Deletes the index of the log."""
    file.resolve().with_name("real.sqlite3-shm").unlink()


def empty(file):
    """Empties the file."""
    os.truncate(file, 0)


def cut(file):
    """Truncates the file to half."""
    os.truncate(file, file.stat().st_size // 2)


LOST = {"deleted": delete, "log deleted": delete_log, "index deleted": delete_index, "emptied": empty, "cut": cut}


def logged(capsys):
    """The application's log lines on the database since the last call."""
    lines = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
    return [line for line in lines if line["logger"] == "lots.api.http.errors"]


def refused(shop, code, capsys, key):
    """Sends a write and a readiness request, both of which must fail; returns the log."""
    answer = shop.call("receiving", "POST", "/diameter-readings", readings(code, 2), Idempotency_Key=key)
    assert (503, "/problems/unavailable") == (answer.status_code, answer.get_json()["type"])
    assert "Nothing was stored" in answer.get_json()["detail"]
    logged(capsys)
    ready = shop.client.get("/readyz")
    assert (503, "application/problem+json") == (ready.status_code, ready.mimetype)
    assert 200 == shop.client.get("/healthz").status_code
    (line,) = logged(capsys)
    assert ("error", False) == (line["level"], "traceback" in line)
    return line["message"]


@pytest.mark.parametrize("harm", MENDED.values(), ids=MENDED.keys())
def test_the_right_file_back_at_its_path_ends_the_trouble(shop, delivered, file, capsys, harm):
    """While another file or none is present nothing is acknowledged and no file made; then work continues with all acknowledged data."""
    code, lot = delivered
    back = harm(file)
    before = sorted(file.parent.iterdir()) if file.parent.exists() else None
    line = refused(shop, code, capsys, "one")
    assert str(file) in line
    assert "Put the original file back" in line or "until the same file is back" in line
    assert 503 == shop.call("production", "GET", f"/lots/{lot}").status_code
    assert before == (sorted(file.parent.iterdir()) if file.parent.exists() else None)
    back()
    assert 200 == shop.client.get("/readyz").status_code
    assert 3 == stored(shop, lot)
    again = shop.call("receiving", "POST", "/diameter-readings", readings(code, 2), Idempotency_Key="one")
    assert (201, 5) == (again.status_code, stored(shop, lot))


@pytest.mark.parametrize("harm", LOST.values(), ids=LOST.keys())
def test_a_file_that_is_lost_is_never_written_to(shop, delivered, file, capsys, harm):
    """After any file is deleted or truncated no write is acknowledged, and the log names file and remedy."""
    code, _ = delivered
    # A file in use: its content was written from the log.
    database.connect()
    db.execute_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.disconnect()
    assert 201 == shop.call("receiving", "POST", "/diameter-readings", readings(code, 1)).status_code
    harm(file)
    for key in ("one", "two"):
        line = refused(shop, code, capsys, key)
        assert "sqlite3" in line
        assert "estart the server" in line or "lots restore" in line


@pytest.mark.parametrize("harm", [delete_log, delete_index])
def test_a_lost_log_takes_nothing_acknowledged_with_it(shop, delivered, file, harm):
    """When a lost log is noticed its acknowledged data are written into the database."""
    _, lot = delivered
    harm(file)
    assert 503 == shop.client.get("/readyz").status_code
    survivor = file.with_name("survivor.sqlite3")
    shutil.copy(file, survivor)
    with closing(sqlite3.connect(survivor)) as opened:
        assert [(3,)] == opened.execute("SELECT COUNT(*) FROM reading WHERE lot_id = ?", (lot,)).fetchall()


def test_a_file_that_was_moved_takes_the_log_with_it(shop, delivered, file):
    """The moved file is complete, and its replacement gets nothing from the remaining log."""
    _, lot = delivered
    move_away(file)
    assert 503 == shop.client.get("/readyz").status_code
    assert 0 == file.with_name("real.sqlite3-wal").stat().st_size
    with closing(sqlite3.connect(file.with_name("aside.sqlite3"))) as opened:
        assert [(3,)] == opened.execute("SELECT COUNT(*) FROM reading WHERE lot_id = ?", (lot,)).fetchall()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux shows the open files of a process")
def test_a_deleted_file_can_be_copied_as_long_as_the_server_runs(shop, delivered, file, tmp_path):
    """The guide's copy of the deleted open file holds all acknowledged data, its log included."""
    _, lot = delivered
    delete(file)
    assert 503 == shop.client.get("/readyz").status_code
    opened = {one.readlink().name: one for one in Path("/proc/self/fd").iterdir() if one.is_symlink() and one.exists()}
    shutil.copy(opened["real.sqlite3 (deleted)"], tmp_path / "rescued.sqlite3")
    with closing(sqlite3.connect(tmp_path / "rescued.sqlite3")) as rescued:
        assert [(3,)] == rescued.execute("SELECT COUNT(*) FROM reading WHERE lot_id = ?", (lot,)).fetchall()


@pytest.mark.parametrize("harm", [delete, delete_log, empty, replace])
def test_a_file_lost_during_the_commit_is_not_acknowledged(shop, delivered, file, monkeypatch, harm):
    """After a loss during the commit the answer states that storing is unknown."""
    code, _ = delivered
    commit = type(db.obj).commit

    def too_late(self):
        commit(self)
        harm(file)

    monkeypatch.setattr(type(db.obj), "commit", too_late)
    answer = shop.call("receiving", "POST", "/diameter-readings", readings(code, 1), Idempotency_Key="x")
    assert 503 == answer.status_code
    assert "not certain whether this was stored" in answer.get_json()["detail"]
    assert "Nothing was stored" not in answer.get_json()["detail"]


def test_a_log_emptied_under_a_commit_is_not_acknowledged(shop, delivered, file):
    """A commit after an emptied log is not acknowledged."""
    code, _ = delivered
    os.truncate(file.with_name("real.sqlite3-wal"), 0)
    answer = shop.call("receiving", "POST", "/diameter-readings", readings(code, 1), Idempotency_Key="x")
    assert 503 == answer.status_code


@pytest.mark.parametrize(
    ("at", "kind"), [("before", Gone), ("after", Uncertain)], ids=["before the commit", "after the commit"]
)
def test_a_file_that_vanishes_at_the_commit_is_told(tmp_path, monkeypatch, at, kind):
    """A file removed before the commit stores nothing; after it the result is unknown, and nothing is acknowledged."""
    path = tmp_path / "shop.sqlite3"
    database.open_database(f"sqlite:///{path}")
    database.connect()
    db.execute_sql("CREATE TABLE written (word TEXT UNIQUE)")
    with database.transaction():
        db.execute_sql("INSERT INTO written VALUES ('first')")
    commit = type(db.obj).commit

    def harmed(self):
        commit(self)
        path.rename(tmp_path / "aside.sqlite3")

    if at == "after":
        monkeypatch.setattr(type(db.obj), "commit", harmed)

    def write():
        with database.transaction():
            db.execute_sql("INSERT INTO written VALUES ('word')")
            if at == "before":
                path.rename(tmp_path / "aside.sqlite3")

    with pytest.raises(kind):
        write()
    # The next check writes the log into the moved file.
    with pytest.raises(Gone):
        database.connect()
    database.close()
    with closing(sqlite3.connect(tmp_path / "aside.sqlite3")) as opened:
        kept = {word for (word,) in opened.execute("SELECT word FROM written")}
    assert kept == ({"first"} if at == "before" else {"first", "word"})


def test_a_file_that_sqlite_itself_made_shorter_is_fine(shop, delivered, file):
    """VACUUM by another program shortens the file without an effect on the work."""
    code, lot = delivered
    with closing(sqlite3.connect(file)) as other:
        other.execute("CREATE TABLE ballast (text)")
        other.execute("INSERT INTO ballast VALUES (zeroblob(1000000))")
        other.commit()
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert 3 == stored(shop, lot)
        other.execute("DROP TABLE ballast")
        other.commit()
        other.execute("VACUUM")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert 201 == shop.call("receiving", "POST", "/diameter-readings", readings(code, 1)).status_code
    assert 4 == stored(shop, lot)


def test_a_damaged_file_is_answered_503(shop, delivered, file, capsys):
    """A damaged file gives 503, and one log line with the remedy."""
    database.close()
    size = file.stat().st_size
    with file.open("r+b") as opened:
        opened.seek(4096)
        opened.write(os.urandom(size - 4096))
    database.open_database(f"sqlite:///{file}")
    answer = shop.client.get("/v1/lots", headers={"Authorization": f"Bearer {shop.tokens['quality']}"})
    assert (503, "/problems/unavailable") == (answer.status_code, answer.get_json()["type"])
    assert "is damaged" in answer.get_json()["detail"]
    assert "lots restore" in logged(capsys)[-1]["message"]


@pytest.mark.postgresql
@pytest.mark.parametrize("anew", [True, False], ids=["made anew", "dropped"])
def test_a_postgresql_database_that_was_dropped_is_answered_503(postgres_url, anew, capsys):
    """A dropped PostgreSQL database gives 503, makes no table, and its log has the remedy."""
    import psycopg

    with new_postgres(postgres_url, "dropped") as url:
        shop = Shop(create_app(Settings(database=url)), {})
        assert 200 == shop.client.get("/readyz").status_code
        name = url.rpartition("/")[2]
        with psycopg.connect(postgres_url, autocommit=True) as admin:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
            if anew:
                admin.execute(f"CREATE DATABASE {name}")
        for _ in range(2):
            for path in ("/readyz", "/v1/lots"):
                answer = shop.client.get(path, headers={"Authorization": "Bearer " + "x" * 43})
                assert (503, "application/problem+json") == (answer.status_code, answer.mimetype)
        if anew:
            assert "dropped and recreated" in logged(capsys)[-1]["message"]
            with psycopg.connect(url) as opened:
                assert [(0,)] == opened.execute("SELECT COUNT(*) FROM pg_tables WHERE schemaname = 'public'").fetchall()
        database.close()
        if not anew:
            with psycopg.connect(postgres_url, autocommit=True) as admin:
                admin.execute(f"CREATE DATABASE {name}")


@pytest.mark.postgresql
def test_postgresql_tables_that_were_dropped_are_answered_503(postgres_url, capsys):
    """A database with dropped tables gives 503 on every path, and no table is made."""
    import psycopg

    with new_postgres(postgres_url, "emptied") as url:
        shop = Shop(create_app(Settings(database=url)), {})
        with psycopg.connect(url, autocommit=True) as admin:
            admin.execute("DROP SCHEMA public CASCADE")
            admin.execute("CREATE SCHEMA public")
        for path in ("/readyz", "/v1/lots"):
            answer = shop.client.get(path, headers={"Authorization": "Bearer " + "x" * 43})
            assert (503, "application/problem+json") == (answer.status_code, answer.mimetype)
        assert "The tables of this program are missing" in logged(capsys)[-1]["message"]
        database.close()
