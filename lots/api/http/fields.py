"""Strict fields: JSON numbers, RFC 3339 times, text without control characters."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from copy import copy
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, ClassVar

from marshmallow import Schema, ValidationError, fields, missing, validate

from lots.domain.code_identity import has_control, unseen
from lots.services.errors import quoted

# Largest row number of both database engines.
MAX_ID = 2**63 - 1

_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})")
# Line breaks and tabs in text.
_BREAKS = dict.fromkeys(map(ord, "\n\t\r"), " ")
_WRITTEN_NUMBER = re.compile(r"\s*[-+]?\d+([.,]\d+)?\s*")


class Said(str):
    """A message with a hint, and the hint for a form if the first mentions JSON."""

    hint: str
    at_form: str

    def __new__(cls, detail: str, hint: str = "", at_form: str | None = None) -> Said:
        """Returns the message. A str accepts attributes only here."""
        said = super().__new__(cls, detail)
        said.hint, said.at_form = hint, hint if at_form is None else at_form
        return said


class Strict(Schema):
    """A request schema that refuses unknown fields."""

    error_messages = {"unknown": "Unknown field.", "type": "This must be an object, in { }."}
    # Example request for the OpenAPI document, also sent by tests.
    example: ClassVar[Mapping[str, Any]] = {}


class StrictFloat(fields.Float):
    """A JSON number within inclusive bounds. A number in quotes is refused with a hint."""

    def __init__(
        self,
        low: float | None = None,
        high: float | None = None,
        *,
        above: float | None = None,
        hint: str = "",
        **kw: Any,
    ) -> None:
        kw.setdefault("error_messages", {}).update(
            required="This is required.", null="This must be a number, not null."
        )
        metadata = kw.setdefault("metadata", {})
        for name, end in (("minimum", low), ("maximum", high), ("exclusiveMinimum", above)):
            if end is not None:
                metadata[name] = end
        super().__init__(**kw)
        self.low, self.high, self.above, self.hint = low, high, above, hint

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> float:
        number = _json_number(value)
        if self.above is not None and number <= self.above:
            raise ValidationError(Said(f"{number:.15g} is too small. It must be greater than {_plain(self.above)}."))
        if (self.low is not None and number < self.low) or (self.high is not None and number > self.high):
            hint = self.hint or f"Give a number {_range(self.low, self.high)}."
            raise ValidationError(Said(f"{number:.15g} is out of range.", hint))
        return number


def _json_number(value: Any) -> float:
    if isinstance(value, str) and _WRITTEN_NUMBER.fullmatch(value):
        plain = value.strip().replace(",", ".")
        point = f"Write {quoted(plain)}, with a decimal point, not a comma" if "," in value else ""
        hint = f"{point}, and without quotes." if point else f"Write {quoted(plain)}, without quotes."
        raise ValidationError(Said(f'"{quoted(value)}" is text, not a number.', hint, point and f"{point}."))
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValidationError(Said("This must be a number."))
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValidationError(Said("This number is too large."))
    return number


def _range(low: float | None, high: float | None) -> str:
    if low is None:
        return f"of at most {_plain(high)}"
    return f"of at least {_plain(low)}" if high is None else f"from {_plain(low)} to {_plain(high)}"


def _plain(end: float | None) -> str:
    """Returns a bound without exponent, such as 1000000000; empty for None."""
    return "" if end is None else f"{Decimal(repr(end)).normalize():f}"


def whole_ends(low: float | None, high: float | None, above: float | None) -> tuple[int, int]:
    """Returns the smallest and the largest whole number within bounds. `above` is exclusive."""
    least = 0 if low is None else math.ceil(low)
    return least if above is None else math.floor(above) + 1, 2**31 - 1 if high is None else math.floor(high)


class StrictInteger(fields.Integer):
    """A JSON integer within inclusive bounds."""

    def __init__(self, low: int = 0, high: int = 2**31 - 1, *, hint: str = "", **kw: Any) -> None:
        kw.setdefault("error_messages", {}).update(
            required="This is required.", null="This must be a whole number, not null."
        )
        kw.setdefault("metadata", {}).update(minimum=low, maximum=high)
        super().__init__(strict=True, **kw)
        self.low, self.high, self.hint = low, high, hint

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> int:
        number = _json_number(value)
        if number != int(number):
            raise ValidationError(Said(f"{number:g} is not a whole number."))
        if not self.low <= int(value) <= self.high:
            hint = self.hint or f"Give a whole number from {_plain(self.low)} to {_plain(self.high)}."
            raise ValidationError(Said(f"{quoted(int(value))} is out of range.", hint))
        return int(value)


class WrittenNumber(StrictFloat):
    """A positive number in a query string."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> float:
        if not isinstance(value, str) or not re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,9})?", value):
            raise ValidationError(Said(f'"{quoted(value)}" is not a positive number.', "Write it like 250 or 250.5."))
        return super()._deserialize(float(value), attr, data, **kw)


