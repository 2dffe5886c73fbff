"""Follows the feed of changes, as a program does."""

from __future__ import annotations

from typing import Any

from tests.shop import Shop


def followed(shop: Shop, query: str = "", after: str = "", limit: int = 500) -> list[dict[str, Any]]:
    """Every change after a position, page by page, as the role of programs."""
    found: list[dict[str, Any]] = []
    path = f"/changes?limit={limit}{query}{f'&after={after}' if after else ''}"
    while path:
        page = shop.get("integration", path)
        found += page["items"]
        path = page["next"] and page["next"].removeprefix("/v1")
    return found


def latest(shop: Shop) -> str:
    """The newest position."""
    after: str = shop.get("integration", "/changes?after=latest")["after"]
    return after


def kinds_since(shop: Shop, after: str) -> list[str]:
    """The kinds of the changes after a position."""
    return [change["kind"] for change in followed(shop, after=after)]


def replayed(changes: list[dict[str, Any]]) -> tuple[dict[int, dict[str, Any]], dict[int, dict[str, Any]]]:
    """The state of a program that follows the feed from the beginning: lot -> its state, open load -> its state.

    Each previous state must be the one announced last.
    """
    lots: dict[int, dict[str, Any]] = {}
    loads: dict[int, dict[str, Any]] = {}
    for change in changes:
        kind, before = change["kind"], change["before"]
        if kind.startswith("lot."):
            known = lots.get(change["lot_id"])
            assert (known and known["standing"]) == (before and before["standing"]), change
            assert kind == f"lot.{change['after']['standing']}"
            lots[change["lot_id"]] = change["after"]
        elif kind == "spool.loaded":
            loads[change["load_id"]] = change["after"]
        elif kind == "spool.unloaded":
            assert loads.pop(change["load_id"]) == before
    return lots, loads


def stands_as_told(shop: Shop) -> None:
    """Asserts that the replayed feed gives the statuses and open loads of the shop. Verdicts count for loadable lots."""
    lots, loads = replayed(followed(shop))
    kept = {row["id"]: row for row in shop.get("quality", "/lots?limit=500")["items"]}
    assert {number: row["standing"] for number, row in kept.items()} == {
        number: state["standing"] for number, state in lots.items()
    }
    for number, state in lots.items():
        if state["standing"] in ("released", "restricted"):
            assert kept[number]["uses"] == state["uses"]
    names = ("machine", "job", "use", "spool_code")
    running = shop.get("production", "/loads?open=true&limit=500")["items"]
    assert {row["id"]: {name: row[name] for name in names} for row in running} == loads
