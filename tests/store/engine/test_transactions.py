"""Transactions of one SQLite file: atomic, serial, and durable before the acknowledgement."""

import sqlite3
import threading
from contextlib import closing

import pytest

from lots.store.engine import database
from lots.store.engine.database import Clash, Full, Unavailable, db


@pytest.fixture
def file(tmp_path):
    """A database with one table, and a connection of this thread."""
    path = tmp_path / "shop.sqlite3"
    database.open_database(f"sqlite:///{path}")
    database.connect()
    db.execute_sql("CREATE TABLE written (word TEXT UNIQUE)")
    yield path
    database.close()


def write(word):
    """Stores a word."""
    db.execute_sql("INSERT INTO written VALUES (?)", (word,))


def undone():
    """A transaction that writes a word and then raises."""
    with database.transaction():
        write("undone")
        raise KeyError


def stored(path):
    """The words in another connection."""
    with closing(sqlite3.connect(path)) as other:
        return {word for (word,) in other.execute("SELECT word FROM written")}


def test_what_was_left_is_durable_and_what_raised_is_undone(file):
    """A completed transaction is durable, one that raised is rolled back, and the next one is unaffected."""
    with database.transaction():
        write("kept")
    with pytest.raises(KeyError):
        undone()
    with database.transaction():
        write("later")
    assert {"kept", "later"} == stored(file)


def test_transactions_within_one_are_part_of_it(file):
    """A nested transaction that is rolled back leaves the outer one."""
    with database.transaction():
        write("kept")
        with pytest.raises(KeyError):
            undone()
    assert {"kept"} == stored(file)


def test_a_unique_rule_is_a_clash(file):
    """A repeated unique word is a conflict."""
    with database.transaction():
        write("a")
    with pytest.raises(Clash), database.transaction():
        write("a")


def test_a_commit_that_fails_keeps_nothing_and_says_why(file, monkeypatch):
    """A commit on a full disk fails with its reason, and the next one works."""
    commit = type(db.obj).commit

    def no_room(self):
        cause = sqlite3.OperationalError("database or disk is full")
        cause.sqlite_errorname = "SQLITE_FULL"
        try:
            raise cause
        except sqlite3.Error:
            raise database.EngineTrouble(str(cause))  # noqa: B904  # as the query language raises it

    monkeypatch.setattr(type(db.obj), "commit", no_room)
    with pytest.raises(Full), database.transaction():
        write("lost")
    assert set() == stored(file)
    monkeypatch.setattr(type(db.obj), "commit", commit)
    with database.transaction():
        write("later")
    assert {"later"} == stored(file)


def test_an_engine_that_rolls_back_by_itself_is_not_acknowledged(file):
    """A rollback by the engine itself, as SQLite does without room, is not acknowledged."""

    def lose():
        with database.transaction():
            write("lost")
            db.execute_sql("ROLLBACK")

    with pytest.raises(Unavailable):
        lose()
    assert set() == stored(file)


def test_the_reason_is_told_where_the_engine_rolled_back(file):
    """After a rollback by the engine the first error is reported."""

    def lose():
        with database.transaction():
            db.execute_sql("ROLLBACK")
            raise KeyError

    with pytest.raises(KeyError):
        lose()


def test_ten_threads_write_one_after_the_other(file):
    """Ten threads write every word once, in the order of the lock."""
    taken = []

    def one(word):
        database.connect()
        with database.transaction():
            write(word)
            taken.append(word)
        database.disconnect()

    threads = [threading.Thread(target=one, args=(f"word {n}",)) for n in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    with closing(sqlite3.connect(file)) as other:
        assert taken == [word for (word,) in other.execute("SELECT word FROM written ORDER BY rowid")]
    assert 10 == len(taken)


def test_who_has_no_patience_is_told_while_another_writes(file):
    """A writer without patience fails at once or after its time, and the lock is free afterwards."""
    inside, leave = threading.Event(), threading.Event()

    def hold():
        database.connect()
        with database.transaction():
            write("held")
            inside.set()
            leave.wait(30)
        database.disconnect()

    holder = threading.Thread(target=hold)
    holder.start()
    assert inside.wait(30)
    for patience_s in (0, 0.05):
        with pytest.raises(Unavailable), database.transaction(patience_s):
            pytest.fail("two write at once")
    leave.set()
    holder.join(30)
    with database.transaction():
        write("later")
    assert {"held", "later"} == stored(file)