class WrittenWhole(StrictInteger):
    """A whole number in a query string."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> int:
        if not isinstance(value, str) or not re.fullmatch(r"[0-9]{1,19}", value):
            raise ValidationError(Said(f'"{quoted(value)}" is not a whole number.'))
        return super()._deserialize(int(value), attr, data, **kw)


class StrictBoolean(fields.Boolean):
    """A JSON true or false; not "yes", not 1."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> bool:
        if value is True or value is False:
            return value
        raise ValidationError(Said("This must be true or false.", "Write it without quotes."))


class WrittenTruth(fields.Boolean):
    """true or false in a query string."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> bool:
        if value in ("true", "false"):
            return bool(value == "true")
        raise ValidationError(Said(f'"{quoted(value)}" is neither true nor false.'))


class Text(fields.String):
    """A line of text, trimmed and not blank, of at most `most` characters without control characters. `lines` permits several lines."""

    def __init__(self, most: int = 200, *, lines: bool = False, one_of: Sequence[str] | None = None, **kw: Any) -> None:
        kw.setdefault("error_messages", {}).update(required="This is required.", null="This must be text, not null.")
        # The maximum length covers all permitted words.
        most = max([most, *map(len, one_of or ())])
        kw.setdefault("metadata", {}).update(minLength=1, maxLength=most)
        if one_of is not None:
            kw["metadata"]["enum"] = list(one_of)
            kw["error_messages"]["required"] = Said("This is required.", f"Write one of: {', '.join(one_of)}.", "")
        super().__init__(**kw)
        self.most, self.lines, self.one_of = most, lines, one_of

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> str:
        if not isinstance(value, str):
            raise ValidationError(
                Said("This must be text.", "Put it in quotes." if isinstance(value, int | float) else "")
            )
        text = value.strip()
        if not text:
            raise ValidationError(Said("This is required."))
        if len(text) > self.most:
            raise ValidationError(Said(f"This is {len(text)} characters long. The limit is {self.most}."))
        if has_control(text.translate(_BREAKS) if self.lines else text):
            raise ValidationError(
                Said(
                    "This contains a control character or an incomplete character.",
                    "Remove it; a scanner may add a TAB or ENTER.",
                )
            )
        if self.one_of is not None and text not in self.one_of:
            raise ValidationError(
                Said(f'"{quoted(text)}" is not a permitted value.', f"Write one of: {', '.join(self.one_of)}.", "")
            )
        return text


class Code(Text):
    """A code for a new object, without invisible characters (such as category Cf)."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> str:
        text = super()._deserialize(value, attr, data, **kw)
        if hidden := unseen(text):
            named = ", ".join(dict.fromkeys(hidden))
            raise ValidationError(
                Said(f"This contains an invisible character: {named}.", "Type it instead of pasting it.")
            )
        return text


