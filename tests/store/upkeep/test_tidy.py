"""Deletion of expired rows, and of nothing else."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from lots.services import clock
from lots.services.setup import tidying
from lots.store.engine import database
from lots.store.tables.models import TABLES, RepeatedRequest, WebSession
from lots.store.upkeep import tidy
from tests.store.copies import fill
from tests.store.rows import connected, contents

AGED = {"repeated_request": (RepeatedRequest, "recorded_at"), "web_session": (WebSession, "ends_at")}
# The times of rows from `fill` are just before this midnight.
NOW = datetime(2026, 11, 26, tzinfo=UTC)
WEEK_AGO = NOW - timedelta(days=7)
# Ages of the rows of both tables: far above the limit, just above, exactly, just below, and zero.
AGES = (timedelta(days=400), timedelta(days=7, microseconds=1), timedelta(days=7), timedelta(days=6.9), timedelta(0))


@pytest.fixture
def full(empty_url):
    """Every table has five rows, those of the two tables with the ages above."""
    fill(empty_url, rows=len(AGES))
    database.open_database(empty_url)
    with connected():
        for model, moment in AGED.values():
            for row, age in zip(model.select().order_by(model.id), AGES, strict=True):
                setattr(row, moment, NOW - age)
                row.save()
    return empty_url


def kept_and_gone(act):
    """Tables and rows before and after an action: the remaining and the deleted ones, by table."""
    before = [(table, repr(row)) for table, row in contents()]
    with connected():
        act()
    after = [(table, repr(row)) for table, row in contents()]
    assert set(after) <= set(before), "a row was changed"
    gone = [row for row in before if row not in after]
    return {name: sum(1 for table, _ in gone if table == name) for name in {table for table, _ in gone}}


def test_only_old_answers_and_sessions_are_removed(full):
    """Two of five rows of two tables exceed the age; all other rows stay."""
    assert len(TABLES) - 1 <= len({name for name, _ in contents()})
    with clock.clock_set_to(NOW):
        assert dict.fromkeys(AGED, 2) == kept_and_gone(lambda: tidying.remove_some(7))
        assert {} == kept_and_gone(lambda: tidying.remove_some(7))


def test_everything_old_is_removed_batch_by_batch(full):
    """Expired rows go in batches of one, each reported."""
    told = []
    assert {"repeated_request": 2} == kept_and_gone(
        lambda: tidy.remove_all("repeated_request", WEEK_AGO, told.append, most=1)
    )
    assert [1, 2] == told


def test_the_oldest_go_first_and_no_more_than_asked(full):
    """A batch takes the oldest rows."""
    with connected():
        assert 1 == tidy.remove("repeated_request", NOW + timedelta(days=1), most=1)
        assert NOW - AGES[1] == min(row.recorded_at for row in RepeatedRequest.select())
        assert 4 == tidy.aged("repeated_request", NOW + timedelta(days=1))


def test_a_round_of_the_server_is_bounded(full, monkeypatch):
    """A round of the server is bounded, and the rest goes in the next."""
    monkeypatch.setattr(tidying, "_BATCHES", 1)
    monkeypatch.setattr(tidy, "remove", lambda table, before: tidy.BATCH)
    with connected():
        assert 2 * tidy.BATCH == tidying.remove_some(7)


@pytest.mark.parametrize("engine", [pytest.param("postgresql", marks=pytest.mark.postgresql)])
def test_rows_that_another_removes_are_left_to_it(full):
    """On PostgreSQL two deletions do not wait for each other; SQLite has one writer."""
    import psycopg

    oldest = "SELECT id FROM repeated_request ORDER BY recorded_at LIMIT 1"
    with psycopg.connect(full) as other, connected():
        other.execute(f"DELETE FROM repeated_request WHERE id = ({oldest})")
        assert 1 == tidy.remove("repeated_request", WEEK_AGO)
        other.rollback()
        assert 1 == tidy.remove("repeated_request", WEEK_AGO)


@pytest.mark.parametrize("table", AGED)
def test_rows_are_found_in_an_index(full, table):
    """Counting and deleting use an index."""
    model, moment = AGED[table]
    with connected():
        column = getattr(model, moment)
        query = model.select(model.id).where(column < WEEK_AGO).order_by(column).limit(200)
        statement, values = query.sql()
        if full.startswith("postgresql"):
            # With five rows other plans are cheaper, so they are disabled.
            database.db.execute_sql("SET enable_seqscan = off; SET enable_bitmapscan = off")
            rows = database.db.execute_sql(f"EXPLAIN {statement}", values).fetchall()
            database.db.execute_sql("RESET enable_seqscan; RESET enable_bitmapscan")
        else:
            rows = database.db.execute_sql(f"EXPLAIN QUERY PLAN {statement}", values).fetchall()
    plan = " ".join(str(part) for row in rows for part in row)
    assert f"{table}_{moment}" in plan
    assert "Sort" not in plan
    assert "TEMP B-TREE" not in plan
