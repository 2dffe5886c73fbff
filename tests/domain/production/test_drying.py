"""Drying by the grade's rule, and its validity. Source: common practice, no source."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given

from lots.domain.production.drying import DryingRule
from lots.domain.production.spool_life import Dryness
from tests.domain.strategies import numbers

RULE = DryingRule(45.0, 6.0, 55.0)
MONDAY = datetime(2026, 11, 2, 8, tzinfo=UTC)


@pytest.mark.parametrize(
    ("temperature_c", "hours", "conforms", "says"),
    [
        (45, 6, True, "meets the grade's rule (45 °C, 6 h)."),
        (40, 6, True, "meets"),
        (39.9, 6, False, "because it was cooler than 40 °C."),
        (45.1, 8, False, "because it was hotter than 45 °C."),
        (45, 5, False, "because it was 1 h too short."),
        (
            60,
            6,
            False,
            "60 °C is above the softening temperature of 55 °C, so the filament may stick together or be oval.",
        ),
    ],
)
def test_a_drying_keeps_to_the_rule_at_most_five_degrees_cooler(temperature_c, hours, conforms, says):
    """A drying conforms from 5 °C below 45 °C up to 45 °C, for 6 h or longer (common practice, no source)."""
    assert conforms is RULE.conforms(temperature_c, hours)
    assert says in RULE.says(temperature_c, hours)


def test_without_a_rule_nobody_can_tell():
    """A grade without temperature or time has no rule."""
    assert DryingRule(45.0).conforms(45, 6) is None
    assert "has no drying rule" in DryingRule().says(45, 6)


@given(numbers(1, 100), numbers(0.1, 50), numbers(0, 50))
def test_a_longer_drying_never_conforms_less(temperature_c, hours, more):
    """A longer drying conforms if a shorter one does (law of this project)."""
    assert RULE.conforms(temperature_c, hours + more) or not RULE.conforms(temperature_c, hours)


@pytest.mark.parametrize(
    ("opened_h", "open_h", "age_h", "said"),
    [
        (None, None, 48, None),
        (None, None, 49, " or its lot was measured for moisture 49 h ago (valid for 48 h)"),
        (-5, None, 24, None),
        (-5, None, 25, " or its lot was measured for moisture 25 h ago (valid for 24 h once opened)"),
        (30, None, 40, None),
        (20, 12, 33, " was opened 13 h ago (valid for 12 h once opened)"),
        (40, 24, 49, " or its lot was measured for moisture 49 h ago (valid for 48 h)"),
    ],
)
def test_a_measurement_holds_shorter_from_the_opening_on(opened_h, open_h, age_h, said):
    """A measurement is valid for 48 h sealed and half of that once opened by default, never longer than sealed (common practice, no source)."""
    opened_at = None if opened_h is None else MONDAY + timedelta(hours=opened_h)
    dryness = Dryness(MONDAY, opened_at, 48, open_h, RULE, ("general",))
    against = dryness.against("A-1", MONDAY + timedelta(hours=age_h))
    assert (
        [] if said is None else [f"Spool A-1{said}. Dry it by the grade's rule (45 °C, 6 h) or measure it again."]
    ) == against


def test_what_nobody_measured_is_not_dry():
    """A spool without any measurement or drying waits."""
    (reason,) = Dryness(None, None, 48, None, RULE, ("fit",)).against("A-1", MONDAY)
    assert "has no moisture reading and no drying" in reason


def test_only_uses_that_require_moisture_ask():
    """Named uses that require moisture ask for dryness; limits without uses ask for all."""
    assert [True, False] == [Dryness(None, None, 48, None, RULE, ("fit",)).asked_for(use) for use in ("fit", "hidden")]
    assert Dryness(None, None, 48, None, RULE, ("general",)).asked_for("hidden")
