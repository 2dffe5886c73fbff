"""`lots check`."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lots.store.engine import database
from tests.api.bodies import Furnished
from tests.changes import Change
from tests.commands import lots
from tests.shop import Shop


@pytest.fixture
def engine() -> str:
    """SQLite alone: the command's output is equal; its findings are tested elsewhere."""
    return "sqlite"


@pytest.fixture
def url(shop: Shop) -> dict[str, str]:
    """The variable that names the database of a shop with a lot."""
    Change(Furnished(shop), "/v1/suppliers/{number}").make()
    return {"LOTS_DATABASE": f"sqlite:///{database.db.database}"}


@contextmanager
def by_hand(url: dict[str, str]) -> Iterator[sqlite3.Connection]:
    """A direct connection to the database."""
    other = sqlite3.connect(url["LOTS_DATABASE"].removeprefix("sqlite:///"), isolation_level=None)
    try:
        yield other
    finally:
        other.close()


def test_a_clean_shop_ends_with_status_0(tmp_path: Path, url: dict[str, str]) -> None:
    """A clean shop has no finding, status 0, and the examined numbers on standard error."""
    done = lots("check", folder=tmp_path, **url)
    assert (0, "") == (done.returncode, done.stdout)
    assert "1 lot and 17 entries of the history checked: no errors." in done.stderr


def test_a_finding_is_a_line_and_ends_with_status_1(tmp_path: Path, url: dict[str, str]) -> None:
    """A finding is a line with lot, supplier's number and entry, and status 1."""
    with by_hand(url) as other:
        other.execute("UPDATE reading SET note = 'edited' WHERE id = 2")
    done = lots("check", folder=tmp_path, **url)
    assert (1, "lot Q-71 (1), entry 3: reading 2 was edited.\n") == (done.returncode, done.stdout)
    assert "checked: 1 error." in done.stderr


def test_it_may_run_while_somebody_writes(tmp_path: Path, url: dict[str, str]) -> None:
    """While a server holds the write lock neither waits, and uncommitted changes are not seen."""
    with by_hand(url) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("UPDATE reading SET note = 'edited' WHERE id = 2")
        done = lots("check", folder=tmp_path, **url)
        other.execute("ROLLBACK")
    assert (0, "") == (done.returncode, done.stdout), done.stderr


def test_heads_are_printed_and_compared(tmp_path: Path, url: dict[str, str]) -> None:
    """Noted heads agree while histories grow, and not after one was truncated with its head."""
    printed = lots("check", "--heads", folder=tmp_path, **url)
    assert 0 == printed.returncode, printed.stderr
    assert ["shop 14", "lot:1 3"] == [line.rpartition(" ")[0] for line in printed.stdout.splitlines()]
    (tmp_path / "heads.txt").write_text(printed.stdout)
    assert 0 == lots("token", "add", "Ilse", "--role", "quality", folder=tmp_path, **url).returncode
    assert 0 == lots("check", "--noted", "heads.txt", folder=tmp_path, **url).returncode
    with by_hand(url) as other:
        other.execute("DELETE FROM event WHERE chain = 'lot:1' AND number = 3")
        other.execute(
            "UPDATE chain SET length = 2, head = (SELECT hash FROM event WHERE chain = 'lot:1' AND number = 2)"
        )
    done = lots("check", "--noted", "heads.txt", "--heads", folder=tmp_path, **url)
    assert 1 == done.returncode
    assert "lot Q-71 (1), entry 3: entry 3 differs from the noted one.\n" in done.stdout
    assert not [line for line in done.stdout.splitlines() if line.startswith("lot:1 ")]


@pytest.mark.parametrize("text", ["", "heads\n", "shop 1 xyz\n", f"lot:x 1 {'0' * 64}\n"])
def test_a_file_without_heads_is_wrong_usage(tmp_path: Path, url: dict[str, str], text: str) -> None:
    """A file that is no list of heads is refused with status 2 before the check."""
    (tmp_path / "heads.txt").write_text(text)
    done = lots("check", "--noted", "heads.txt", folder=tmp_path, **url)
    assert (2, "") == (done.returncode, done.stdout)
    assert "head" in done.stderr


def test_rebuild_puts_right_what_follows_from_the_rest(tmp_path: Path, url: dict[str, str]) -> None:
    """Rebuilt values are printed, no longer status 1, and in the history."""
    with by_hand(url) as other:
        other.execute("UPDATE lot SET standing = 'blocked', flow_factor = 2.0")
    done = lots("check", "--rebuild", folder=tmp_path, **url)
    says = "lot Q-71 (1): standing, flow factor do not follow from its readings. Recalculated.\n"
    assert (0, says) == (done.returncode, done.stdout)
    assert 0 == lots("check", folder=tmp_path, **url).returncode
    with by_hand(url) as other:
        (last,) = other.execute("SELECT what, by FROM event ORDER BY id DESC LIMIT 1")
        assert ("summaries recomputed", "command line") == last
        assert [("released", 1.0)] == other.execute("SELECT standing, flow_factor FROM lot").fetchall()
