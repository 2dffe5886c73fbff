"""PostgreSQL commits numbers out of order: the feed never skips an uncommitted entry."""

import threading

import pytest

from lots.services import clock
from lots.services.documents import changes
from lots.store import audit
from lots.store.changes import numbering
from lots.store.engine.database import db, transaction
from tests.api.test_queries import statements
from tests.store.rows import connected

only_postgresql = pytest.mark.parametrize("engine", [pytest.param("postgresql", marks=pytest.mark.postgresql)])
TOLD = {"kind": "instrument.due", "instrument_id": 1, "instrument_code": "MIC-1", "before": None, "after": {}}


def announce(lot_id, times=1):
    """Entries with a change in a lot's chain, in the present transaction. Chains of different lots do not wait."""
    for _ in range(times):
        audit.note(lot_id, "lot judged again", "somebody", clock.now(), {}, changes=[{**TOLD, "lot_id": lot_id}])


def read(after="0.0", limit=500):
    """Lots of the entries after a position, and the reached position."""
    with connected():
        found = changes.read(after, limit)
    return [item["lot_id"] for item in found.items], str(found.after)


class Writer:
    """A person with a transaction that continues on request."""

    def __init__(self, *steps):
        self.steps, self.done, self.go = steps, threading.Semaphore(0), threading.Semaphore(0)
        self.thread = threading.Thread(target=self.write)
        self.thread.start()

    def write(self):
        """Executes its steps within one transaction."""
        with connected():
            with transaction():
                for step in self.steps:
                    self.go.acquire()
                    step()
                    self.done.release()
                self.go.acquire()
            self.done.release()

    def step(self):
        """Executes the next step, and commits after the last."""
        self.go.release()
        assert self.done.acquire(timeout=30)


@only_postgresql
def test_who_draws_first_and_commits_last_is_not_stepped_over(shop):
    """While the first transaction is open, the second one's committed entry is not shown; then both are, in order."""
    first, second = Writer(lambda: announce(1)), Writer(lambda: announce(2))
    first.step()
    second.step()
    second.step()
    told, position = read()
    assert [] == told
    first.step()
    assert [1, 2] == read(position)[0]


@only_postgresql
def test_what_was_committed_before_is_told_meanwhile(shop):
    """Only entries after the oldest open transaction wait."""
    with connected(), transaction():
        announce(7)
    slow = Writer(lambda: announce(1), lambda: announce(1))
    slow.step()
    with connected(), transaction():
        announce(8)
    told, position = read()
    assert [7] == told
    slow.step()
    assert [] == read(position)[0]
    slow.step()
    assert [1, 8, 1] == read(position)[0]


@only_postgresql
def test_a_lock_given_up_with_a_savepoint_is_taken_again(shop):
    """A transaction that rolled back its first announcement and announces again is waited for."""

    @transaction()
    def announce_and_fail():
        announce(1)
        raise ZeroDivisionError

    def undone_then_announced():
        with pytest.raises(ZeroDivisionError):
            announce_and_fail()
        announce(1)

    first = Writer(undone_then_announced)
    first.step()
    with connected(), transaction():
        announce(2)
    assert [] == read()[0]
    first.step()
    assert [1, 2] == read()[0]


@only_postgresql
def test_the_first_entry_of_all_is_waited_for(shop):
    """Before any number was drawn the sequence is at 1, which was not given out."""
    with connected():
        db.execute_sql("SELECT setval('event_id_seq', 1, false)")
        db.execute_sql("DELETE FROM event")
        db.execute_sql("DELETE FROM chain")
    first = Writer(lambda: announce(1))
    first.step()
    with connected(), transaction():
        announce(2)
    assert [] == read()[0]
    first.step()
    assert [1, 2] == read()[0]


@only_postgresql
def test_a_transaction_takes_one_lock_however_much_it_announces(shop):
    """A transaction takes one lock for any number of announcements, which keeps the lock table small."""
    with connected():
        with transaction():
            announce(1, times=20)
            held = db.execute_sql("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone()[0]
        assert 1 == held
        with transaction():
            announce(1)
            assert numbering.settled_up_to() is not None
        with statements() as seen, transaction():
            audit.note(1, "lot judged again", "somebody", clock.now(), {})
        assert not [sql for sql, _ in seen if "advisory" in sql]


def test_a_reader_beside_eight_writers_gets_every_entry_once_in_order(shop):
    """Beside eight writers with transactions of different lengths a reader collects the whole feed, once and in order."""
    writers, rounds = 8, 12
    left, collected = threading.Semaphore(0), []

    def write(lot_id):
        with connected():
            for turn in range(rounds):
                with transaction():
                    announce(lot_id, times=1 + (turn + lot_id) % 3)
        left.release()

    threads = [threading.Thread(target=write, args=(lot_id,)) for lot_id in range(1, writers + 1)]
    for thread in threads:
        thread.start()
    position, gone = "0.0", 0
    while gone < writers:
        gone += left.acquire(blocking=False)
        with connected():
            found = changes.read(position, 7)
        collected += [item["id"] for item in found.items]
        position = str(found.after)
    for thread in threads:
        thread.join(60)
    with connected():
        collected += [item["id"] for item in changes.read(position, 500).items]
        whole = [item["id"] for item in changes.read("0.0", 500).items]
    assert sum(1 + (turn + lot) % 3 for turn in range(rounds) for lot in range(1, writers + 1)) == len(whole)
    assert whole == collected
