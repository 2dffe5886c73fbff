"""Validated values: colours and measuring conditions. Ranges are this project's own."""

import math
from dataclasses import replace

import pytest

from lots.domain.colorimetry.color_values import Conditions, Lab, condition_name, mean_lab

SCI = Conditions("D65", 10, "d/8", "included")


@pytest.mark.parametrize(
    ("lab", "says"),
    [
        ((math.nan, 0, 0), r"L\* is nan; it must be a number from 0 to 110"),
        ((50, math.inf, 0), r"a\* is inf; it must be a number from -150 to 150"),
        ((50, 0, -math.inf), r"b\* is -inf"),
        ((-0.1, 0, 0), r"L\* is -0.1"),
        ((110.1, 0, 0), r"L\* is 110.1"),
        ((50, 150.1, 0), r"a\* is 150.1"),
        ((50, 0, -150.1), r"b\* is -150.1"),
    ],
    ids=["nan", "infinite", "minus-infinite", "negative-lightness", "too-light", "too-red", "too-blue"],
)
def test_a_colour_that_cannot_be_is_refused(lab, says):
    """A coordinate that is not a finite number in its range raises with field, value and range."""
    with pytest.raises(ValueError, match=says):
        Lab(*lab)


@pytest.mark.parametrize("lab", [(0, -150, -150), (110, 150, 150)], ids=["low-ends", "high-ends"])
def test_the_ends_of_the_ranges_are_colours(lab):
    """Both ends of every range are allowed."""
    assert list(lab) == Lab(*lab).as_list()


def test_hues_either_side_of_red_average_to_red():
    """Colours of hue 1 and 359 degrees average to a red, where averaged angles would give 180, a green (geometry)."""
    angle = math.radians(1)
    one, other = (Lab(50, 40 * math.cos(angle), side * 40 * math.sin(angle)) for side in (1, -1))
    mean = mean_lab([one, other])
    assert mean.a > 39
    assert 0 == mean.b


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"illuminant": "A"}, "illuminant"),
        ({"observer_deg": 2}, "observer_deg"),
        ({"geometry": "45/0"}, "geometry"),
        ({"specular": "excluded"}, "specular"),
    ],
    ids=["illuminant", "observer", "geometry", "specular"],
)
def test_each_condition_that_departs_is_named(changed, field):
    """A reading that differs in one condition is not comparable, and the condition is named (conditions: ISO 18314-1, ASTM E1164)."""
    said = {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included"} | changed
    reading = Conditions(**said)
    assert [field] == [name for name, _, _ in reading.differences(SCI)]
    assert not reading.comparable_with(SCI)


def test_every_departure_is_listed_not_only_the_first():
    """Two wrong conditions are two differences, each with both values."""
    assert [("illuminant", "A", "D65"), ("specular", "excluded", "included")] == Conditions(
        "A", 10, "d/8", "SCE"
    ).differences(SCI)


@pytest.mark.parametrize("field", ["uv", "backing"])
def test_a_condition_the_reference_states_must_be_stated_by_the_reading(field):
    """A reading without UV or backing is not comparable with a reference that states it; the reverse is comparable."""
    asked = Conditions("D65", 10, "d/8", "included", **{field: "white"})
    assert [(field, "not stated", "white")] == SCI.differences(asked)
    assert asked.comparable_with(SCI)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        (("d65", 10, "D/8", "SCI"), ("D65", 10, "d/8", "included")),
        ((" D65 ", 10, "di:8", "SPIN"), ("D65", 10, "d/8", "included")),
        (("D65", 10, "45:0", "sce"), ("D65", 10, "45/0", "excluded")),
        (("D65", 10, "d / 8°", "Spex"), ("D65", 10, "d/8", "excluded")),
    ],
    ids=["case", "colon-geometry", "forty-five", "spaces-and-degree-sign"],
)
def test_spellings_of_one_condition_are_one_condition(written, meant):
    """SCI, SPIN and "included" are one specular condition, d/8 and di:8 one geometry (common practice, no source)."""
    assert Conditions(*meant) == Conditions(*written)


@pytest.mark.parametrize(
    ("said", "says"),
    [
        (("D65", 5, "d/8", "SCI"), "the observer is 5°; the CIE standard observers are 2 and 10"),
        (("", 10, "d/8", "SCI"), "illuminant must be stated"),
        (("D65", 10, "  ", "SCI"), "geometry must be stated"),
        (("D65", 10, "d/8", ""), "specular component must be stated"),
    ],
    ids=["observer", "illuminant", "geometry", "specular"],
)
def test_a_condition_left_blank_is_refused(said, says):
    """Illuminant, observer, geometry and specular component must be stated."""
    with pytest.raises(ValueError, match=says):
        Conditions(*said)


def test_conditions_read_as_a_line_and_by_name():
    """Conditions print in the words of a colour report, and each field has a name for people."""
    assert "D65, 10 deg observer, d/8, specular included, UV excluded, white backing" == str(
        Conditions("D65", 10, "d/8", "SCI", "UV out", "White")
    )
    assert "observer" == condition_name("observer_deg")


@pytest.mark.parametrize(
    ("stated", "agrees"),
    [
        ({"age_h": 24}, True),
        ({"age_h": 200}, True),
        ({"age_h": 23.9}, False),
        ({}, False),
        ({"age_h": 24, "face": "top"}, False),
        ({"age_h": 24, "thickness_mm": 2.1}, True),
        ({"age_h": 24, "thickness_mm": 2.2}, False),
    ],
)
def test_what_the_reference_states_of_the_plaque_is_required(stated, agrees):
    """A reference of the bed face, 2 mm thick, is compared with plaques of at least its age (common practice, no source)."""
    asked = replace(SCI, age_h=24, face="bed", thickness_mm=2)
    reading = replace(SCI, **({"face": "Bed", "thickness_mm": 2.0} | stated))
    assert agrees is reading.comparable_with(asked)
    assert reading.comparable_with(SCI), "what the reference does not state is not compared"


def test_a_younger_plaque_is_told_with_its_age():
    """6 h after printing is less than the 24 h of the reference."""
    reading = replace(SCI, age_h=6)
    assert [("age_h", "6 h", "at least 24 h")] == reading.differences(replace(SCI, age_h=24))
    assert [("age_h", "not stated", "at least 24 h")] == SCI.differences(replace(SCI, age_h=24))


def test_conditions_that_nobody_stated_are_not_written():
    """Conditions without a plaque print as before plaques were introduced."""
    assert {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included"} == SCI.as_dict()


@pytest.mark.parametrize("wrong", [{"face": "left"}, {"age_h": -1}, {"thickness_mm": 0}, {"orientation_deg": 361}])
def test_a_plaque_that_cannot_be_is_refused(wrong):
    """An unknown face, or a number out of range, raises."""
    with pytest.raises(ValueError, match=f"{condition_name(next(iter(wrong)))} is"):
        replace(SCI, **wrong)
