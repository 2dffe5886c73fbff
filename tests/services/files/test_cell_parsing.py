from contextlib import suppress
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.services.files import cell_parsing
from lots.services.files.cell_parsing import BadCell


@pytest.mark.parametrize(
    ("text", "value"), [("1.75", 1.75), ("-0.8", -0.8), ("+3", 3), ("0", 0), ("1e-3", 0.001), ("2.5E2", 250.0)]
)
def test_a_number_is_digits_with_a_point(text, value):
    """A number has digits, a point, a sign and an exponent."""
    assert value == cell_parsing.number(text)


def test_a_decimal_comma_counts_only_where_it_was_declared():
    """1,75 is refused unless a decimal comma is declared."""
    assert 1.75 == cell_parsing.number("1,75", "comma")
    with pytest.raises(BadCell) as bad:
        cell_parsing.number("1,75")
    assert "Write 1.75, or declare a decimal comma for the whole file." == bad.value.hint
    with pytest.raises(BadCell) as bad:
        cell_parsing.number("1.75", "comma")
    assert "1,75" in bad.value.hint


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("1_000", "thousands"),
        ("1,000,000", "thousands"),
        ("1 000", "thousands"),
        ("\uff11.\uff17", "digits 0 to 9"),
        ("\u0661", "digits 0 to 9"),
        ("NaN", "empty"),
        ("inf", "empty"),
        ("-Infinity", "empty"),
        ("n/a", "empty"),
        ("#DIV/0!", "empty"),
        ("1.75 mm", "Write 1.75 alone"),
        ("0.3%", "Write 0.3 alone"),
        ("\u22120.8", "minus sign"),
        ("1.7O", "letter O"),
        ("0x1F", "digits"),
        (".5", "digits"),
        ("5.", "digits"),
        ("--1", "digits"),
        ("true", "digits"),
        ("1.75\n", "digits"),
        ("1\u00a0", "digits"),
    ],
)
def test_what_is_no_number_is_refused_with_a_hint(text, hint):
    """Underscores, foreign digits, number words and units are refused with a hint."""
    with pytest.raises(BadCell) as bad:
        cell_parsing.number(text)
    assert hint in bad.value.hint


@pytest.mark.parametrize("text", ["1e999", "-1e999", "9" * 100, "0." + "1" * 5000])
def test_a_number_that_is_too_long_or_too_large_is_refused(text):
    """A number that is too long or too large is refused."""
    with pytest.raises(BadCell):
        cell_parsing.number(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_comes_back_as_it_was_written(value):
    """A number written with all its digits is read exactly, with a point or a comma."""
    assert value == cell_parsing.number(repr(value))
    assert value == cell_parsing.number(repr(value).replace(".", ","), "comma")


@given(st.text())
def test_any_text_is_a_value_or_a_bad_cell(text):
    """Any text is a value or an invalid cell."""
    for read in (
        cell_parsing.number,
        cell_parsing.truth,
        lambda t: cell_parsing.listed(t, "Write it like [1, 2, 3]."),
        lambda t: cell_parsing.moment(t, cell_parsing.zone("Europe/Berlin")),
    ):
        with suppress(BadCell):
            read(text)


def test_truths_are_true_and_false_in_any_case():
    """True and false are read in any case; yes and 1 are refused."""
    assert [True, False] == [cell_parsing.truth("TRUE"), cell_parsing.truth("false")]
    for text in ("yes", "1", "ja", "x"):
        with pytest.raises(BadCell):
            cell_parsing.truth(text)


def test_a_time_without_an_offset_needs_a_declared_zone():
    """A local time needs a declared zone."""
    assert "2026-07-01T14:00:00+02:00" == cell_parsing.moment("2026-07-01 14:00", cell_parsing.zone("Europe/Berlin"))
    assert "2026-01-01T14:00:00+01:00" == cell_parsing.moment("2026-01-01T14:00:00", cell_parsing.zone("Europe/Berlin"))
    with pytest.raises(BadCell) as bad:
        cell_parsing.moment("2026-07-01 14:00", None)
    assert "state the time zone of the whole file" in bad.value.hint


def test_a_time_with_an_offset_keeps_it():
    """A time with an offset keeps it, whatever the declared zone."""
    assert "2026-07-01T14:00:00Z" == cell_parsing.moment("2026-07-01 14:00:00Z", cell_parsing.zone("Europe/Berlin"))


def test_a_time_that_was_twice_or_never_is_refused():
    """A repeated or skipped time is refused: Berlin, 29 March 2026 02:00 to 03:00 and 25 October 03:00 to 02:00."""
    berlin = cell_parsing.zone("Europe/Berlin")
    with pytest.raises(BadCell, match="does not exist"):
        cell_parsing.moment("2026-03-29 02:30", berlin)
    with pytest.raises(BadCell, match="twice") as bad:
        cell_parsing.moment("2026-10-25 02:30", berlin)
    assert "2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00" in bad.value.hint
    for fine in ("2026-03-29 01:59", "2026-03-29 03:00", "2026-10-25 01:59", "2026-10-25 03:00"):
        assert datetime.fromisoformat(cell_parsing.moment(fine, berlin))


@pytest.mark.parametrize("name", ["Europe/Berlyn", "../etc/passwd", "Europe", "", "/", "UTC+1", "\x00"])
def test_a_zone_that_is_none_is_refused(name):
    """An unknown zone is refused with the probable one."""
    with pytest.raises(BadCell) as bad:
        cell_parsing.zone(name)
    if name == "Europe/Berlyn":
        assert "Europe/Berlin" in bad.value.hint
