"""Dates, times and numbers in the format of the site, and conversion of typed ones for the API."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from lots.api.http.site_address import shop_details
from lots.pages.site.calls import NotADay
from lots.pages.site.frame import pages
from lots.services.setup import shop
from lots.services.setup.place import Place

_PLAIN = re.compile(r"[-+]?\d{1,15}(\.\d{1,30})?")


def details() -> shop.Details:
    """Returns the details of the shop. One query per request."""
    return shop_details()


def place() -> Place:
    """Returns how the site writes dates and numbers. One query per request."""
    return details().place


def number(text: str) -> Any:
    """Returns typed text as a number, with a point or with the decimal sign of the site.

    Anything else stays text, so that the API can say what is wrong with it.
    """
    plain = place().typed_number(text.strip())
    if not _PLAIN.fullmatch(plain):
        return plain
    return float(plain) if "." in plain else int(plain)


def moment_typed(pointer: str, text: str) -> str:
    """Returns a date and time of the site's clock as the API takes it. Raises as `Place.typed_moment`."""
    return place().typed_moment(pointer, text.strip())


def end_of(day: str) -> str:
    """Returns the last second of a day at the site, as the API takes it. Text that is no day becomes `NotADay`."""
    moment = place().end_of(day.strip())
    return NotADay(moment) if moment == day.strip() else moment


def start_of(pointer: str, day: str) -> str:
    """Returns midnight of a day at the site, as the API takes it. Text that is no day becomes `NotADay`."""
    typed = f"{day.strip()}T00:00"
    moment = moment_typed(pointer, typed)
    return NotADay(day) if moment == typed else moment


def whole_days(said: Mapping[str, str], first: str, last: str) -> dict[str, str]:
    """Returns fields with the first and the last day of a span, where they are given, as moments that the API takes.

    The span begins at midnight and ends with the last second of a day, by the shop's clock.

    Args:
        said: what an address asks for.
        first, last: the names of the two fields.

    Raises:
        Invalid: the first is no day.
    """
    found = dict(said)
    if said.get(first):
        found[first] = start_of(f"/{first}", said[first])
    if said.get(last):
        found[last] = end_of(said[last])
    return found


def grade_choice(one: Any) -> tuple[int, str]:
    """Returns a grade as a choice of a form: its number, and its code with its description."""
    return one["id"], f"{one['code']}: {place().prose(one['says'])}"


@pages.app_template_filter("moment")
def moment(at: datetime | None) -> str:
    """Returns a moment as the site writes it, such as 25.11.2026 14:05 CET; empty for none."""
    return "" if at is None else place().moment(at)


@pages.app_template_filter("day")
def day(at: datetime | None) -> str:
    """Returns the day of a moment as the site writes it, such as 25.11.2026; empty for none."""
    return "" if at is None else place().day(at)


@pages.app_template_filter("clock")
def clock(at: datetime | None) -> str:
    """Returns the time of day of a moment, such as 14:05; empty for none."""
    return "" if at is None else place().clock(at)


@pages.app_template_filter("moment_field")
def moment_field(at: datetime | None) -> str:
    """Returns a moment as the value of a field for date and time (`datetime-local`); empty for none."""
    return "" if at is None else place().field(at)


@pages.app_template_filter("day_field")
def day_field(at: datetime | None) -> str:
    """Returns the day of a moment as the value of a field for a date; empty for none."""
    return moment_field(at)[:10]


@pages.app_template_filter("num")
def num(value: float | None, digits: int | None = None) -> str:
    """Returns a number with the site's decimal sign; empty for none. `digits` stand after the sign, as many as needed when None."""
    return "" if value is None else place().number(value, digits)


@pages.app_template_filter("money")
def money(amount: float, currency: str) -> str:
    """Returns an amount as its currency is written, with the currency."""
    return place().money(amount, currency)


@pages.app_template_filter("prose")
def prose(text: str | None) -> str:
    """Returns a sentence with its numbers and moments as the site writes them; empty for none."""
    return "" if text is None else place().moments(place().prose(text))
