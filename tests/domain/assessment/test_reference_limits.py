"""Limits that the reference itself does not pass. Source: CIE 15:2004, 9.4, and ASTM E313 for the figures of the perfect diffuser."""

from dataclasses import replace

import pytest

from lots.domain.assessment.limits_revision import Limits
from lots.domain.assessment.reference_limits import doubts_about_limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.opacity.lot_opacity import OpacityLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import Spectrum
from tests.domain.builders import SHADE

# The perfect diffuser, whose whiteness is 100, tint 0 and yellowness 0 by definition.
PERFECT = replace(SHADE, lab=Lab(100.0, 0.0, 0.0))


def doubted(shade=PERFECT, opacity=None, **color):
    """Fields of colour limits in doubt, with the message of each."""
    limits = Limits(color=ColorLimits(lot_max=1.0, **color), opacity=opacity)
    return {doubt.field: f"{doubt.detail} {doubt.hint}" for doubt in doubts_about_limits(limits, shade)}


@pytest.mark.parametrize(
    ("field", "kept", "missed"),
    [
        ("whiteness_min", 99.9, 130.0),
        ("tint", (-1.0, 1.0), (0.5, 2.0)),
        ("yellowness_max", 0.1, -5.0),
    ],
)
def test_a_limit_on_whites_that_the_reference_misses_is_doubted_with_its_figure(field, kept, missed):
    """The perfect diffuser has whiteness 100, tint 0 and yellowness 0; a limit that excludes such a value is doubted at its field."""
    assert {} == doubted(**{field: kept})
    ((where, says),) = doubted(**{field: missed}).items()
    assert f"color/{field}" == where
    assert "itself fails this limit" in says
    assert ("100.0" if field == "whiteness_min" else "0.00") in says


def test_a_figure_that_is_not_defined_for_the_reference_is_doubted():
    """Whiteness is undefined under D50 and for a black, so a limit on it is doubted (CIE 15:2004, 9.4)."""
    lit = replace(PERFECT, conditions=replace(PERFECT.conditions, illuminant="D50"))
    assert "not defined for D50" in doubted(lit, whiteness_min=50.0)["color/whiteness_min"]
    black = replace(PERFECT, lab=Lab(20.0, 0.0, 0.0))
    assert "does not apply" in doubted(black, tint=(-2.0, 2.0))["color/tint"]


def test_metamerism_without_a_spectrum_of_the_reference_is_doubted():
    """A metamerism limit is doubted where the reference has no spectrum."""
    assert ["color/metamerism_max"] == list(doubted(metamerism_max=0.5))
    read = replace(PERFECT, spectrum=Spectrum(400, 10, (1.0,) * 31))
    assert {} == doubted(read, metamerism_max=0.5)


def test_opacity_limits_on_a_reference_without_a_backing_are_doubted():
    """Opacity limits are doubted where the reference states no backing, because a translucent plaque needs one."""
    assert "state backing" in doubted(opacity=OpacityLimits(0.98))["opacity"]
    backed = replace(PERFECT, conditions=replace(PERFECT.conditions, backing="white"))
    assert {} == doubted(backed, opacity=OpacityLimits(0.98))
    assert [] == doubts_about_limits(Limits(opacity=OpacityLimits(0.98)), PERFECT)