class LabelCode(Code):
    """A code on a label. It is part of URLs, so it has no slash and does not consist of dots."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> str:
        text = super()._deserialize(value, attr, data, **kw)
        if "/" in text or "\\" in text or not text.strip("."):
            raise ValidationError(
                Said("A code cannot contain a slash or consist of dots.", "Use letters, digits, - and .")
            )
        return text


class Instant(fields.Field[datetime]):
    """An RFC 3339 time with an offset, such as 2026-11-25T14:00:00+01:00. Answers are in UTC."""

    def __init__(self, **kw: Any) -> None:
        kw.setdefault("error_messages", {}).update(required="This is required.", null="This must be a time, not null.")
        kw.setdefault("metadata", {}).update(type="string", format="date-time")
        super().__init__(**kw)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> datetime:
        hint = "Write it like 2026-11-25T14:00:00+01:00, or 2026-11-25T13:00:00Z."
        if not isinstance(value, str) or not _RFC3339.fullmatch(value.strip()):
            detail = "This time is not complete, or has another form."
            if isinstance(value, str) and _RFC3339.fullmatch(value.strip().replace(" ", "+")):
                hint = "Write + as %2B in a query string."
            raise ValidationError(Said(detail, hint))
        try:
            moment = datetime.fromisoformat(value.strip().upper())
            if not 2000 <= moment.year <= 2200:
                raise ValidationError(Said("The year must be from 2000 to 2200.", hint))
            return moment.astimezone(UTC)
        except ValueError as error:
            raise ValidationError(Said(f"This time does not exist: {error}.", hint)) from None


class Numbers(fields.List[float]):
    """A JSON array of exactly `count` numbers."""

    def __init__(
        self,
        count: int,
        names: str,
        low: float | None = None,
        high: float | None = None,
        *,
        above: float | None = None,
        **kw: Any,
    ) -> None:
        kw.setdefault("error_messages", {}).update(
            required="This is required.",
            invalid=f"This must be a list of {count} numbers, {names}.",
            null="This must be a list, not null.",
        )
        said = kw.setdefault("metadata", {})
        said["description"] = said.get("description") or names
        length = validate.Length(equal=count, error=f"This must be {count} numbers, {names}.")
        super().__init__(StrictFloat(low, high, above=above), validate=length, **kw)


class Figure(fields.Field[Any]):
    """A number, or a row of numbers such as L*, a*, b*."""

    def __init__(self, **kw: Any) -> None:
        row = {"type": "array", "items": {"type": "number"}, "minItems": 1, "maxItems": 40}
        kw.setdefault("metadata", {}).update(oneOf=[{"type": "number"}, row])
        super().__init__(**kw)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> Any:
        if isinstance(value, list) and 1 <= len(value) <= 40:
            return [_json_number(one) for one in value]
        return _json_number(value)


class OneOrMany(fields.Field[Any]):
    """A number or an array of two numbers in an answer: a one-sided or two-sided limit."""

    def __init__(self, **kw: Any) -> None:
        pair = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
        none = [{"type": "null"}] if kw.get("allow_none") else []
        kw.setdefault("metadata", {}).update(oneOf=[{"type": "number"}, pair, *none])
        super().__init__(**kw)


class VersionedSchema(Schema):
    """An answer about a versioned object, with number, version and author."""

    id = fields.Integer(required=True)
    version = fields.Integer(
        required=True, metadata={"description": "version number; rises with each change and determines the ETag"}
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


def answered(asked: type[Schema], *names: str, null: bool = True, whole: bool = True) -> tuple[fields.Field[Any], ...]:
    """Returns fields of a request or larger answer for use in an answer, with the same description.

    Args:
        asked: Schema of the request or of the larger answer.
        names: Fields in this order; all fields by default.
        null: If True, optional fields without a value are null.
        whole: If False, fields without a value are absent.
    """
    fresh = asked()
    found = []
    for name in names or fresh.fields:
        field = fresh.fields[name]
        one = copy(field)
        one.required, one.load_default = whole or field.required, missing
        one.allow_none = field.allow_none if field.required else whole and null
        one.metadata = dict(field.metadata)
        if one.allow_none and "enum" in one.metadata:
            one.metadata["enum"] = [*one.metadata["enum"], None]
        found.append(one)
    return tuple(found)


NUMBER = f"int(max={MAX_ID})"
# Address of a server, http or https, in the syntax of ECMA-262 for the OpenAPI document. Text is trimmed first, so `$` matches no line break.
SITE = r"^https?://(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::[0-9]{1,5})?(?:/[A-Za-z0-9._~-]+)*/?$"
