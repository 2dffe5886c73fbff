"""Parsing of the cells of a file: numbers, true and false, times and lists. Errors carry a hint."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import NoReturn
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
    """A cell that is not valid for its column."""

    def __init__(self, detail: str, hint: str = "") -> None:
        super().__init__(detail)
        self.detail, self.hint = detail, hint


def number(text: str, decimal: str = "point") -> float:
    """Returns the number in a cell; a whole one as an integer.

    Args:
        text: without spaces around it.
        decimal: the decimal sign of the file, "point" or "comma".

    Raises:
        BadCell: the text is not a number with an optional sign, fraction and exponent.

    Example:
        >>> number("1.748"), number("1,748", "comma"), number("-3")
        (1.748, 1.748, -3)
    """
    if not (_COMMA if decimal == "comma" else _POINT).fullmatch(text):
        raise BadCell(f'"{_short(text)}" is not a number.', _number_hint(text, decimal))
    if len(text) > _MOST_DIGITS:
        raise BadCell(f"This number has more than {_MOST_DIGITS} digits.")
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
        return f"Write {text.replace('.', ',')}. The decimal sign of this file is a comma."
    if _GROUPED.fullmatch(text):
        return "Write the number without thousands separators."
    if "o" in text.lower() and _POINT.fullmatch(text.lower().replace("o", "0").replace(",", ".")):
        return "Replace the letter O by the digit 0."
    if found := _WITH_UNIT.fullmatch(text):
        return f"Write {found[1]} alone. The unit is in the name of the column."
    if text[:1] in "\u2212\u2013\u2014":
        return "Write the minus sign as a hyphen (-)."
    if text.isascii() is False and any(char.isdigit() and not char.isascii() for char in text):
        return "Write the digits 0 to 9."
    return "Write digits" + (" with a decimal comma." if decimal == "comma" else " with a decimal point.")


def truth(text: str) -> bool:
    """Returns the value of a cell with true or false, in upper or lower case.

    Raises:
        BadCell: the text is neither.
    """
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    raise BadCell(f'"{_short(text)}" is neither true nor false.', "Write true or false, or leave the cell empty.")


def zone(name: str) -> ZoneInfo:
    """Returns a time zone by its IANA name, such as Europe/Vienna.

    Raises:
        BadCell: no time zone has this name.
    """
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = get_close_matches(name[:100], available_timezones(), n=2, cutoff=0.6)
        hint = f"Did you mean {' or '.join(near)}?" if near else "Give an IANA name, such as Europe/Vienna."
        raise BadCell(f'Time zone "{_short(name)}" does not exist.', hint) from None


def moment(text: str, zone_of_file: ZoneInfo | None) -> str:
    """Returns the time in a cell as RFC 3339 text. A time without an offset is in the time zone of the file.

    Raises:
        BadCell: the time has no offset and the file no time zone, or the clock change makes the time invalid or ambiguous.

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
        hint = f"{TIME_HINT} Or state the time zone of the whole file, such as Europe/Vienna."
        raise BadCell("This time has no offset from UTC.", hint)
    try:
        naive = datetime.fromisoformat(f"{found[1]}T{found[2]}{found[3] or ':00'}")
        first, second = (naive.replace(tzinfo=zone_of_file, fold=fold) for fold in (0, 1))
        there = first.astimezone(UTC).astimezone(zone_of_file).replace(tzinfo=None)
    except (ValueError, OverflowError) as error:
        raise BadCell(f"This time does not exist: {error}.", TIME_HINT) from None
    if there != naive:
        raise BadCell(
            f"This time does not exist in {zone_of_file.key}, because the clocks were put forward.",
            "Check the time, or write it with its offset.",
        )
    if first.utcoffset() != second.utcoffset():
        raise BadCell(
            f"This time occurred twice in {zone_of_file.key}, because the clocks were put back.",
            f"Write it with its offset, {first.isoformat()} or {second.isoformat()}.",
        )
    return first.isoformat()


def listed(text: str, hint: str) -> list[object]:
    """Returns the JSON list in a cell.

    Args:
        text: of the cell.
        hint: for the error, the format of the list.

    Raises:
        BadCell: the text is not a JSON list.
    """
    try:
        found = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, list):
        raise BadCell("This is not a list.", hint)
    return found


def _no_number(name: str) -> NoReturn:
    raise ValueError(name)


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:37]}..."
