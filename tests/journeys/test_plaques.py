"""Plaque conditions of a reference are required of readings, over HTTP, from a file and at the bench. Common practice, no source."""

import pytest

from tests.shop import CONDITIONS, WHITE

PLAQUE = {"age_h": 24, "face": "bed", "thickness_mm": 2, "texture": "smooth", "aperture_mm": 8, "orientation_deg": 90}
LIMITS = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}


@pytest.fixture
def spool(shop):
    """A spool whose reference was measured on such a plaque."""
    shade = shop.shade(conditions={**CONDITIONS, **PLAQUE})
    grade = shop.grade(limits=LIMITS, shade_id=shade if isinstance(shade, int) else shade["id"])
    return shop.receive(shop.supplier(), grade, spools=1)["spools"][0]["code"]


def test_a_reading_of_the_same_plaque_counts(shop, spool):
    """An older plaque of 2.05 mm under the same conditions counts, and its conditions are returned unchanged."""
    said = {**CONDITIONS, **PLAQUE, "age_h": 30, "thickness_mm": 2.05}
    done = shop.color(spool, WHITE, conditions=said)
    assert "released" == done["lot"]["standing"]
    assert said == done["conditions"]


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("age_h", 6, "this reading has 6 h."),
        ("age_h", None, "this reading does not state it."),
        ("face", "top", "this reading has top."),
        ("thickness_mm", 3, "this reading has 3 mm."),
        ("texture", "ribbed", "this reading has ribbed."),
        ("aperture_mm", 4, "this reading has 4 mm."),
        ("orientation_deg", 0, "this reading has 0°."),
    ],
)
def test_a_reading_of_another_plaque_is_refused(shop, spool, name, value, says):
    """Each different plaque condition is named, with that of the reference."""
    said = {**CONDITIONS, **PLAQUE, name: value}
    refused = shop.color(spool, WHITE, 422, conditions={key: value for key, value in said.items() if value is not None})
    (fault,) = refused["errors"]
    assert f"/conditions/{name}" == fault["pointer"]
    assert fault["detail"].endswith(says)


def test_what_the_reference_does_not_state_is_not_compared(shop):
    """A reference without plaque conditions accepts readings of any plaque."""
    got = shop.receive(shop.supplier(), shop.grade(limits=LIMITS), spools=1)
    done = shop.color(got["spools"][0]["code"], WHITE, conditions={**CONDITIONS, **PLAQUE})
    assert "released" == done["lot"]["standing"]
