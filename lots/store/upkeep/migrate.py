"""Upgrades an older database to the schema of this program, step by step."""

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
# Longest wait of one migration for another, which may rebuild a large table, ms.
_PATIENCE_MS = 3_600_000


def migrate(before: Callable[[int], None], steps: Path = STEPS, newest: int = VERSION) -> list[str]:
    """Runs the missing steps on an open database and returns their names.

    Args:
        before: called once with the current version before the first change, while the database is locked; makes a copy.
        steps: the folder of steps. The number of each file is the version after it.
        newest: the final version.

    Raises:
        NotDone: a step is missing or failed. A failed step is rolled back, earlier steps stay.
        lots.store.upkeep.schema.WrongSchema: a newer version, other tables, or an unfinished move.

    Notes:
        Each step is one transaction, which reads the version again. A concurrent migration waits, and then has nothing to do.
    """
    by_version = {step.idx: step for step in Migration.load_directory(steps)}
    taken: list[str] = []
    with _migration_lock():
        begun = found = _version(newest)
        while found < newest:
            step = by_version.get(found + 1)
            if step is None:
                raise NotDone(f"No step leads from schema version {found} to {found + 1}. Install this program again.")
            if _run_step(step, newest, before if found == begun else _no_copy):
                taken.append(step.name)
            found = _version(newest)
    return taken


def _version(newest: int) -> int:
    found = found_version(db)
    if found is None:
        raise NotDone("The database has no tables. Check LOTS_DATABASE.")
    if found > newest or found == FILLING:
        require_version(found, newest)
    return found


def _no_copy(_found: int) -> None:
    """Does nothing. The copy was made before the first step."""


def _run_step(step: Migration, newest: int, before: Callable[[int], None]) -> bool:
    """Runs a step in one transaction. Returns False when a concurrent migration has already run it."""
    up = step.load().up
    migrator = SchemaMigrator.from_database(db.obj)
    with in_words(f"Step {step.name} failed and was rolled back"), migrator.migration_context():
        found = _version(newest)
        if found != step.idx - 1:
            return False
        before(found)
        up(migrator, db.obj)
        if not locks_rows() and db.execute_sql("PRAGMA foreign_key_check").fetchone():
            raise NotDone(f"Step {step.name} would break foreign keys and was rolled back. Run lots check.")
        SchemaVersion.update(version=step.idx).execute()
    return True


@contextmanager
def _migration_lock() -> Iterator[None]:
    """Allows one migration at a time: by an advisory lock of PostgreSQL, or by SQLite's write lock with a long busy timeout."""
    if not locks_rows():
        db.execute_sql(f"PRAGMA busy_timeout = {_PATIENCE_MS}")
        yield
        return
    db.execute_sql("SELECT pg_advisory_lock(%s)", (LOCK,))
    try:
        yield
    finally:
        db.execute_sql("SELECT pg_advisory_unlock(%s)", (LOCK,))
