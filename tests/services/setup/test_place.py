"""Dates, times and numbers in the site's formats. Clock changes: IANA time zone database; number forms: Unicode CLDR."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.services.errors import Invalid
from lots.services.setup.place import DATE_FORMS, Place

COMMA = Place(decimal_sign="comma")
BERLIN = Place("Europe/Berlin", "DD.MM.YYYY", "comma")


@pytest.mark.parametrize(
    ("zone", "form", "written"),
    [
        ("UTC", "YYYY-MM-DD", "2026-11-25 23:05 UTC"),
        ("Europe/Berlin", "DD.MM.YYYY", "26.11.2026 00:05 CET"),
        ("America/St_Johns", "MM/DD/YYYY", "11/25/2026 19:35 NST"),
        ("Asia/Kolkata", "DD/MM/YYYY", "26/11/2026 04:35 IST"),
    ],
)
def test_a_moment_is_written_by_the_clock_on_the_wall(zone, form, written):
    """A time has the local clock with the name of the zone. Offsets: IANA, files europe, northamerica, asia."""
    assert written == Place(zone, form).moment(datetime(2026, 11, 25, 23, 5, tzinfo=UTC))


@pytest.mark.parametrize(
    ("value", "digits", "point", "comma"),
    [
        (1.748, None, "1.748", "1,748"),
        (1.7, 3, "1.700", "1,700"),
        (12345.5, None, "12345.5", "12345,5"),
        (-0.0004, 2, "0.00", "0,00"),
        (-0.8, 2, "-0.80", "-0,80"),
        (3, None, "3", "3"),
        (2.5, 0, "2", "2"),
    ],
)
def test_a_number_has_the_sites_decimal_sign(value, digits, point, comma):
    """A number has the site's decimal sign, without grouping or minus zero (CLDR, decimal signs of en and de)."""
    assert (point, comma) == (Place().number(value, digits), COMMA.number(value, digits))


@pytest.mark.parametrize(
    ("said", "written"),
    [
        ("Mean 1.748 mm, limit 1.72 to 1.78 mm.", "Mean 1,748 mm, limit 1,72 to 1,78 mm."),
        ("The value is 0.5.", "The value is 0,5."),
        ("(U = 0.012 mm; -0.3 %)", "(U = 0,012 mm; -0,3 %)"),
        ("Spool PLA-1.75-7 of lot 7.5, order 4711.2", "Spool PLA-1.75-7 of lot 7.5, order 4711.2"),
        ("on 25.11.2026 at 10.0.0.1, version 1.2.3", "on 25.11.2026 at 10.0.0.1, version 1.2.3"),
        ("by 0.02 a lot, 0.22 in all by lot 7.5", "by 0,02 a lot, 0,22 in all by lot 7.5"),
        ("Spread between spools: 0.40 from 5 spools; lot: 7.5", "Spread between spools: 0,40 from 5 spools; lot: 7.5"),
        ("See https://lots.example/1.5/x", "See https://lots.example/1.5/x"),
    ],
)
def test_numbers_in_a_sentence_follow_and_names_stay(said, written):
    """Numbers of a sentence change, and a lot named 7.5 does not."""
    assert (said, written) == (Place().prose(said), COMMA.prose(said))


def test_a_gauge_that_sends_points_is_read_everywhere():
    """A comma is a decimal sign only where set; 1,750 is never one thousand."""
    assert ["1.748", "1.748", "1.748"] == [
        COMMA.typed_number("1,748"),
        COMMA.typed_number("1.748"),
        Place().typed_number("1.748"),
    ]
    assert "1,748" == Place().typed_number("1,748")
    assert ["1.234,5", "1,2,3", "1,"] == [COMMA.typed_number(text) for text in ("1.234,5", "1,2,3", "1,")]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("2026-11-25T14:05", "2026-11-25T14:05:00+01:00"),
        ("2026-07-01T14:05", "2026-07-01T14:05:00+02:00"),
        ("2026-07-01T14:05:00Z", "2026-07-01T14:05:00Z"),
        ("yesterday", "yesterday"),
        ("2026-13-01T10:00", "2026-13-01T10:00"),
    ],
)
def test_a_typed_time_is_the_sites(typed, meant):
    """A typed time gets the site's offset of that day; one with an offset, and an invalid one, are unchanged."""
    assert meant == BERLIN.typed_moment("/received_at", typed)


@pytest.mark.parametrize(("typed", "says"), [("2026-10-25T02:30", "twice"), ("2026-03-29T02:30", "did not exist")])
def test_a_time_that_the_clock_showed_twice_or_never_is_asked_about(typed, says):
    """A repeated or skipped time is questioned: Berlin, 2026-10-25 at 03:00 and 2026-03-29 at 02:00 (IANA, rule EU)."""
    with pytest.raises(Invalid) as refused:
        BERLIN.typed_moment("/received_at", typed)
    (fault,) = refused.value.faults
    assert "/received_at" == fault.pointer
    assert says in fault.detail
    assert "offset" in fault.hint


def test_a_day_ends_at_the_site():
    """A day in Kolkata ends five and a half hours before London's (IANA: Asia/Kolkata is UTC+05:30)."""
    assert "2026-11-30T23:59:59+05:30" == Place("Asia/Kolkata").end_of("2026-11-30")
    assert ["soon", "2026-02-30"] == [Place().end_of(text) for text in ("soon", "2026-02-30")]


@pytest.mark.parametrize(("day", "hours"), [("2026-10-25", 25), ("2026-03-29", 23), ("2026-11-25", 24)])
def test_a_day_on_which_clocks_change_has_other_hours(day, hours):
    """A day with a clock change begins and ends at local midnight."""
    begun, over = BERLIN.today(datetime.fromisoformat(f"{day}T12:00:00+00:00"))
    assert (f"{day} 00:00", hours) == (
        f"{begun.astimezone(ZoneInfo('Europe/Berlin')):%Y-%m-%d %H:%M}",
        (over - begun).total_seconds() / 3600,
    )


@given(
    st.sampled_from(sorted(available_timezones())),
    st.sampled_from(sorted(DATE_FORMS)),
    st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC)),
)
def test_what_a_field_shows_is_read_back_as_the_same_minute(zone, form, at):
    """In every zone a shown time is read back as the same minute, unless it occurred twice."""
    site, clock = Place(zone, form), ZoneInfo(zone)
    shown = at.astimezone(clock).replace(tzinfo=None, second=0, microsecond=0)
    if len({shown.replace(tzinfo=clock, fold=fold).utcoffset() for fold in (0, 1)}) == 2:
        with pytest.raises(Invalid, match="twice"):
            site.typed_moment("/at", site.field(at))
    else:
        read = datetime.fromisoformat(site.typed_moment("/at", site.field(at)))
        assert shown == read.astimezone(clock).replace(tzinfo=None)
        assert timedelta(0) <= at - read < timedelta(minutes=1)
