"""Background tasks: each repeats after its pause, a failure stops nothing, and stopping ends them."""

import threading

import pytest

from lots.background import Background, Task
from lots.store.engine.database import Unavailable


@pytest.fixture
def started():
    """Starts tasks, and stops them at the end."""
    made = []

    def start(*tasks):
        made.append(Background(tasks))
        made[-1].ensure_running()
        return made[-1]

    yield start
    for background in made:
        background.stop()


def test_a_task_is_done_again_and_again(shop, started):
    """A task runs three rounds."""
    rounds = threading.Semaphore(0)
    started(Task("count", 0.001, rounds.release))
    assert all(rounds.acquire(timeout=10) for _ in range(3))


def test_a_task_that_fails_stops_neither_itself_nor_others(shop, started, caplog):
    """A failing task is logged by name and continues, and so do others."""
    failed, done = threading.Semaphore(0), threading.Semaphore(0)

    def fail():
        failed.release()
        raise RuntimeError("the receiver is away")

    started(Task("send", 0.001, fail), Task("tidy", 0.001, done.release))
    assert all(one.acquire(timeout=10) for one in (failed, failed, done, done))
    assert "background task send failed" in caplog.text


def test_after_stopping_nothing_is_done(shop, started):
    """The thread has ended when stop returns."""
    rounds = threading.Semaphore(0)
    background = started(Task("count", 0.001, rounds.release))
    assert rounds.acquire(timeout=10)
    background.stop()
    assert not [thread for thread in threading.enumerate() if thread.name == "lots background"]


def test_a_database_that_is_away_is_one_line_for_each_task(shop, started, caplog):
    """Without a database each task logs one line and retries, and a later absence is logged again."""
    tried = threading.Semaphore(0)

    def send():
        tried.release()
        raise Unavailable("it was moved away")

    started(Task("send", 0.001, send))
    assert all(tried.acquire(timeout=10) for _ in range(4))
    assert 1 == caplog.text.count("background task send is waiting for the database: it was moved away")
