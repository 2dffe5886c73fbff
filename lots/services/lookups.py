"""Rows found by number or code, or the refusal that says what does not exist."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from typing import Any

from lots.domain.code_identity import has_control
from lots.domain.words import moment
from lots.services.errors import Fault, NotFound, quoted
from lots.store.assessment import lots
from lots.store.setup import catalog, spool_codes

# A code is compared with those there are by so much of it; none is longer.
_NAME = 200


def found(subject: str, number: int) -> Any:
    """Returns a row by number.

    Raises:
        NotFound: there is none.
    """
    row = catalog.find(subject, number)
    if row is None:
        raise NotFound(f"There is no {subject} {number}. The list of {subject}s has those there are.")
    return row


def by_id_or_code(subject: str, number: int | None, code: str | None) -> tuple[Any, list[Fault]]:
    """Returns the row a request refers to, or the fault of referring to none."""
    if number is not None:
        row = catalog.find(subject, number)
        return row, [] if row else [
            Fault(f"/{subject}_id", f"There is no {subject} {number}.", f"The list of {subject}s has those there are.")
        ]
    if code is None:
        return None, [
            Fault(
                f"/{subject}_id",
                f"Which {subject}?",
                f"Give {subject}_id, or {subject}_code as it stands on the packing slip.",
            )
        ]
    row = catalog.find_by_code(subject, code)
    if row:
        return row, []
    near = get_close_matches(code.upper()[:_NAME], catalog.codes(subject), n=3, cutoff=0.6)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"The list of {subject}s has those there are."
    return None, [Fault(f"/{subject}_code", f"There is no {subject} with the code {quoted(code)}.", hint)]


def lot_of(number: int) -> Any:
    """Returns a lot by number.

    Raises:
        NotFound: there is none.
    """
    row = lots.find(number)
    if row is None:
        raise NotFound(f"There is no lot {number}. The list of lots has those there are.")
    return row


def spool_of(code: str, find: Callable[[str], Any] = lots.spool) -> Any:
    """Returns the spool that a code stands for, as `find` looks it up: by the exact code first, then by its identity.

    Raises:
        NotFound: there is none; codes that differ by separators, or that this one may be misread for, are proposed.
    """
    # A control character can stand in a path but in no code.
    row = None if has_control(code) else find(code)
    if row is None:
        like = [] if has_control(code) or len(code) > _NAME else spool_codes.similar(code)
        unknown = "Do not load it: a spool without a record has no verdict. Take it to receiving."
        meant = f"Did you mean {' or '.join(like)}?" if like else unknown
        named = [{"code": one} for one in like]
        raise NotFound(f"There is no spool with the code {quoted(code)}. {meant}", candidates=named)
    return row


def withdrawn(spool: Any) -> str:
    """Returns in words that a spool counts for nothing any more."""
    return f"Spool {spool.code} was withdrawn {moment(spool.withdrawn_at)}, when its delivery was corrected."
