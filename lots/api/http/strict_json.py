"""Strict JSON for requests, without duplicate names, NaN, large numbers or deep nesting, and JSON for answers."""

from __future__ import annotations

import json
import re
from array import array
from datetime import datetime
from itertools import accumulate
from typing import Any, NoReturn

from flask.json.provider import DefaultJSONProvider

from lots.services.clock import moment_text
from lots.services.errors import quoted

MAX_DEPTH = 32
# Maximum number of names in one object, far above that of any valid request.
MAX_NAMES = 1_000
# Maximum number of elements in one array, twice that of any valid request.
MAX_ELEMENTS = 10_000

# Strings, with the text up to the next bracket. The pattern is possessive and a string needs no end, so the time is linear in
# the length.
_STRINGS = re.compile(rb'(?:"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\\?\Z)[^"\[\]{}]*+)++', re.DOTALL)
_BRACKETS = b"[{]}"
# One level deeper (1) or back (255, which is -1 as a signed byte).
_STEPS = bytes.maketrans(_BRACKETS, b"\x01\x01\xff\xff")
_ELSE = bytes(set(range(256)) - set(_BRACKETS))


class Answers(DefaultJSONProvider):
    """JSON for answers: names in the order of the view, times as RFC 3339."""

    sort_keys = False

    @staticmethod
    def default(o: Any) -> str:
        """Returns a moment as text."""
        if isinstance(o, datetime):
            return moment_text(o)
        raise TypeError(f"{type(o).__name__} has no form in an answer")


class Malformed(Exception):
    """An invalid JSON body. The message states the error."""


def parse(body: bytes) -> Any:
    """Returns the parsed JSON of a body.

    Args:
        body: JSON as UTF-8 text.

    Raises:
        Malformed: Not UTF-8, not JSON, or JSON beyond the limits.

    Example:
        >>> parse(b'{"d1_mm": 1.75}')
        {'d1_mm': 1.75}
    """
    try:
        text = body.decode("utf-8")
        if depth(body) > MAX_DEPTH:
            raise Malformed(f"Brackets are nested more than {MAX_DEPTH} deep.")
        said = json.loads(text, object_pairs_hook=_no_duplicates, parse_constant=_no_constant, parse_float=_finite)
    except UnicodeDecodeError:
        raise Malformed("The body is not UTF-8 text.") from None
    except json.JSONDecodeError as error:
        if not body.strip():
            raise Malformed("The body is empty.") from None
        where = f"{error.msg} at line {error.lineno}, column {error.colno}"
        raise Malformed(f"The body is not JSON: {where}.") from None
    except ValueError:
        raise Malformed("A number in the body has too many digits.") from None
    _refuse_long(said)
    return said


def depth(body: bytes) -> int:
    """Returns the maximum nesting of brackets outside strings, in linear time.

    Example:
        >>> depth(b'{"a]": [[1], 2]}'), depth(b'"[[["')
        (3, 0)
    """
    brackets = _STRINGS.sub(b"", body).translate(_STEPS, _ELSE)
    return max(0, max(accumulate(array("b", brackets)), default=0))


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(pairs) > MAX_NAMES:
        raise Malformed(f"An object has at most {MAX_NAMES:,} names. This one has {len(pairs):,}.")
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise Malformed(f'The name "{quoted(name)}" appears twice in one object.')
        if value.__class__ is list:
            _refuse_long(value)
        found[name] = value
    return found


def _refuse_long(value: Any) -> None:
    """Refuses a long array, also one nested in arrays. Arrays in objects were checked with their objects."""
    if value.__class__ is not list:
        return
    if len(value) > MAX_ELEMENTS:
        raise Malformed(f"An array has at most {MAX_ELEMENTS:,} elements. This one has {len(value):,}.")
    for element in value:
        if element.__class__ is list:
            _refuse_long(element)


def _no_constant(name: str) -> NoReturn:
    raise Malformed(f"{name} is not a number in JSON. Leave the field out if there is no value.")


def _finite(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise Malformed(f"{quoted(text)} is too large to be a number.")
    return value
