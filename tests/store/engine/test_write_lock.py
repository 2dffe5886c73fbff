"""The write lock: one holder at a time, released with its process, with a bounded wait."""

import subprocess
import sys
import threading

import pytest

from lots.store.engine import database
from lots.store.engine.database import Unavailable
from lots.store.engine.write_lock import NoTurn, turn

HOLDS = "import sys\nfrom lots.store.engine.write_lock import turn\nwith turn(sys.argv[1], 5):\n    print('mine', flush=True)\n    sys.stdin.read()\n"


@pytest.fixture
def path(tmp_path):
    """The path of a database."""
    return str(tmp_path / "shop.sqlite3")


@pytest.fixture
def holder(path):
    """Another process with the lock."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert "mine\n" == process.stdout.readline()
        yield process
        process.kill()


@pytest.mark.parametrize("patience_s", [0, 0.05])
def test_patience_ends(path, holder, patience_s):
    """A writer that waits longer than its patience gets an error."""
    with pytest.raises(NoTurn), turn(path, patience_s):
        pytest.fail("two have the turn")


def test_a_process_that_dies_gives_its_turn_back(path, holder):
    """The lock of a killed process is released."""
    holder.kill()
    holder.wait()
    with turn(path, 10):
        pass


def test_who_waits_gets_the_turn_when_it_comes(path, holder):
    """A waiting writer gets the lock at its release."""
    had = threading.Event()

    def wait() -> None:
        with turn(path, 30):
            had.set()

    waiting = threading.Thread(target=wait)
    waiting.start()
    assert not had.wait(0.2)
    holder.stdin.close()
    assert had.wait(30)
    waiting.join()


def test_a_turn_nobody_wants_any_more_is_passed_on(path, holder):
    """A writer that gave up does not hold a later lock."""
    with pytest.raises(NoTurn), turn(path, 0.05):
        pass
    holder.stdin.close()
    holder.wait()
    with turn(path, 10):
        pass


def test_only_one_has_it(path):
    """Threads of one process take the lock like processes."""
    inside, most, lock = 0, [], threading.Lock()

    def work() -> None:
        nonlocal inside
        for _ in range(20):
            with turn(path, 30):
                with lock:
                    inside += 1
                    most.append(inside)
                with lock:
                    inside -= 1

    crew = [threading.Thread(target=work) for _ in range(6)]
    for one in crew:
        one.start()
    for one in crew:
        one.join()
    assert [1] * 120 == most


def test_where_no_mark_can_be_made_sqlite_has_the_word(tmp_path):
    """Without a folder for the lock file SQLite decides."""
    with turn(str(tmp_path / "no" / "shop.sqlite3"), 0):
        pass


def test_a_transaction_waits_for_its_turn_and_says_so_when_none_comes(tmp_path):
    """A transaction without the lock reports that the database cannot be used now."""
    path = str(tmp_path / "busy.sqlite3")
    database.open_database(f"sqlite:///{path}")
    database.connect()
    try:
        with (
            turn(path, 1),
            pytest.raises(Unavailable, match="other writers hold"),
            database.transaction(patience_s=0.05),
        ):
            pytest.fail("two have the turn")
        with database.transaction(), database.transaction():
            pass
    finally:
        database.close()
