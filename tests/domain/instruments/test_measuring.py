"""Characteristics of instruments. Words and rule: common practice, no source (ISO 10012, 7.1, requires fitness for use)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.measuring import may_measure, measures_of_kind, refusal

NAMES = st.lists(st.sampled_from(list(DECLARED)), unique=True)


@pytest.mark.parametrize(
    ("kind", "measures"),
    [
        ("micrometer", ["diameter", "shrinkage"]),
        ("Digital Caliper", ["diameter", "shrinkage"]),
        ("spectrophotometer d/8", ["color", "opacity"]),
        ("colorimeter", ["color", "opacity"]),
        ("tensile tester", ["bond"]),
        ("moisture balance", ["moisture"]),
        ("glossmeter", ["gloss"]),
        ("gauge", None),
    ],
)
def test_a_kind_tells_what_it_measures(kind, measures):
    """A known kind measures its characteristics; an unknown kind gives none, and no kind measures counts by eye."""
    assert measures == measures_of_kind(kind)


def test_what_nobody_stated_may_still_be_anything():
    """An instrument of unknown kind may be named until it has a reading."""
    assert may_measure("bond", None)
    assert not may_measure("bond", [])
    assert ["bond"] == [name for name in DECLARED if may_measure(name, ["bond"])]


@given(NAMES, st.sampled_from(list(DECLARED)), NAMES)
def test_a_longer_list_never_refuses_more(measures, name, more):
    """Additions by quality never remove a permitted measurement."""
    assert may_measure(name, measures) <= may_measure(name, [*measures, *more])


def test_a_refusal_names_what_may_be_used():
    """The hint names suitable instruments; without one quality adds one; counts need none."""
    detail, hint = refusal(DECLARED["color"], "CAL-1", ["diameter", "shrinkage"], ["SPEC-1 (number 4)"])
    assert "Instrument CAL-1 does not measure colour. It measures diameter and shrinkage." == detail
    assert "Name the instrument that was used: SPEC-1 (number 4)." == hint
    _, hint = refusal(DECLARED["color"], "CAL-1", ["diameter"], [])
    assert "Have quality add the instrument that was used, or leave it out." == hint
    _, hint = refusal(DECLARED["surface"], "CAL-1", ["diameter"], ["LENS (number 1)"])
    assert "This is counted by eye. Leave the instrument out." == hint
