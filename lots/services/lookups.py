"""Rows found by number or code, and the errors for those that do not exist."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from typing import Literal, TypeAlias, overload

from lots.domain.code_identity import has_control
from lots.domain.words import listed, moment
from lots.services.errors import Fault, NotFound, quoted
from lots.store.assessment import lots
from lots.store.setup import catalog, spool_codes
from lots.store.tables.models import Grade, Instrument, Lot, Shade, Spool, Supplier

# A row of the catalogue, which requests name by number or code.
Subject: TypeAlias = Supplier | Shade | Grade | Instrument

# The longest code.
_NAME = 200


def unknown(subject: str, number: int) -> str:
    """Returns the sentence that a record does not exist, and where to look.

    Example:
        >>> unknown("grade", 7)
        'Grade 7 does not exist. See the list of grades.'
    """
    fault = unknown_at("", subject, number)
    return f"{fault.detail} {fault.hint}"


def unknown_at(pointer: str, subject: str, number: int) -> Fault:
    """Returns the fault of a field that names a missing record."""
    return Fault(pointer, f"{subject.capitalize()} {number} does not exist.", f"See the list of {subject}s.")


@overload
def found(subject: Literal["supplier"], number: int) -> Supplier: ...
@overload
def found(subject: Literal["shade"], number: int) -> Shade: ...
@overload
def found(subject: Literal["grade"], number: int) -> Grade: ...
@overload
def found(subject: Literal["instrument"], number: int) -> Instrument: ...
@overload
def found(subject: str, number: int) -> Subject: ...
def found(subject: str, number: int) -> Subject:
    """Returns a row by number.

    Raises:
        NotFound: it does not exist.
    """
    row: Subject | None = catalog.find(subject, number)
    if row is None:
        raise NotFound(unknown(subject, number))
    return row


@overload
def by_id_or_code(
    subject: Literal["supplier"], number: int | None, code: str | None
) -> tuple[Supplier | None, list[Fault]]: ...
@overload
def by_id_or_code(
    subject: Literal["shade"], number: int | None, code: str | None
) -> tuple[Shade | None, list[Fault]]: ...
@overload
def by_id_or_code(
    subject: Literal["grade"], number: int | None, code: str | None
) -> tuple[Grade | None, list[Fault]]: ...
@overload
def by_id_or_code(
    subject: Literal["instrument"], number: int | None, code: str | None
) -> tuple[Instrument | None, list[Fault]]: ...
@overload
def by_id_or_code(subject: str, number: int | None, code: str | None) -> tuple[Subject | None, list[Fault]]: ...
def by_id_or_code(subject: str, number: int | None, code: str | None) -> tuple[Subject | None, list[Fault]]:
    """Returns the row that a request names by number or code, or a fault."""
    row: Subject | None
    if number is not None:
        row = catalog.find(subject, number)
        return row, [] if row else [unknown_at(f"/{subject}_id", subject, number)]
    if code is None:
        hint = "Give its number or its code."
        return None, [Fault(f"/{subject}_id", f"The {subject} is missing.", hint)]
    row = catalog.find_by_code(subject, code)
    if row:
        return row, []
    near = get_close_matches(code.upper()[:_NAME], catalog.codes(subject), n=3, cutoff=0.6)
    hint = f"Did you mean {listed(near, 'or')}?" if near else f"See the list of {subject}s."
    return None, [Fault(f"/{subject}_code", f"The {subject} {quoted(code)} does not exist.", hint)]


def lot_of(number: int) -> Lot:
    """Returns a lot by number.

    Raises:
        NotFound: it does not exist.
    """
    row = lots.find(number)
    if row is None:
        raise NotFound(unknown("lot", number))
    return row


def spool_of(code: str, find: Callable[[str], Spool | None] = lots.spool) -> Spool:
    """Returns the spool with a code, as `find` looks it up: by the exact code first, then by its identity.

    Raises:
        NotFound: no spool has this code. Similar codes are proposed.
    """
    # A path can contain a control character, a code cannot.
    row = None if has_control(code) else find(code)
    if row is None:
        like = [] if has_control(code) or len(code) > _NAME else spool_codes.similar(code)
        unknown = "Do not load it. Take it to receiving."
        meant = f"Did you mean {' or '.join(like)}?" if like else unknown
        named = [{"code": one} for one in like]
        raise NotFound(f"Spool {quoted(code)} does not exist. {meant}", candidates=named)
    return row


def withdrawn(spool: Spool) -> str:
    """Returns the sentence that a spool was withdrawn."""
    when = f" on {moment(spool.withdrawn_at)}" if spool.withdrawn_at else ""
    return f"Spool {spool.code} was withdrawn{when}, when its delivery was corrected."
