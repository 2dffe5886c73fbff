"""Up to which number the history's entries are all there: on PostgreSQL numbers are drawn in order and committed in any order."""

from __future__ import annotations

from lots.store.engine.database import db, locks_rows

# Marks the advisory locks of the feed among all of a database: the upper 16 bits of their 64. The other 48 hold a number of an entry.
_MARK = 0x4C46
_NUMBER_BITS = 48

_KEYS = _MARK << _NUMBER_BITS
# The variable is set for this transaction only, and unset where a savepoint is rolled back, as its lock is given up.
_ANNOUNCE = """
SELECT CASE WHEN coalesce(current_setting('lots.announces', true), '') = '' THEN
    set_config('lots.announces', 'yes', true)
    || pg_advisory_xact_lock_shared(%s + last_value - CASE WHEN is_called THEN 0 ELSE 1 END)::text
END FROM event_id_seq"""
_NEWEST = "SELECT last_value - CASE WHEN is_called THEN 0 ELSE 1 END FROM event_id_seq"
# pg_locks shows a 64-bit key as its halves.
_OLDEST_OPEN = """
SELECT min(((classid::bigint & 65535) << 32) | objid::bigint) FROM pg_locks
WHERE locktype = 'advisory' AND objsubid = 1 AND classid::bigint >> 16 = %s
    AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"""


def announce() -> None:
    """Says, before an entry of the feed is inserted, from which number on this transaction may draw.

    One statement on PostgreSQL. It takes a shared advisory lock once per transaction, on the newest number drawn so far. Nobody waits for it.
    SQLite has one writer at a time: there numbers are committed in order.
    """
    if locks_rows():
        db.execute_sql(_ANNOUNCE, (_KEYS,))


def settled_up_to() -> int | None:
    """Returns the number up to which every entry of the feed is committed and visible to the next statement; None where all that can be seen are.

    Two statements on PostgreSQL, none on SQLite. The caller reads entries in a later statement, outside of a transaction or with READ COMMITTED.

    Notes:
        The first statement reads S, the newest number drawn. The second lists the locks of `announce`; L is the lowest. The answer is the
        smaller of the two. Why no entry with a number n up to it can appear later:

        - n was drawn by the time S was read, as n <= S. Its writer took its lock on some number l < n before it drew n.
        - So when locks are listed, that writer either still holds its lock, and n > l >= L; or its transaction has ended.
        - PostgreSQL gives up the locks of a transaction after it has made its commit visible. So a snapshot taken later sees n.

        Without S a writer could take its lock and draw after the list was made, and be overtaken by one that commits before entries are read.

    Reference:
        PostgreSQL, "Explicit Locking", 13.3.5 (advisory locks), and "Sequence Manipulation Functions", 9.17.
    """
    if not locks_rows():
        return None
    newest = int(db.execute_sql(_NEWEST).fetchone()[0])
    oldest_open = db.execute_sql(_OLDEST_OPEN, (_MARK,)).fetchone()[0]
    return newest if oldest_open is None else min(newest, int(oldest_open))
