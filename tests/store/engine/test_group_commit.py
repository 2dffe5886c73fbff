"""Callers that wait together share a commit: each keeps or loses its own, and none goes on before all of it is durable."""

import sqlite3
import threading
import time
from contextlib import closing

import pytest

from lots.store.engine import database, group_commit
from lots.store.engine.database import Clash, Full, Unavailable, db


@pytest.fixture
def file(tmp_path, monkeypatch):
    """A database with one table, in which groups go on as long as somebody waits."""
    monkeypatch.setattr(group_commit, "_WORTH", 1e9)
    path = tmp_path / "shop.sqlite3"
    database.open_database(f"sqlite:///{path}")
    database.connect()
    db.execute_sql("CREATE TABLE written (word TEXT UNIQUE)")
    # After one commit it is known how long one takes.
    with database.transaction():
        db.execute_sql("INSERT INTO written VALUES ('first')")
    database.disconnect()
    yield path
    database.close()


def stored(path):
    """What another connection sees."""
    with closing(sqlite3.connect(path)) as other:
        return {word for (word,) in other.execute("SELECT word FROM written")} - {"first"}


class Callers:
    """Threads that each write a word; the first holds the transaction open until all the others wait for it."""

    def __init__(self, words, doing=lambda word: None):
        self.words, self.doing = words, doing
        self.ended, self.failed = {}, {}
        self.gate = threading.Event()
        self.threads = [threading.Thread(target=self._write, args=(word,)) for word in words]

    def run(self):
        """Starts them one after the other, opens the gate, and waits for all."""
        for number, thread in enumerate(self.threads):
            thread.start()
            until = time.monotonic() + 30
            # The first one is not among those who wait; it keeps them busy.
            group = db.obj.writers
            while (not group._busy or len(group._waiting) < number) and time.monotonic() < until:
                time.sleep(0.001)
        self.gate.set()
        for thread in self.threads:
            thread.join(30)
        return self

    def _write(self, word):
        database.connect()
        try:
            with database.transaction():
                db.execute_sql("INSERT INTO written VALUES (?)", (word,))
                self.gate.wait(30)
                self.doing(word)
            self.ended[word] = time.monotonic()
        except Exception as error:
            self.failed[word] = error
        finally:
            database.disconnect()


@pytest.fixture
def done(file, monkeypatch):
    """The moments at which commits were done, each a while after it was asked for."""
    moments, commit = [], type(db.obj).commit

    def slow(self):
        time.sleep(0.05)
        commit(self)
        moments.append(time.monotonic())

    monkeypatch.setattr(type(db.obj), "commit", slow)
    return moments


WORDS = [f"word {n}" for n in range(10)]


def test_ten_who_wait_together_share_one_commit(file, done):
    """And none of them goes on before it is done: what they answer is durable."""
    callers = Callers(WORDS).run()
    assert set(WORDS) == stored(file)
    assert 1 == len(done)
    assert min(callers.ended.values()) >= done[0]


def test_they_write_in_the_order_in_which_they_came(file):
    """Rows are numbered as they were written."""
    Callers(WORDS).run()
    with closing(sqlite3.connect(file)) as other:
        assert ["first", *WORDS] == [word for (word,) in other.execute("SELECT word FROM written ORDER BY rowid")]


@pytest.mark.parametrize("place", [0, 4, 9])
def test_what_one_raises_undoes_its_own_alone(file, done, place):
    """Whether it is the first, the last or in between."""

    def refuse(word):
        if word == WORDS[place]:
            raise KeyError(word)

    callers = Callers(WORDS, refuse).run()
    assert {*WORDS} - {WORDS[place]} == stored(file)
    assert [KeyError] == [type(error) for error in callers.failed.values()]
    assert 1 == len(done)


def test_one_who_is_refused_has_seen_what_is_kept(file, done):
    """A word that another of the same group wrote is taken: that is answered only once the other's is durable."""
    callers = Callers(["a", "b", "a"]).run()
    assert {"a", "b"} == stored(file)
    assert [Clash] == [type(error) for error in callers.failed.values()]
    assert 1 == len(done)


def test_a_commit_that_fails_keeps_nothing_and_all_are_told(file, monkeypatch):
    """A disk that is full at the commit: each of them hears so, and the next one writes as ever."""
    commit = type(db.obj).commit

    def no_room(self):
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorname = "SQLITE_FULL"
        raise error

    monkeypatch.setattr(type(db.obj), "commit", no_room)
    callers = Callers(WORDS).run()
    assert set(WORDS) == set(callers.failed)
    assert {Full} == {type(error) for error in callers.failed.values()}
    assert set() == stored(file)
    monkeypatch.setattr(type(db.obj), "commit", commit)
    assert {} == Callers(["later"]).run().failed
    assert {"later"} == stored(file)


def test_an_engine_that_rolls_back_by_itself_loses_what_came_before_too(file):
    """As SQLite does where it finds no room: who wrote before in the same transaction is told as well; who comes after is not touched."""

    def lose(word):
        if word == WORDS[4]:
            db.execute_sql("ROLLBACK")

    callers = Callers(WORDS, lose).run()
    assert set(WORDS[:5]) == set(callers.failed)
    assert {Unavailable} == {type(error) for error in callers.failed.values()}
    assert set(WORDS[5:]) == stored(file)


def test_who_has_no_patience_goes_away_and_holds_nobody_up(file):
    """While another writes it is told at once, or when its time is up; whoever waited behind it is still called."""
    inside, leave = threading.Event(), threading.Event()

    def hold():
        database.connect()
        with database.transaction():
            inside.set()
            leave.wait(30)
        database.disconnect()

    holder = threading.Thread(target=hold)
    holder.start()
    assert inside.wait(30)
    database.connect()
    for patience_s in (0, 0.05):
        with pytest.raises(Unavailable), database.transaction(patience_s):
            pytest.fail("two write at once")
    database.disconnect()
    leave.set()
    holder.join(30)
    assert {} == Callers(["later"]).run().failed


def test_one_who_cannot_begin_passes_the_turn_on(file, monkeypatch):
    """The first of those who wait finds the database locked by another program; the next one gets through."""
    begin, tried = type(db.obj).begin, []

    def locked_at_first(self, *args):
        tried.append(args)
        if len(tried) == 2:
            raise database.EngineTrouble("database is locked")
        begin(self, *args)

    monkeypatch.setattr(group_commit, "_WORTH", 0)
    monkeypatch.setattr(type(db.obj), "begin", locked_at_first)
    callers = Callers(WORDS[:4]).run()
    assert {WORDS[1]} == set(callers.failed)
    assert {WORDS[0], *WORDS[2:4]} == stored(file)


def test_a_group_ends_though_others_wait(file, done, monkeypatch):
    """Where writing takes longer than a commit nobody waits for the rest: each has a commit of its own."""
    monkeypatch.setattr(group_commit, "_WORTH", 0)
    Callers(WORDS).run()
    assert len(WORDS) == len(done)


def test_transactions_within_one_are_part_of_it(file, done):
    """What is undone inside leaves what was written outside of it."""

    def undone():
        with database.transaction():
            db.execute_sql("INSERT INTO written VALUES ('undone')")
            raise KeyError

    database.connect()
    with database.transaction():
        db.execute_sql("INSERT INTO written VALUES ('kept')")
        with pytest.raises(KeyError):
            undone()
    database.disconnect()
    assert {"kept"} == stored(file)
    assert 1 == len(done)
