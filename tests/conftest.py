"""The shop in a test: an application on an empty database of either engine, and a person of each role."""

from __future__ import annotations

import os
import shutil
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests import examples  # noqa: F401  # its profile of hypothesis

# The application is imported by the fixtures that need it: tests of the rules start in a third of the time without.
if TYPE_CHECKING:
    from flask import Flask

    from lots.settings import Settings
    from tests.shop import Shop

POSTGRES = "LOTS_TEST_POSTGRES"


@pytest.hookimpl(wrapper=True)
def pytest_collect_file() -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """Collects doctests of the package alone."""
    return [one for one in (yield) if type(one) is pytest.Module]


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """In the whole check (LOTS_TEST_NO_SKIPS) a skipped test fails."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("LOTS_TEST_NO_SKIPS"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which is not allowed here: {report.longrepr}"


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """A new database on the server that LOTS_TEST_POSTGRES names."""
    server = os.environ.get(POSTGRES)
    if not server:
        pytest.skip(f"needs PostgreSQL: set {POSTGRES}=postgresql://user@host/postgres")
    import psycopg

    name = f"lots_test_{os.getpid()}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
        # A time zone that is not UTC, so that a time kept without its offset would show.
        admin.execute(f"ALTER DATABASE {name} SET timezone TO 'Pacific/Chatham'")
    yield f"{server.rpartition('/')[0]}/{name}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """An empty database with a token for every role, made once and copied for every test."""
    from lots.store.engine import database

    path = tmp_path_factory.mktemp("template") / "empty.sqlite3"
    tokens = _prepared(f"sqlite:///{path}")
    database.connect()
    database.db.execute_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.disconnect()
    return path, tokens


def _empty() -> None:
    """Deletes all rows of a PostgreSQL database, and restarts numbers at 1.

    Emptying only tables with rows takes a tenth of the time of TRUNCATE on all, which gives each and its indexes new files.
    """
    from lots.store.engine import database
    from lots.store.tables.models import TABLES
    from lots.store.upkeep import schema

    present = set(database.db.get_tables())
    tables = [table for table in TABLES if table._meta.table_name in present]
    # Rules between tables rest meanwhile, so that these can be emptied in any order.
    database.db.execute_sql("SET session_replication_role = replica")
    for table in tables:
        table.delete().execute()
    database.db.execute_sql("SELECT setval(oid, 1, false) FROM pg_class WHERE relkind = 'S'")
    database.db.execute_sql("SET session_replication_role = origin")
    if tables:
        schema.SchemaVersion.create(version=schema.VERSION)


def _prepared(url: str) -> dict[str, str]:
    from lots.app import prepare_database
    from lots.services.setup import access, roles
    from lots.store.engine import database

    prepare_database(url)
    database.connect()
    tokens = {role: access.add_token(f"{role} person", role) for role in roles.ROLES}
    database.disconnect()
    return tokens


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def engine(request: pytest.FixtureRequest) -> str:
    """Each of the two engines in turn."""
    return request.param


@pytest.fixture
def settings_and_tokens(
    engine: str, request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[tuple[Settings, dict[str, str]]]:
    """Settings for an empty database, and a token for every role."""
    from lots.settings import Settings
    from lots.store.engine import database

    if engine == "postgresql":
        url = request.getfixturevalue("postgres_url")
        database.open_database(url)
        database.connect()
        _empty()
        database.disconnect()
        tokens = _prepared(url)
    else:
        template, tokens = request.getfixturevalue("sqlite_template")
        path = tmp_path / "shop.sqlite3"
        shutil.copy(template, path)
        url = f"sqlite:///{path}"
    yield Settings(database=url), tokens
    database.close()


# Making an application takes longer than most tests, so one serves them all, each time on another database. What it remembers of callers
# is forgotten in between. A module that counts, logs or sets up the application otherwise says FRESH_APP = True and gets its own.
_SHARED: list[Flask] = []


@pytest.fixture
def app(settings_and_tokens: tuple[Settings, dict[str, str]], request: pytest.FixtureRequest) -> Flask:
    """The application on an empty database."""
    from lots.api.http.throttle import WrongTokens
    from lots.app import create_app, prepare_database
    from lots.services.setup import access

    settings, _ = settings_and_tokens
    if getattr(request.module, "FRESH_APP", False):
        return create_app(settings)
    if not _SHARED:
        _SHARED.append(create_app(settings))
    shared = _SHARED[0]
    prepare_database(settings.database)
    shared.extensions["wrong_tokens"] = WrongTokens()
    shared.extensions["token_uses"] = access.Uses()
    return shared


@pytest.fixture
def shop(app: Flask, settings_and_tokens: tuple[Settings, dict[str, str]]) -> Shop:
    """The shop without set-up: actions with defaults, so that a test states only its subject."""
    from tests.shop import Shop

    _, tokens = settings_and_tokens
    return Shop(app, tokens)
