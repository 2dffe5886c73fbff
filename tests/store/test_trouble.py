"""A database without room or without write access: reported, nothing half stored, and normal afterwards."""

import pytest
from peewee import InternalError, OperationalError

from lots.store.engine import database
from lots.store.engine.database import Full, ReadOnly, Unavailable, db
from tests.shop import MEASURED, SIMPLE_LIMITS


def readings(code: str, count: int) -> list[dict]:
    """So many readings of one spool, with long notes."""
    one = {"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED, "note": "n" * 400}
    return [{**one, "position_m": n} for n in range(count)]


def stored(shop, lot_id: int) -> int:
    """The number of readings of a lot, page by page."""
    path, count = f"/lots/{lot_id}/readings?limit=500", 0
    while path:
        page = shop.get("production", path)
        count += len(page["items"])
        path = page["next"] and page["next"].removeprefix("/v1")
    return count


@pytest.fixture
def delivered(shop):
    """The code of a spool, and its lot."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    return delivery["spools"][0]["code"], delivery["lot"]["id"]


@pytest.mark.parametrize("engine", ["sqlite"], indirect=True)
def test_a_full_disk_is_said_loses_nothing_and_is_over_when_there_is_room(shop, delivered):
    """A write without room is 507 and stores nothing; reading continues; the same request is stored once there is room.

    SQLite's page limit represents the disk: both end in SQLITE_FULL (sqlite.org, "Result and Error Codes").
    """
    code, lot_id = delivered
    database.connect()
    pages = db.execute_sql("PRAGMA page_count").fetchone()[0]
    database.disconnect()
    _from_now_on(("max_page_count", pages + 20))
    sent, answer = 0, None
    while sent < 12:
        answer = shop.call(
            "receiving", "POST", "/diameter-readings", readings(code, 50), Idempotency_Key=f"list-{sent}"
        )
        if answer.status_code != 201:
            break
        sent += 1
    assert (507, "/problems/full") == (answer.status_code, answer.get_json()["type"])
    assert "free space" in answer.get_json()["detail"]
    assert sent > 0
    assert 50 * sent == stored(shop, lot_id)

    _from_now_on()
    again = shop.call("receiving", "POST", "/diameter-readings", readings(code, 50), Idempotency_Key=f"list-{sent}")
    assert 201 == again.status_code
    assert 50 * (sent + 1) == stored(shop, lot_id)


def test_a_database_that_takes_no_changes_is_still_read(shop, delivered, engine):
    """A write to a read-only database is 503 with the reason, reading continues, and writing too once permitted."""
    code, lot_id = delivered
    if engine == "sqlite":
        _from_now_on(("query_only", 1))
        over = _from_now_on
    else:
        over = _postgresql_read_only()
    try:
        answer = shop.call("receiving", "POST", "/diameter-readings", readings(code, 3))
        assert (503, "/problems/read-only") == (answer.status_code, answer.get_json()["type"])
        assert answer.headers["Retry-After"]
        assert 0 == stored(shop, lot_id)
    finally:
        over()
    assert 201 == shop.call("receiving", "POST", "/diameter-readings", readings(code, 3)).status_code
    assert 3 == stored(shop, lot_id)


def _from_now_on(*more: tuple[str, int]) -> None:
    """Sets SQLite's connections up with these settings, with open ones reopened."""
    own = ("max_page_count", "query_only")
    db.obj._pragmas = [*(one for one in db.obj._pragmas if one[0] not in own), *more]
    db.obj.close_all()


def _postgresql_read_only():
    """Makes a database read-only, as on a replica; returns the function that ends it."""

    def set_to(value: str) -> None:
        database.connect()
        db.execute_sql("SET default_transaction_read_only = off")
        name = db.execute_sql("SELECT current_database()").fetchone()[0]
        db.execute_sql(f'ALTER DATABASE "{name}" SET default_transaction_read_only = {value}')
        # Only new connections use the setting.
        database.disconnect()
        db.obj.close_all()

    set_to("on")
    return lambda: set_to("off")


def _wrapped(kind, raised):
    """An error of the driver in peewee's form."""
    error = kind(raised)
    error.__context__ = raised
    return error


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("name", "peewee_error", "kind"),
    [
        ("DiskFull", OperationalError, Full),
        ("ReadOnlySqlTransaction", InternalError, ReadOnly),
        ("AdminShutdown", OperationalError, Unavailable),
    ],
)
def test_what_postgresql_calls_its_troubles(name, peewee_error, kind):
    """SQLSTATE codes: 53100 disk_full, 25006 read_only_sql_transaction, 57P01 admin_shutdown (PostgreSQL manual, appendix A)."""
    errors = pytest.importorskip("psycopg.errors", reason="needs the extra postgres")
    assert kind is type(database.trouble(_wrapped(peewee_error, getattr(errors, name)("so it is"))))


@pytest.mark.postgresql
def test_a_fault_of_ours_is_no_trouble_of_the_database():
    """A statement in a failed transaction is a program error and not reported as the database's."""
    errors = pytest.importorskip("psycopg.errors", reason="needs the extra postgres")
    assert None is database.trouble(_wrapped(InternalError, errors.InFailedSqlTransaction("aborted")))


@pytest.mark.parametrize("engine", [pytest.param("postgresql", marks=pytest.mark.postgresql)], indirect=True)
def test_connections_that_the_server_ended_are_opened_anew(shop, delivered, postgres_url):
    """After a restart of PostgreSQL at most one request gets 503."""
    import psycopg

    code, lot_id = delivered
    ended = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    with psycopg.connect(postgres_url, autocommit=True) as admin:
        admin.execute(ended)
    first = shop.call("receiving", "POST", "/diameter-readings", readings(code, 3), Idempotency_Key="after")
    assert first.status_code in (201, 503)
    assert (
        201
        == shop.call("receiving", "POST", "/diameter-readings", readings(code, 3), Idempotency_Key="after").status_code
    )
    assert 3 == stored(shop, lot_id)


@pytest.mark.parametrize("engine", [pytest.param("postgresql", marks=pytest.mark.postgresql)], indirect=True)
def test_a_connection_lost_during_the_commit_leaves_open_whether_it_was_stored(
    shop, delivered, postgres_url, monkeypatch
):
    """A connection lost during the commit leaves the result unknown, and the key allows a repeat."""
    import psycopg

    code, _ = delivered
    commit = type(db.obj).commit

    def lost(self):
        number = self.execute_sql("SELECT pg_backend_pid()").fetchone()[0]
        monkeypatch.setattr(type(db.obj), "commit", commit)
        with psycopg.connect(postgres_url, autocommit=True) as other:
            other.execute("SELECT pg_terminate_backend(%s)", (number,))
        commit(self)

    monkeypatch.setattr(type(db.obj), "commit", lost)
    answer = shop.call("receiving", "POST", "/diameter-readings", readings(code, 1), Idempotency_Key="k-lost")
    assert 503 == answer.status_code
    assert "not certain whether this was stored" in answer.get_json()["detail"]
    again = shop.call("receiving", "POST", "/diameter-readings", readings(code, 1), Idempotency_Key="k-lost")
    assert 201 == again.status_code
