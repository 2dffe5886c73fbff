"""Periodic background tasks, in one thread per server process."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lots.store.engine import database
from lots.store.engine.database import Unavailable

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Task:
    """Work that runs every `every_s` seconds with its own database connection. A run may leave work for the next one."""

    name: str
    every_s: float
    run: Callable[[], object]


class Background:
    """The background tasks of one application.

    A task that raises is logged and runs again after its interval. While the database is unavailable, each task logs one line.
    Every process runs all tasks, so a task must be safe to run concurrently with itself.
    The server calls `ensure_running`. The call is cheap, so a forked process may make it with each request.
    """

    def __init__(self, tasks: Sequence[Task], now: Callable[[], float] = time.monotonic) -> None:
        self.tasks, self._now = tasks, now
        self._process: int | None = None
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._waiting: set[str] = set()  # tasks whose last run found no database

    def ensure_running(self) -> None:
        """Starts the thread unless this process has it."""
        if self._process == os.getpid() or not self.tasks:
            return
        with self._lock:
            if self._process != os.getpid():
                self._process = os.getpid()
                self._stopped = threading.Event()
                self._thread = threading.Thread(target=self._loop, name="lots background", daemon=True)
                self._thread.start()

    def stop(self, patience_s: float = 10.0) -> None:
        """Stops the thread after its current task, waiting at most `patience_s` seconds."""
        self._stopped.set()
        if self._thread is not None and self._process == os.getpid():
            self._thread.join(patience_s)

    def _loop(self) -> None:
        due = {task.name: self._now() + task.every_s for task in self.tasks}
        while True:
            wait_s = max(0.0, min(due.values()) - self._now())
            if self._stopped.wait(wait_s):
                return
            for task in self.tasks:
                if due[task.name] <= self._now() and not self._stopped.is_set():
                    self._run_once(task)
                    due[task.name] = self._now() + task.every_s

    def _run_once(self, task: Task) -> None:
        """Runs a task with a database connection and logs its exceptions."""
        try:
            database.connect()
            try:
                task.run()
            finally:
                database.disconnect()
            self._waiting.discard(task.name)
        except Unavailable as error:
            if task.name not in self._waiting:
                log.warning("background task %s is waiting for the database: %s", task.name, error)
            self._waiting.add(task.name)
        except Exception:
            log.exception("background task %s failed", task.name)
