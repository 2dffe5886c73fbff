import sys

import pytest

from lots.store.engine import database
from lots.store.engine.database import Unavailable, db
from tests.store.rows import connected


@pytest.fixture
def settled(tmp_path):
    """A new open SQLite database."""
    database.open_database(f"sqlite:///{tmp_path / 'new.sqlite3'}")
    with connected():
        yield
    database.close()


def test_sqlite_keeps_what_it_acknowledged(settled):
    """SQLite has a write-ahead log with full synchronisation and foreign keys, so a power cut loses nothing acknowledged."""
    asked = {
        name: db.execute_sql(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous", "foreign_keys")
    }
    assert {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1} == asked
    assert 10_000 == db.execute_sql("PRAGMA busy_timeout").fetchone()[0]


def test_every_connection_is_set_up_alike(settled):
    """Settings apply to a second connection too."""
    first = db.connection()
    db.obj.close_all()
    database.connect()
    assert first is not db.connection()
    assert (2, 1) == tuple(db.execute_sql(f"PRAGMA {name}").fetchone()[0] for name in ("synchronous", "foreign_keys"))


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("mysql://root@host/lots", "sqlite:/// or postgresql://"),
        ("lots.sqlite3", "sqlite:/// or postgresql://"),
        ("", "sqlite:/// or postgresql://"),
        ("sqlite:///", "Name a file"),
        ("sqlite:///:memory:", "Name a file"),
        ("postgresql://user@host", "Name the database"),
        ("postgresql://user@host/", "Name the database"),
    ],
)
def test_an_address_that_is_none_is_refused_in_words(url, words):
    """An invalid address is refused with a valid form: another engine, no file, no name."""
    with pytest.raises(ValueError, match=words):
        database.open_database(url)


NO_FOLDER, NO_SERVER = "sqlite:////no/such/folder/lots.sqlite3", "postgresql://nobody@127.0.0.1:1/lots"


@pytest.mark.parametrize("url", [NO_FOLDER, pytest.param(NO_SERVER, marks=pytest.mark.postgresql)])
def test_a_database_that_cannot_be_reached_is_named_unavailable(url):
    """A missing folder and a server that is down give one error."""
    if url == NO_SERVER:
        pytest.importorskip("psycopg", reason="needs the extra postgres")
    database.open_database(url)
    with pytest.raises(Unavailable):
        database.connect()
    database.close()


def test_a_missing_driver_is_named_with_what_to_install(monkeypatch):
    """Without the driver of PostgreSQL the message names the extra to install."""
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(ImportError, match=r"lots\[postgres\]"):
        database.open_database(NO_SERVER)


def test_an_unreachable_database_is_answered_503(shop, monkeypatch):
    """Without the database requests get 503, readiness fails and liveness succeeds."""

    def away(**_):
        raise database.OperationalError("gone")

    monkeypatch.setattr(db.obj, "connect", away)
    answer = shop.client.get("/v1/lots", headers={"Authorization": f"Bearer {shop.tokens['admin']}"})
    assert (503, "/problems/unavailable") == (answer.status_code, answer.get_json()["type"])
    assert answer.headers["Retry-After"]
    assert 503 == shop.client.get("/readyz").status_code
    assert 200 == shop.client.get("/healthz").status_code


def test_closing_twice_does_no_harm():
    """Closing a closed database does nothing."""
    database.close()
    database.close()
