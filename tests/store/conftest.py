"""Databases without tables."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from lots.store.engine import database


@pytest.fixture
def empty_url(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a database without tables, for each engine."""
    if engine == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.sqlite3'}"
        database.close()
        return
    # Requested first, because it skips the test without a server.
    server = request.getfixturevalue("postgres_url")
    import psycopg

    name = f"lots_empty_{os.getpid()}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    yield f"{server.rpartition('/')[0]}/{name}"
    database.close()
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
