"""A hash chain: each entry covers the one before, so that none can be edited, taken out, put in or moved without it showing.

What it does not show: somebody who writes every entry anew, and the head with them, makes another chain that is whole. A head
that was noted elsewhere shows that too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

# What the first entry of a chain continues.
BEGINNING = "0" * 64


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry as it was read. Nothing is refused here: whether it is right is what `verify` says.

    Args:
        chain: whose history it is.
        number: its place in the chain, from 1 without gaps.
        at: when, as text.
        by: who.
        what: what was done, in a phrase.
        content: which rows were written, with their digests; anything JSON can say.
        previous: hash of the entry before, BEGINNING for the first.
        hash: its own.
    """

    chain: str
    number: int
    at: str
    by: str
    what: str
    content: Any
    previous: str
    hash: str


@dataclass(frozen=True, slots=True)
class Break:
    """A place where a chain is not whole: the number of the entry, and what is wrong with it in words."""

    number: int
    says: str


def canonical(value: Any) -> str:
    r"""Returns the one way in which a value is written as JSON: names sorted, no blanks, ASCII alone.

    Args:
        value: anything JSON can say. A fraction is written with the fewest digits that give it back.

    Raises:
        ValueError: NaN or an infinity, which JSON does not have.

    Example:
        >>> canonical({"b": [1.0, None], "a": "é"})
        '{"a":"\\u00e9","b":[1.0,null]}'
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)


def digest(value: Any) -> str:
    """Returns the SHA-256 of a value's canonical JSON, 64 hexadecimal digits.

    Reference:
        FIPS 180-4 (2015), section 6.2.

    Example:
        >>> digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
        True
    """
    return hashlib.sha256(canonical(value).encode()).hexdigest()


def hash_of(entry: Entry) -> str:
    """Returns what the hash of an entry must be: of all it says, the hash of the entry before included.

    Example:
        >>> first = entry_after(None, "lot:7", "2026-11-25T12:00:00.000000Z", "Ansel", "decision made", {})
        >>> hash_of(first) == first.hash
        True
    """
    names = ("chain", "number", "at", "by", "what", "content", "previous")
    return digest({name: getattr(entry, name) for name in names})


def entry_after(last: tuple[int, str] | None, chain: str, at: str, by: str, what: str, content: Any) -> Entry:
    """Returns the next entry of a chain.

    Args:
        last: number and hash of the entry before, None at the beginning.
        chain, at, by, what, content: see `Entry`.

    Example:
        >>> entry_after(None, "lot:7", "2026-11-25T12:00:00.000000Z", "Ansel", "decision made", {}).number
        1
    """
    number, previous = last or (0, BEGINNING)
    bare = Entry(chain, number + 1, at, by, what, content, previous, "")
    return Entry(chain, number + 1, at, by, what, content, previous, hash_of(bare))


def verify(entries: Iterable[Entry], length: int | None, head: str | None) -> list[Break]:
    """Returns every place where a chain is not whole, in order; none when it is.

    Args:
        entries: all of one chain, by ascending number.
        length: how many entries the chain has, as kept beside it; None when nothing is.
        head: hash of its last entry, as kept beside it.

    Notes:
        An entry that was edited is named alone, as those after it still continue what it was. One that was edited and given the hash of
        its new content is found by the entry after it, or by the head.

    Example:
        >>> one = entry_after(None, "lot:7", "2026-11-25T12:00:00.000000Z", "Ansel", "decision made", {})
        >>> verify([one], 1, one.hash), [flaw.number for flaw in verify([], 1, one.hash)]
        ([], [1])
    """
    found: list[Break] = []
    expected, before = 1, BEGINNING
    for entry in entries:
        if entry.number > expected:
            found.append(_missing(expected, entry.number - 1))
        elif entry.number < expected:
            found.append(Break(entry.number, f"entry {entry.number} was put in: its number was not free"))
        elif entry.previous != before:
            found.append(Break(entry.number, _not_continued(entry.number)))
        if hash_of(entry) != entry.hash:
            found.append(Break(entry.number, f"entry {entry.number} was edited: what it says does not give its hash"))
        expected, before = entry.number + 1, entry.hash
    last = expected - 1
    if length is None or head is None:
        found.append(Break(last, "the length and the head of the history are missing"))
    elif length > last:
        found.append(_missing(expected, length))
    elif length < last:
        found.append(Break(length + 1, f"{_entries(length + 1, last)} put in: the history has {length}"))
    elif head != before:
        found.append(Break(last, f"entry {last} was replaced: the head of the history is another hash"))
    return found


def _missing(first: int, last: int) -> Break:
    return Break(first, f"{_entries(first, last)} taken out")


def _entries(first: int, last: int) -> str:
    return f"entry {first} was" if first == last else f"entries {first} to {last} were"


def _not_continued(number: int) -> str:
    if number == 1:
        return "entry 1 was replaced: it does not begin the history"
    return f"entry {number} does not continue entry {number - 1}: one of the two was replaced"
