"""The `lots` command."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from tests.commands import as_process, lots


@pytest.fixture
def database(tmp_path: Path) -> dict[str, str]:
    """The variable that names an empty database in the test's folder."""
    return {"LOTS_DATABASE": f"sqlite:///{tmp_path}/lots.sqlite3"}


def test_token_add_prints_the_token_alone_and_keeps_its_hash(tmp_path: Path, database: dict[str, str]) -> None:
    """Standard output is the token, and the database has only its SHA-256."""
    done = as_process("token", "add", "Perpetua", "--role", "receiving", folder=tmp_path, **database)
    token = done.stdout.strip()
    assert (0, 1) == (done.returncode, len(done.stdout.split()))
    stored = sqlite3.connect(tmp_path / "lots.sqlite3")
    assert [("Perpetua", "receiving", hashlib.sha256(token.encode()).hexdigest())] == list(
        stored.execute("SELECT name, role, hash FROM token")
    )
    stored.close()
    assert token.encode() not in b"".join(path.read_bytes() for path in tmp_path.iterdir())


def test_a_name_is_used_once(tmp_path: Path, database: dict[str, str]) -> None:
    """A second token of one name is refused with status 1 and the reason."""
    lots("token", "add", "Perpetua", "--role", "receiving", folder=tmp_path, **database)
    again = lots("token", "add", "Perpetua", "--role", "admin", folder=tmp_path, **database)
    assert 1 == again.returncode
    assert "" == again.stdout
    assert "Perpetua" in again.stderr


def test_a_revoked_token_is_listed_as_such(tmp_path: Path, database: dict[str, str]) -> None:
    """A revoked token stays in the list, marked."""
    lots("token", "add", "Corin", "--role", "production", folder=tmp_path, **database)
    assert 0 == lots("token", "revoke", "Corin", folder=tmp_path, **database).returncode
    assert "revoked" in lots("token", "list", folder=tmp_path, **database).stdout
    assert 1 == lots("token", "revoke", "Corin", folder=tmp_path, **database).returncode


@pytest.mark.parametrize(
    "arguments", [("token", "add", "X", "--role", "owner"), ("token", "add"), ("paint",), ("serve", "--port", "0")]
)
def test_wrong_usage_ends_with_status_2(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """An unknown or missing word is status 2 with help on standard error."""
    done = lots(*arguments, folder=tmp_path)
    assert (2, "") == (done.returncode, done.stdout)
    assert done.stderr


def test_bad_settings_end_with_status_2_in_one_line(tmp_path: Path) -> None:
    """A misspelt setting is status 2 in one line without a traceback."""
    done = lots("serve", folder=tmp_path, LOTS_PORT="http")
    assert 2 == done.returncode
    assert 1 == len(done.stderr.splitlines())


def test_a_database_of_something_else_is_refused(tmp_path: Path, database: dict[str, str]) -> None:
    """Tables of another program are unchanged, with status 1."""
    other = sqlite3.connect(tmp_path / "lots.sqlite3")
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    done = lots("token", "list", folder=tmp_path, **database)
    assert 1 == done.returncode
    assert "other tables" in done.stderr


@pytest.mark.thorough
def test_the_demo_tells_its_story_from_pallet_to_refused_load(tmp_path: Path) -> None:
    """The demo prints its story with a token per role, and leaves a database for the command."""
    done = as_process("demo", "--no-serve", folder=tmp_path)
    assert 0 == done.returncode, done.stderr
    for part in ("Status: in quarantine", "This looks like inches", "is blocked", "Do not load", "Load."):
        assert part in done.stdout
    for role in ("RECEIVING", "QUALITY", "PURCHASING", "PRODUCTION", "ADMIN"):
        assert f"export {role}=" in done.stdout
    assert "to rebuild it and serve it at http://127.0.0.1:" in done.stdout
    assert "export API=http://127.0.0.1:" in done.stdout
    listed = lots("token", "list", folder=tmp_path, LOTS_DATABASE=f"sqlite:///{tmp_path}/.demo/shop.sqlite3")
    assert 5 == len(listed.stdout.splitlines())
