"""The change feed: every change in the order of its commit, for other programs to follow."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from lots.domain.production.changes import CODES, KINDS, NUMBERS
from lots.services.errors import Fault, Invalid
from lots.services.views import View
from lots.store.changes import feed
from lots.store.changes.feed import Told

__all__ = ["KINDS", "LATEST", "Position", "Slice", "items_of", "read"]

LATEST = "latest"
# Entries that one request searches when it filters by kind.
_LOOKED_THROUGH = 500
_WRITTEN = re.compile(r"(0|[1-9]\d{0,18})\.(0|[1-9]\d{0,5})")


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A position in the feed: the number of an entry, and the index of one of its changes, from 0."""

    entry: int = 0
    part: int = 0

    def __str__(self) -> str:
        """Returns the position as text, the `id` of its change."""
        return f"{self.entry}.{self.part}"

    @staticmethod
    def read(text: str | None) -> Position:
        """Returns the position in a request, or the beginning of the feed without one.

        Raises:
            Invalid: the text is no position of this feed.
        """
        if text is None:
            return Position()
        written = _WRITTEN.fullmatch(text)
        if written is None or int(written[1]) >= 2**63:
            detail = f'"{text}" is not a position of this feed.'
            raise Invalid(
                Fault("after", detail, "Give a position from an earlier answer, the id of a change, or latest.")
            )
        return Position(int(written[1]), int(written[2]))


def unknown(text: str) -> Invalid:
    """Returns the error for a position that is not in the history, such as after an older backup was restored."""
    hint = "Ask with after=latest, and reload your data. An older backup may have been restored."
    return Invalid(Fault("after", f"Change {text} does not exist in the history of this shop.", hint))


@dataclass(frozen=True, slots=True)
class Slice:
    """Changes in their order, the position for the next request, and whether more changes exist."""

    items: list[View]
    after: Position
    more: bool


def read(after: str | None, limit: int, kinds: Collection[str] = ()) -> Slice:
    """Returns the changes after a position. One query; three on PostgreSQL.

    Args:
        after: a position; None for the beginning; LATEST for the newest position, without changes.
        limit: the most changes to return.
        kinds: the kinds to return; empty for all. With kinds, fewer than `limit` changes may be returned although more follow.

    Raises:
        Invalid: the position is malformed, or not in the history.
    """
    if after == LATEST:
        last = feed.newest()
        return Slice([], Position(last.id, len(last.changes) - 1) if last else Position(), more=False)
    position = Position.read(after)
    most = max(limit, _LOOKED_THROUGH if kinds else 0) + 1
    entries = feed.entries(position.entry, most)
    # The entry of the position is read with those after it. An open transaction may hide it for a moment.
    if position.entry and (not entries or entries[0].id != position.entry) and not feed.told_in([position.entry]):
        raise unknown(str(position))
    items: list[View] = []
    for here, change in _after(position, entries):
        if kinds and change["kind"] not in kinds:
            position = here
            continue
        if len(items) == limit:
            return Slice(items, position, more=True)
        items.append(change)
        position = here
    return Slice(items, position, more=len(entries) == most)


def mark() -> str:
    """Returns a text that changes with every entry of the history. One query."""
    number, head = feed.newest_of_all()
    return f"{number} {head}"


def _after(position: Position, entries: list[Told]) -> Iterator[tuple[Position, View]]:
    for entry in entries:
        for here, change in items_of(entry):
            if here > position:
                yield here, change


def items_of(entry: Told) -> list[tuple[Position, View]]:
    """Returns the changes of an entry for the feed, each with its position."""
    return [(Position(entry.id, part), _item(entry, part)) for part in range(len(entry.changes))]


def _item(entry: Told, part: int) -> View:
    change = entry.changes[part]
    named = {name: change.get(name) for name in (*NUMBERS, *CODES)}
    told = {"id": str(Position(entry.id, part)), "entry_id": entry.id, "at": entry.at, "kind": change["kind"]}
    return {**told, "by": entry.by, **named, "before": change["before"], "after": change["after"]}
