"""Brings an older database to the schema of this program, step by step."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from playhouse.migrate import SchemaMigrator
from playhouse.migrations import Migration

from lots.store.engine.database import db, locks_rows
from lots.store.tables.models import SchemaVersion
from lots.store.upkeep.database_handles import NotDone, in_words
from lots.store.upkeep.schema import FILLING, LOCK, VERSION, found_version, require_version

STEPS = Path(__file__).parent / "migrations"
# How long one migration waits for another: as long as a large table may take, ms.
_PATIENCE_MS = 3_600_000


def migrate(before: Callable[[int], None], steps: Path = STEPS, newest: int = VERSION) -> list[str]:
    """Returns the names of the steps that were taken; none when the database had the newest schema already.

    Args:
        before: called once with the version there is, before anything is changed and while nobody else can change it; for a copy.
        steps: the folder of steps, each in a file whose number is the version it leads to.
        newest: the version to end with.

    Raises:
        NotDone: no step leads on from this version, or one failed. The steps before it are taken, of it nothing is left.
        lots.store.upkeep.schema.WrongSchema: a newer version, or other tables, or a move has not ended.

    Notes:
        Each step is one transaction, in which the version is read again. So of two who migrate at once the second waits, and then finds
        nothing to do. The database is open and has tables.
    """
    by_version = {step.idx: step for step in Migration.load_directory(steps)}
    taken: list[str] = []
    with _one_at_a_time():
        begun = found = _version(newest)
        while found < newest:
            step = by_version.get(found + 1)
            if step is None:
                raise NotDone(f"No step leads from schema version {found} to {found + 1}.")
            if _take(step, newest, before if found == begun else _nothing):
                taken.append(step.name)
            found = _version(newest)
    return taken


def _version(newest: int) -> int:
    found = found_version(db)
    if found is None:
        raise NotDone("The database has no tables.")
    if found > newest or found == FILLING:
        require_version(found, newest)
    return found


def _nothing(_found: int) -> None:
    """The copy was made before the first step."""


def _take(step: Migration, newest: int, before: Callable[[int], None]) -> bool:
    """Takes a step, or none of it; False when somebody else had taken it by the time that nobody else could."""
    up = step.load().up
    migrator = SchemaMigrator.from_database(db.obj)
    with in_words(f"Step {step.name} failed, and nothing of it is left"), migrator.migration_context():
        found = _version(newest)
        if found != step.idx - 1:
            return False
        before(found)
        up(migrator, db.obj)
        if not locks_rows() and db.execute_sql("PRAGMA foreign_key_check").fetchone():
            raise NotDone(f"Step {step.name} would leave rows that refer to none, so nothing of it is left.")
        SchemaVersion.update(version=step.idx).execute()
    return True


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """PostgreSQL lets one at a time in. SQLite takes its write lock with each step; one who waits for it must only be patient."""
    if not locks_rows():
        db.execute_sql(f"PRAGMA busy_timeout = {_PATIENCE_MS}")
        yield
        return
    db.execute_sql("SELECT pg_advisory_lock(%s)", (LOCK,))
    try:
        yield
    finally:
        db.execute_sql("SELECT pg_advisory_unlock(%s)", (LOCK,))
