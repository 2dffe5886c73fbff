"""Positions of the feed stay valid after a move or a restore."""

from datetime import UTC, datetime

import pytest

from lots.services.documents import changes
from lots.store.engine import database
from lots.store.upkeep.backup import backup, restore
from lots.store.upkeep.transfer import move
from tests.feed import followed, latest
from tests.store.copies import new_postgres
from tests.store.rows import connected


@pytest.fixture
def engine():
    """SQLite alone as the source; tests choose the target."""
    return "sqlite"


def told_after(position):
    """The changes after a position in the present database."""
    with connected():
        return [change["id"] for change in changes.read(position, 500).items]


def lived(shop, settings_and_tokens):
    """The address of the shop, its changes, and a position among them."""
    delivery = shop.good_lot()
    middle = latest(shop)
    shop.load(delivery["spools"][0]["code"])
    shop.decide(delivery["lot_id"], "block")
    every = [change["id"] for change in followed(shop)]
    return settings_and_tokens[0].database, every, middle


def test_after_a_restore(shop, settings_and_tokens, tmp_path):
    """After a restore the same changes follow, from the beginning and from a position."""
    url, every, middle = lived(shop, settings_and_tokens)
    backup(url, tmp_path / "kept.sqlite3")
    other = f"sqlite:///{tmp_path / 'other.sqlite3'}"
    restore(other, tmp_path / "kept.sqlite3", datetime.now(UTC))
    database.open_database(other)
    assert every == told_after("0.0")
    assert every[every.index(middle) + 1 :] == told_after(middle)


@pytest.mark.postgresql
def test_after_a_move_to_postgresql(shop, settings_and_tokens, postgres_url):
    """After a move to PostgreSQL the same changes follow, and later ones after them."""
    url, every, middle = lived(shop, settings_and_tokens)
    with new_postgres(postgres_url, "feed") as target:
        move(url, target)
        database.open_database(target)
        assert every == told_after("0.0")
        assert every[every.index(middle) + 1 :] == told_after(middle)
        shop.decide(1, "lift")
        (new,) = told_after(every[-1])
        assert int(new.split(".")[0]) > int(every[-1].split(".")[0])
        assert new == latest(shop)
