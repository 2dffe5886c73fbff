"""One commit for callers of one process that wait to write at the same time: to SQLite it costs as much for ten as for one."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from peewee import Database

from lots.store.engine.write_lock import NoTurn, turn

# A group goes on for so many times what its last commit took: with short writes many share one, and who came first never waits for the
# others much longer than a commit alone would have taken.
_WORTH = 3.0


class NotKept(Exception):
    """What this caller wrote must not be acknowledged: the group's transaction did not end well. `first` is what the engine said, if anything."""

    def __init__(self, first: BaseException | None) -> None:
        super().__init__(str(first or "the transaction was rolled back"))
        self.first = first


class _Caller:
    """One who waits: called with a group to write in, or without one to begin the next; and called again once that group has ended."""

    def __init__(self) -> None:
        self.group: _Group | None = None
        # A bare lock, taken until somebody calls: an Event is made of several.
        self._uncalled = threading.Lock()
        self._uncalled.acquire()

    def call(self) -> None:
        """Lets it go on, once."""
        self._uncalled.release()

    def wait(self, patience_s: float = -1) -> bool:
        """Waits until it is called; False when that took too long, s."""
        return self._uncalled.acquire(timeout=patience_s)


class _Group:
    """A transaction that several callers write in, one after the other."""

    def __init__(self, connection: Any, held: AbstractContextManager[None], until: float) -> None:
        self.connection, self.held, self.until = connection, held, until
        self.done: list[_Caller] = []
        self.lost: NotKept | None = None


def _nothing() -> None:
    """Nothing is asked before or after a commit."""


class Groups:
    """The callers that write to one SQLite file from this process.

    The first takes the turn among processes and begins a transaction. Whoever comes while it writes waits, and is then handed that
    transaction, in the order in which they came, each within a savepoint of its own: what one raises undoes what that one did and no more.
    The last one commits, and only then does any of them go on: what is answered is durable. Whoever comes during the commit waits for the
    next transaction. When the commit fails, or the file is not the one at its path any more, all of them are told.

    Args:
        db: the file.
        before: called on the connection that is about to commit; raises to have all of it rolled back.
        after: called when the commit was done; raises when it must not be acknowledged.

    Notes:
        As in any transactions that come one after the other, each caller sees what those before it wrote. The transaction is handed on with its
        connection, which only one thread uses at a time; meanwhile each caller's own connection rests.
    """

    def __init__(
        self, db: Database, before: Callable[[], None] = _nothing, after: Callable[[], None] = _nothing
    ) -> None:
        self._db, self._before, self._after = db, before, after
        self._lock = threading.Lock()
        self._waiting: deque[_Caller] = deque()
        # True while somebody writes in a group, commits one, or is about to begin one.
        self._busy = False
        self._commit_s = 0.0

    @contextmanager
    def member(self, patience_s: float) -> Iterator[None]:
        """All or nothing, durable when it is left; raising undoes what was done in it.

        Args:
            patience_s: how long to wait for a turn to write, s, >= 0.

        Raises:
            NoTurn: none came in that time.
            NotKept: the group's transaction was lost.
        """
        me = _Caller()
        group = self._join(me, patience_s)
        try:
            with self._borrowed(group.connection), self._db.savepoint():
                yield
        except BaseException as error:
            self._leave(me, group, error)
            raise
        else:
            self._leave(me, group, None)
        finally:
            me.wait()
            if group.lost:
                raise NotKept(group.lost.first)

    def _join(self, me: _Caller, patience_s: float) -> _Group:
        until = time.monotonic() + patience_s
        with self._lock:
            first, self._busy = not self._busy, True
            if not first and patience_s > 0:
                self._waiting.append(me)
        if not first:
            if patience_s <= 0:
                raise NoTurn
            if not me.wait(patience_s):
                self._give_up(me)
            if me.group is not None:
                return me.group
        return self._begin(max(0.0, until - time.monotonic()))

    def _give_up(self, me: _Caller) -> None:
        with self._lock:
            if me in self._waiting:
                self._waiting.remove(me)
                raise NoTurn
        # Called at this very moment: then it goes on after all.
        me.wait()

    def _begin(self, patience_s: float) -> _Group:
        try:
            held = turn(self._db.database, patience_s)
            held.__enter__()
            try:
                self._db.begin()
            except BaseException:
                held.__exit__(None, None, None)
                raise
        except BaseException:
            self._call_next(None)
            raise
        connection = self._db.connection()  # type: ignore[no-untyped-call]  # as the library's types have it
        return _Group(connection, held, time.monotonic() + _WORTH * self._commit_s)

    def _leave(self, me: _Caller, group: _Group, error: BaseException | None) -> None:
        """Hands the transaction to who is next, or ends it."""
        group.done.append(me)
        # The engine may have rolled back all of it by itself, as SQLite does where it finds no room.
        if not group.connection.in_transaction:
            group.lost = NotKept(error)
        elif time.monotonic() < group.until and self._call_next(group):
            return
        try:
            if not group.lost:
                self._commit(group)
        finally:
            group.held.__exit__(None, None, None)
            self._call_next(None)
            for caller in group.done:
                caller.call()

    def _commit(self, group: _Group) -> None:
        began = time.monotonic()
        with self._borrowed(group.connection):
            try:
                self._before()
                self._db.commit()
                # A file that vanished during the commit took the commit with it.
                self._after()
            except Exception as error:
                group.lost = NotKept(error)
                if group.connection.in_transaction:
                    self._db.rollback()
        self._commit_s = time.monotonic() - began

    def _call_next(self, group: _Group | None) -> bool:
        """Calls who has waited longest; False when nobody waits. Called without a group, that one begins the next; nobody there, all is at rest."""
        with self._lock:
            if not self._waiting:
                self._busy = group is not None
                return False
            caller = self._waiting.popleft()
            caller.group = group
        caller.call()
        return True

    @contextmanager
    def _borrowed(self, connection: Any) -> Iterator[None]:
        """Within it this thread works on the group's connection, in a transaction that is not its own to end."""
        state = self._db._state  # where peewee keeps what connection a thread has; there is no other way to give it one
        own = state.conn
        state.conn = connection
        self._db.push_transaction(self)
        try:
            yield
        finally:
            self._db.pop_transaction()  # type: ignore[no-untyped-call]  # as the library's types have it
            state.conn = own
