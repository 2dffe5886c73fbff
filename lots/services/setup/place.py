"""Formats of dates, times and numbers at the site, for output and input. The API and the database use UTC and decimal points."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from babel.dates import format_datetime
from babel.numbers import format_decimal, get_currency_precision

from lots.services.errors import Fault, Invalid

# Date form -> its pattern (Unicode Technical Standard 35, Date Format Patterns).
DATE_FORMS = {
    "YYYY-MM-DD": "yyyy-MM-dd",
    "DD.MM.YYYY": "dd.MM.yyyy",
    "DD/MM/YYYY": "dd/MM/yyyy",
    "MM/DD/YYYY": "MM/dd/yyyy",
}
# Decimal sign -> a locale with this sign.
DECIMAL_SIGNS = {"point": "en", "comma": "de"}
_LOCAL = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
# The format of `lots.domain.words.moment`.
_MOMENT = re.compile(r"\b(\d{4}-\d\d-\d\d) (\d\d:\d\d) UTC\b")
_WITH_COMMA = re.compile(r"\s*[-+]?\d*,\d+\s*")
# A number in a sentence, after a space, bracket or sign. Numbers in codes, dates and addresses have other characters around them.
_IN_PROSE = re.compile(r"(?<![^\s(\[±=≥≤<>])([-+−±]?\d+)\.(\d+)(?=$|[\s)\],;:%°²]|\.(?:\s|$))")
# A number that was rounded to zero but kept its sign.
_SIGNED_ZERO = re.compile(r"(?<![\w.])[-−](0\.0+)(?![\d.])")
# A name follows these words, even if it looks like a number, and a clause follows a standard.
# A value follows a plural with a colon, such as the spread between spools.
_NAMES = re.compile(
    r"(?:\b(?:(?:lot|spool|grade|order|job|machine|instrument|supplier|shade)(?:s|:)? +)"
    r"|\b(?:ISO|IEC|JCGM|ASTM|DIN|EN|CIE|RFC)[A-Z/ ]* [\d:.-]+, +)$",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Place:
    """A site: its time zone (IANA), the form of its dates (one of DATE_FORMS) and its decimal sign (one of DECIMAL_SIGNS)."""

    time_zone: str = "UTC"
    date_form: str = "YYYY-MM-DD"
    decimal_sign: str = "point"

    def day(self, at: datetime) -> str:
        """Returns the date of a time at the site, such as 25.11.2026."""
        return self._written(at, DATE_FORMS[self.date_form])

    def clock(self, at: datetime) -> str:
        """Returns the time of day at the site, such as 14:05."""
        return self._written(at, "HH:mm")

    def moment(self, at: datetime) -> str:
        """Returns the date and time at the site, such as 25.11.2026 14:05 CET."""
        written = self._written(at, f"{DATE_FORMS[self.date_form]} HH:mm")
        return f"{written} {at.astimezone(zone(self.time_zone)).tzname()}"

    def field(self, at: datetime) -> str:
        """Returns the date and time for an HTML form field, to the minute (local date and time string)."""
        return f"{at.astimezone(zone(self.time_zone)):%Y-%m-%dT%H:%M}"

    def today(self, now: datetime) -> tuple[datetime, datetime]:
        """Returns the beginning and the end of the day at the site, in UTC."""
        local = now.astimezone(zone(self.time_zone))
        begun = local.replace(hour=0, minute=0, second=0, microsecond=0)
        # By the calendar, because a day with a clock change has 23 or 25 hours.
        over = (begun.replace(tzinfo=None) + timedelta(days=1)).replace(tzinfo=zone(self.time_zone))
        return begun.astimezone(UTC), over.astimezone(UTC)

    def number(self, value: float, digits: int | None = None) -> str:
        """Returns a number with the site's decimal sign.

        Args:
            value: finite.
            digits: after the decimal sign; None for as many as needed, at most 6.

        Example:
            >>> Place(decimal_sign="comma").number(1.748), Place().number(-0.001, 2), Place().number(12345.5)
            ('1,748', '0.00', '12345.5')
        """
        places = "#" * 6 if digits is None else "0" * digits
        rounded = round(value, 6 if digits is None else digits) + 0.0
        pattern = f"0.{places}" if places else "0"
        return str(format_decimal(rounded, format=pattern, locale=DECIMAL_SIGNS[self.decimal_sign]))

    def money(self, amount: float, currency: str) -> str:
        """Returns an amount with the decimals of its currency (ISO 4217), and the currency.

        Example:
            >>> Place(decimal_sign="comma").money(71.25, "EUR"), Place().money(71, "JPY")
            ('71,25 EUR', '71 JPY')
        """
        return f"{self.number(amount, get_currency_precision(currency))} {currency}"

    def prose(self, text: str) -> str:
        """Returns a sentence with the site's decimal sign in its numbers, and no minus sign before zero. Codes, dates and names are unchanged.

        Example:
            >>> Place(decimal_sign="comma").prose("Lot 7.5: mean 1.748 mm (limit 1.72 to 1.78 mm), spool PLA-1.75.")
            'Lot 7.5: mean 1,748 mm (limit 1,72 to 1,78 mm), spool PLA-1.75.'
            >>> Place(decimal_sign="comma").prose("By 0.08 a lot, 0.89 in all (JCGM 106:2012, 8.2).")
            'By 0,08 a lot, 0,89 in all (JCGM 106:2012, 8.2).'
            >>> Place(decimal_sign="comma").prose("Colour spread between spools: 0.40 from 5 spools.")
            'Colour spread between spools: 0,40 from 5 spools.'
            >>> Place().prose("da* -0.00, db* -0.04")
            'da* 0.00, db* -0.04'
        """
        text = _SIGNED_ZERO.sub(r"\1", text)
        if self.decimal_sign == "point":
            return text

        def signed(found: re.Match[str]) -> str:
            named = _NAMES.search(text, max(0, found.start() - 40), found.start())
            return found[0] if named else f"{found[1]},{found[2]}"

        return _IN_PROSE.sub(signed, text)

    def typed_number(self, text: str) -> str:
        """Returns a typed number with a decimal point if the site writes a comma; other text is unchanged.

        A point is accepted at every site, because gauges send it. Thousands separators are not accepted.

        Example:
            >>> Place(decimal_sign="comma").typed_number("1,748"), Place().typed_number("1,748")
            ('1.748', '1,748')
        """
        if self.decimal_sign == "comma" and _WITH_COMMA.fullmatch(text):
            return text.replace(",", ".")
        return text

    def typed_moment(self, pointer: str, text: str) -> str:
        """Returns a date and time at the site in the form of the API (RFC 3339); other text is unchanged.

        Raises:
            Invalid: at `pointer`, the time does not exist or is ambiguous because of a clock change.

        Example:
            >>> Place("Europe/Berlin").typed_moment("/received_at", "2026-11-25T14:05")
            '2026-11-25T14:05:00+01:00'
        """
        if not _LOCAL.fullmatch(text):
            return text
        try:
            naive = datetime.fromisoformat(text)
        except ValueError:
            return text
        first, second = (naive.replace(tzinfo=zone(self.time_zone), fold=fold) for fold in (0, 1))
        if first.utcoffset() != second.utcoffset():
            missing = first.astimezone(UTC).astimezone(zone(self.time_zone)).replace(tzinfo=None) != naive
            occurs = "did not exist" if missing else "occurred twice"
            why = "forward" if missing else "back"
            detail = (
                f"{naive:%H:%M} {occurs} on {naive:%Y-%m-%d} in {self.time_zone}, because the clocks were put {why}."
            )
            raise Invalid(Fault(pointer, detail, f"Write it with its offset from UTC, such as {first.isoformat()}."))
        return first.isoformat()

    def twice(self, text: str) -> tuple[datetime, datetime] | None:
        """Returns both times of an ambiguous date and time at the site, the earlier one first; None for any other text.

        Example:
            >>> [str(at) for at in Place("Europe/Berlin").twice("2026-10-25T02:30")]
            ['2026-10-25 02:30:00+02:00', '2026-10-25 02:30:00+01:00']
        """
        if not _LOCAL.fullmatch(text):
            return None
        try:
            naive = datetime.fromisoformat(text)
        except ValueError:
            return None
        first, second = (naive.replace(tzinfo=zone(self.time_zone), fold=fold) for fold in (0, 1))
        # In an hour that does not exist, fold 1 gives the earlier time.
        return (first, second) if first.astimezone(UTC) < second.astimezone(UTC) else None

    def end_of(self, day: str) -> str:
        """Returns the last second of a day at the site in the form of the API; other text is unchanged.

        Example:
            >>> Place("America/New_York").end_of("2026-11-30"), Place().end_of("soon")
            ('2026-11-30T23:59:59-05:00', 'soon')
        """
        if not _DAY.fullmatch(day):
            return day
        try:
            naive = datetime.fromisoformat(f"{day}T23:59:59")
        except ValueError:
            return day
        return naive.replace(tzinfo=zone(self.time_zone), fold=1).isoformat()

    def moments(self, text: str) -> str:
        """Returns a sentence with its UTC times in the form and time zone of the site.

        Example:
            >>> Place("Europe/Berlin", "DD.MM.YYYY").moments("From 2026-10-19 09:41 UTC to 2026-10-21 07:59 UTC on P4.")
            'From 19.10.2026 11:41 CEST to 21.10.2026 09:59 CEST on P4.'
            >>> Place("Europe/Berlin").moments("Lot 2026-99-99 10:00 UTC")
            'Lot 2026-99-99 10:00 UTC'
        """

        def here(found: re.Match[str]) -> str:
            try:
                return self.moment(datetime.fromisoformat(f"{found[1]}T{found[2]}+00:00"))
            except ValueError:
                return found[0]

        return _MOMENT.sub(here, text)

    def _written(self, at: datetime, pattern: str) -> str:
        return str(format_datetime(at, pattern, tzinfo=zone(self.time_zone), locale="en"))


@lru_cache(maxsize=64)
def zone(name: str) -> ZoneInfo:
    """Returns a time zone by its IANA name.

    Raises:
        LookupError: no time zone has this name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise LookupError(f"{name} is not a time zone") from error
