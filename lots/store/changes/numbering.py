"""The id up to which all history entries are committed. PostgreSQL draws ids in order, but transactions commit in any order."""

from __future__ import annotations

from lots.store.engine.database import db, locks_rows

# The prefix of the feed's advisory locks: the upper 16 of their 64 bits. The other 48 bits hold the id of an entry.
_MARK = 0x4C46
_NUMBER_BITS = 48

_KEYS = _MARK << _NUMBER_BITS
# The variable is local to the transaction. Rolling a savepoint back unsets it and releases its lock.
_ANNOUNCE = """
SELECT CASE WHEN coalesce(current_setting('lots.announces', true), '') = '' THEN
    set_config('lots.announces', 'yes', true)
    || pg_advisory_xact_lock_shared(%s + last_value - CASE WHEN is_called THEN 0 ELSE 1 END)::text
END FROM event_id_seq"""
_NEWEST = "SELECT last_value - CASE WHEN is_called THEN 0 ELSE 1 END FROM event_id_seq"
# pg_locks shows a 64-bit key as two halves.
_OLDEST_OPEN = """
SELECT min(((classid::bigint & 65535) << 32) | objid::bigint) FROM pg_locks
WHERE locktype = 'advisory' AND objsubid = 1 AND classid::bigint >> 16 = %s
    AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"""


def announce() -> None:
    """Locks the id above which this transaction will draw. Call it before the insert of a feed entry.

    One statement on PostgreSQL, which takes a shared advisory lock on the newest drawn id, once per transaction. Nothing waits for this
    lock. SQLite has one writer at a time, so its ids are committed in order.
    """
    if locks_rows():
        db.execute_sql(_ANNOUNCE, (_KEYS,))


def settled_up_to() -> int | None:
    """Returns the id up to which all feed entries are committed and visible to the next statement, or None on SQLite (all are).

    Two statements on PostgreSQL, none on SQLite. The caller reads entries in a later statement, outside a transaction or with READ COMMITTED.

    Notes:
        The first statement reads S, the newest drawn id. The second lists the locks of `announce`. L is the lowest locked id. The
        result is min(S, L). No entry with an id n <= min(S, L) can appear later:

        - n was drawn when S was read, because n <= S. Its writer locked some id l < n before it drew n.
        - When the locks are listed, that writer still holds its lock, so that n > l >= L, or its transaction has ended.
        - PostgreSQL releases the locks of a transaction after its commit is visible. So a later snapshot sees n.

        Without S, a writer could lock and draw after the list of locks was read, and a later writer could commit before it.

    Reference:
        PostgreSQL, "Explicit Locking", 13.3.5 (advisory locks), and "Sequence Manipulation Functions", 9.17.
    """
    if not locks_rows():
        return None
    newest = int(db.execute_sql(_NEWEST).fetchone()[0])
    oldest_open = db.execute_sql(_OLDEST_OPEN, (_MARK,)).fetchone()[0]
    return newest if oldest_open is None else min(newest, int(oldest_open))
