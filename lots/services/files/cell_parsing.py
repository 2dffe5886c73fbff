"""One cell of a file as the value it stands for: numbers, truths, times. What JSON would refuse is refused here, with a hint."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

_POINT = re.compile(r"[-+]?[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]{1,3})?")
_COMMA = re.compile(r"[-+]?[0-9]+(,[0-9]+)?([eE][-+]?[0-9]{1,3})?")
_GROUPED = re.compile(r"[-+]?[0-9]{1,3}([,. '_\u00a0\u2009\u202f][0-9]{3})+([.,][0-9]+)?")
_WITH_UNIT = re.compile(r"([-+]?[0-9]+([.,][0-9]+)?)\s*[A-Za-z%°µ/²]+")
_NO_VALUE = {"nan", "inf", "-inf", "+inf", "infinity", "-infinity", "na", "n/a", "null", "none", "-", "--", "?", "#n/a"}
_NO_VALUE |= {"#div/0!", "#value!", "#ref!"}
_NAIVE = re.compile(r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2})(:\d{2}(\.\d{1,6})?)?", re.ASCII)
_SPACED = re.compile(r"(\d{4}-\d{2}-\d{2}) (\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2}))", re.ASCII)
_MOST_DIGITS = 60
TIME_HINT = "Write it like 2026-11-25T14:00:00+01:00, or 2026-11-25T13:00:00Z."


class BadCell(ValueError):
    """A cell that does not hold what its column asks for."""

    def __init__(self, detail: str, hint: str = "") -> None:
        super().__init__(detail)
        self.detail, self.hint = detail, hint


def number(text: str, decimal: str = "point") -> float:
    """Returns the number in a cell; a whole one as an integer.

    Args:
        text: without spaces around it.
        decimal: "point", or "comma" where the file was declared to have decimal commas.

    Raises:
        BadCell: anything else than digits with a sign, a fraction or an exponent.

    Example:
        >>> number("1.748"), number("1,748", "comma"), number("-3")
        (1.748, 1.748, -3)
    """
    if not (_COMMA if decimal == "comma" else _POINT).fullmatch(text):
        raise BadCell(f'"{_short(text)}" is not a number.', _number_hint(text, decimal))
    if len(text) > _MOST_DIGITS:
        raise BadCell("This number has too many digits.")
    plain = text.replace(",", ".")
    if plain.lstrip("+-").isdigit():
        return int(plain)
    value = float(plain)
    if value in (float("inf"), float("-inf")):
        raise BadCell(f"{text} is too large to be a number.")
    return value


def _number_hint(text: str, decimal: str) -> str:
    if text.lower() in _NO_VALUE:
        return "Leave the cell empty if there is no value."
    if decimal == "point" and _COMMA.fullmatch(text):
        return f"Write {text.replace(',', '.')}, or declare a decimal comma for the whole file."
    if decimal == "comma" and _POINT.fullmatch(text):
        return f"This file was declared to have decimal commas: write {text.replace('.', ',')}."
    if _GROUPED.fullmatch(text):
        return "Write it without marks between the thousands."
    if "o" in text.lower() and _POINT.fullmatch(text.lower().replace("o", "0").replace(",", ".")):
        return "A letter O stands where a 0 belongs."
    if found := _WITH_UNIT.fullmatch(text):
        return f"Write {found[1]} alone; the unit is in the column's name."
    if text[:1] in "\u2212\u2013\u2014":
        return "The minus sign is a dash here; write -."
    if text.isascii() is False and any(char.isdigit() and not char.isascii() for char in text):
        return "Write the digits 0 to 9."
    return "Write digits" + (" with a decimal comma." if decimal == "comma" else " with a decimal point.")


def truth(text: str) -> bool:
    """Returns the truth in a cell: true or false, in any case.

    Raises:
        BadCell: anything else.
    """
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    raise BadCell(f'"{_short(text)}" is neither true nor false.', "Write true or false, or leave the cell empty.")


def zone(name: str) -> ZoneInfo:
    """Returns a time zone by its IANA name, such as Europe/Vienna.

    Raises:
        BadCell: there is none of this name.
    """
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = get_close_matches(name[:100], available_timezones(), n=2, cutoff=0.6)
        hint = f"Did you mean {' or '.join(near)}?" if near else "Give an IANA name, such as Europe/Vienna."
        raise BadCell(f'There is no time zone "{_short(name)}".', hint) from None


def moment(text: str, zone_of_file: ZoneInfo | None) -> str:
    """Returns the time in a cell as RFC 3339 text. One without an offset is read in the zone declared for the file, if one was.

    Raises:
        BadCell: no offset and no zone; or a time that the zone's clocks skip, or show twice.

    Example:
        >>> moment("2026-11-25 14:00", zone("Europe/Vienna"))
        '2026-11-25T14:00:00+01:00'
    """
    if found := _SPACED.fullmatch(text):
        return f"{found[1]}T{found[2]}"
    found = _NAIVE.fullmatch(text)
    if found is None:
        return text
    if zone_of_file is None:
        hint = f"{TIME_HINT} Or declare time_zone for the whole file, such as Europe/Vienna."
        raise BadCell("This time has no offset from UTC.", hint)
    try:
        naive = datetime.fromisoformat(f"{found[1]}T{found[2]}{found[3] or ':00'}")
        first, second = (naive.replace(tzinfo=zone_of_file, fold=fold) for fold in (0, 1))
        there = first.astimezone(UTC).astimezone(zone_of_file).replace(tzinfo=None)
    except (ValueError, OverflowError) as error:
        raise BadCell(f"There is no such time: {error}.", TIME_HINT) from None
    if there != naive:
        raise BadCell(
            f"Clocks in {zone_of_file.key} were put forward over this time; it never was.",
            "Check the time, or write it with its offset.",
        )
    if first.utcoffset() != second.utcoffset():
        raise BadCell(
            f"Clocks in {zone_of_file.key} were put back over this time; it was twice.",
            f"Write it with its offset: {first.isoformat()} or {second.isoformat()}.",
        )
    return first.isoformat()


def listed(text: str, hint: str) -> list[Any]:
    """Returns the list in a cell, as an export writes it.

    Args:
        text: of the cell.
        hint: how its list is written.

    Raises:
        BadCell: it is no JSON list.
    """
    try:
        found = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, list):
        raise BadCell("This is not a list.", hint)
    return found


def _no_number(name: str) -> Any:
    raise ValueError(name)


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:37]}..."
