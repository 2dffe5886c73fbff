"""The position of a value against a limit, as the bench draws and words it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.conformity.limits import Limit
from tests.shop import CONDITIONS, FULL_LIMITS, WHITE

DIAMETER = Scale(label="Single diameter", limit=Limit(1.7, 1.8, "mm"), of=("d1_mm", "d2_mm"))
SHADE = ShadeRevision("White", 1, Lab(*WHITE), Conditions(**CONDITIONS))
ENDS = st.floats(-1000, 1000, allow_nan=False).map(lambda x: round(x, 3))


def scales(kind, **more):
    """The scales of a kind under the full limits."""
    declared = DECLARED[kind]
    return declared.scales(declared.limits.read({**FULL_LIMITS[kind], **more}), 1.75, SHADE)


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (1.748, "inside"),
        (1.8, "inside, at the limit"),
        (1.75 + 0.05, "inside, at the limit"),
        (1.812, "outside by 0.012 mm"),
        (1.688, "outside by 0.012 mm"),
        (1.80004, "outside by 0.00004 mm"),
    ],
)
def test_a_value_is_told_with_its_margin(value, says):
    """The text states the margin, and a value outside is never outside by 0.000 mm."""
    assert says == DIAMETER.lies(value)


@pytest.mark.parametrize(
    "limit", [Limit(1.7, 1.8), Limit(None, 0.05), Limit(20, None), Limit(None, 0.0), Limit(-0.5, None), Limit(2, 2)]
)
def test_the_limit_lies_between_the_ends(limit):
    """The scale extends beyond each end of the limit."""
    scale = Scale(label="X", limit=limit, of=("x",))
    left, right = scale.ends
    assert left < right
    for end in (limit.low, limit.high):
        assert end is None or left <= end <= right
    assert limit.high is None or scale.band[1] < 100
    assert limit.low is None or scale.band[0] > 0


@given(ENDS, ENDS, ENDS)
def test_a_mark_beyond_the_band_is_told_as_outside(low, high, value):
    """The picture and the text agree on values outside, for every limit."""
    scale = Scale(label="X", limit=Limit(min(low, high), max(low, high)), of=("x",))
    assert 0 <= scale.at(value) <= 100
    assert scale.inside(value) == scale.lies(value).startswith("inside")
    first, last = scale.band
    if scale.inside(value):
        assert first - 1e-6 <= scale.at(value) <= last + 1e-6


def test_each_diameter_of_a_position_has_its_own_mark_and_its_ovality_one():
    """Each diameter of a position and its ovality has a mark; missing or invalid values have none."""
    single, oval = scales("diameter")
    reading = {"d1_mm": 1.75, "d2_mm": 1.8, "d_max_mm": None, "position_m": 3}
    assert [("d1_mm", 1.75), ("d2_mm", 1.8)] == single.values(reading)
    ((_, value),) = oval.values(reading)
    assert value == pytest.approx(0.05)
    assert [] == oval.values({"d1_mm": 1.75, "d2_mm": True})


READINGS = {
    "color": ({"lab": [94.0, -0.8, 1.5]}, "Colour difference from the reference"),
    "shrinkage": ({"axis": "x", "designed_mm": 100, "measured_mm": 99.7}, "Shrinkage along X"),
    "bond": ({"stress_mpa": 22}, "Breaking stress of one specimen"),
    "surface": ({"specks": 3, "area_dm2": 2}, "Specks per dm²"),
    "moisture": ({"moisture_percent": 0.06}, "Moisture"),
    "gloss": ({"gloss_gu": 40, "geometry_deg": 60}, "Gloss at 60 degrees"),
    "opacity": ({"contrast_ratio": 0.99}, "Contrast ratio"),
}


@pytest.mark.parametrize("kind", sorted(READINGS))
def test_every_kind_draws_what_one_reading_tells(kind):
    """Every kind draws the values of one reading, and states where a limit applies to a mean."""
    reading, label = READINGS[kind]
    (value,) = [(scale.label, value) for scale in scales(kind) for _, value in scale.values(reading)]
    assert label == value[0]
    asked = next(scale for scale in scales(kind) if scale.label == label)
    assert asked.asked.startswith(f"{label}: ")
    fields = {entry.name for entry in (*DECLARED[kind].form.row, *DECLARED[kind].form.shared)}
    assert set(asked.of) <= fields | {one.name for one in DECLARED[kind].worked_out}


def test_without_a_reference_no_colour_is_drawn():
    """Without a reference no colour is drawn."""
    declared = DECLARED["color"]
    assert [] == list(declared.scales(declared.limits.read(FULL_LIMITS["color"]), 1.75, None))
