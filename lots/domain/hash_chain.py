"""A hash chain. Each entry covers the one before, so an edited, deleted, inserted or moved entry is detected.

A chain that was rewritten as a whole, with its head, is valid. Only a copy of the head kept elsewhere reveals that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

# The `previous` of the first entry of a chain.
BEGINNING = "0" * 64


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry as read from the store. `verify` checks it; this class checks nothing.

    Args:
        chain: name of the history, such as `lot:7`.
        number: position in the chain, from 1 without gaps.
        at: time, as text.
        by: name of the person.
        what: the action, in a phrase.
        content: the rows that were written, with their digests; any JSON value.
        previous: hash of the entry before, BEGINNING for the first.
        hash: hash of this entry.
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
    """A break in a chain: the number of the entry, and the fault in words."""

    number: int
    says: str


def canonical(value: Any) -> str:
    r"""Returns the canonical JSON of a value: names sorted, no blanks, ASCII only.

    Args:
        value: any JSON value. A float is written with the fewest digits that restore it.

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
    """Returns the correct hash of an entry. It covers every other field, including the hash of the entry before.

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
    """Returns every break of a chain in order, an empty list for a valid chain.

    Args:
        entries: all of one chain, by ascending number.
        length: number of entries, as stored separately; None when not stored.
        head: hash of the last entry, as stored separately.

    Notes:
        An edited entry alone is reported, since later entries still continue its old hash. If its hash was recomputed too, the next entry or
        the head reveals it.

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
            found.append(Break(entry.number, f"entry {entry.number} was inserted: its number was already used"))
        elif entry.previous != before:
            found.append(Break(entry.number, _not_continued(entry.number)))
        if hash_of(entry) != entry.hash:
            found.append(Break(entry.number, f"entry {entry.number} was edited: its content does not match its hash"))
        expected, before = entry.number + 1, entry.hash
    last = expected - 1
    if length is None or head is None:
        found.append(Break(last, "the length and the head of the history are missing"))
    elif length > last:
        found.append(_missing(expected, length))
    elif length < last:
        found.append(Break(length + 1, f"{_entries(length + 1, last)} inserted: the history has {length}"))
    elif head != before:
        found.append(Break(last, f"entry {last} was replaced: its hash is not the head of the history"))
    return found


def _missing(first: int, last: int) -> Break:
    return Break(first, f"{_entries(first, last)} deleted")


def _entries(first: int, last: int) -> str:
    return f"entry {first} was" if first == last else f"entries {first} to {last} were"


def _not_continued(number: int) -> str:
    if number == 1:
        return "entry 1 was replaced: it does not begin the history"
    return f"entry {number} does not continue entry {number - 1}: one of the two was replaced"
