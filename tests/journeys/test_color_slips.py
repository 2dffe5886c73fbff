"""Errors in colours, spectra and conditions, each answered with its probable cause or the valid values.

Source: ASTM E308 for wavelengths and the perfect white, 1; the numbers are invented.
"""

import pytest

from tests.journeys.test_color_in_depth import GRAY, MATCH, ONE, lot_of, pointers, read, shade_of, spectrum
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE


def test_a_dark_colour_in_percent_is_stored_with_a_warning(shop):
    """A black's 0.9 % written as 0.9 reads as a white and has a warning; the factor has none."""
    dark = [22.0, 0.0, 0.0]
    shade, _ = shade_of(shop, lab=dark)
    _, (spool,) = lot_of(shop, {**ONE, "color": {"lot_max": 1.0}}, shade)
    (warned,) = read(shop, spool, spectrum([0.9 + 0.01 * (place % 2) for place in range(31)]))["warnings"]
    assert "spectrum" == warned["field"]
    assert "percent: 0.9 % is 0.009" in warned["hint"]
    assert [] == read(shop, spool, spectrum([0.03] * 31))["warnings"]
    (lab,) = [one for one in shop.color(spool, [96, 0, 0])["warnings"] if "not plausible" in one["detail"]]
    assert "lab" == lab["field"]


@pytest.mark.parametrize("value", [1.6, 2.1, 3.0])
def test_a_spectrum_brighter_than_any_surface_is_told_to_be_percent(shop, value):
    """A spectrum brighter than any surface is recognised as percent, value by value or as a whole."""
    shade, _ = shade_of(shop, lab=WHITE)
    _, (spool,) = lot_of(shop, MATCH, shade)
    assert "percent" in read(shop, spool, spectrum([value] * 31), 422)["errors"][0]["hint"]


def test_a_spectrum_of_an_unknown_light_is_refused_at_the_illuminant(shop):
    """An unknown illuminant of a reference's spectrum is an error of its conditions."""
    sent = {**CONDITIONS, "illuminant": "SUN"}
    refused = shade_of(shop, sent, 422, spectrum=spectrum(GRAY))[1]
    assert ["/conditions/illuminant"] == pointers(refused)
    assert "D65, D50, A or LED-B3" in refused["errors"][0]["hint"]


@pytest.mark.parametrize(
    ("sent", "hint"),
    [
        (spectrum(GRAY, step_nm=5), "10 or 20"),
        (spectrum(GRAY, step_nm=15), "10 or 20"),
        (spectrum(GRAY, 350), "a multiple of 10 from 360 to 400"),
        (spectrum(GRAY, 395), "a multiple of 10 from 360 to 400"),
        (spectrum(GRAY[:30]), "31 values end at 700 nm"),
        (spectrum(GRAY, 390, 20), "17 values end at 710 nm"),
    ],
)
def test_wavelengths_that_are_none_are_refused_with_those_that_are(shop, sent, hint):
    """Invalid wavelengths are refused with the valid ones."""
    shade, _ = shade_of(shop, lab=WHITE)
    _, (spool,) = lot_of(shop, MATCH, shade)
    assert hint in read(shop, spool, sent, 422)["errors"][0]["hint"]


def test_missing_conditions_are_asked_for_with_what_they_may_be(shop):
    """Missing conditions are requested with the allowed values or an example."""
    body = {"lab": WHITE, "conditions": {}, "approved_by": "Wilhelmina"}
    shade, _ = shade_of(shop, lab=WHITE)
    refused = shop.post("quality", f"/shades/{shade}/revisions", body, 422)
    said = {fault["pointer"].rpartition("/")[2]: fault["hint"] for fault in refused["errors"]}
    assert "Give included or excluded." == said["specular"]
    assert "Give 2 or 10." == said["observer_deg"]
    assert said["illuminant"].endswith("such as D65.")
    assert "such as d/8" in said["geometry"]


def test_a_contrast_ratio_in_percent_is_refused_with_how_it_is_written(shop):
    """A contrast ratio of 98 is refused, with 0.98 as the right form."""
    grade = shop.grade()["id"]
    refused = shop.post("quality", f"/grades/{grade}/limits", {"opacity": {"contrast_ratio_min": 98}}, 422)
    assert ("/opacity/contrast_ratio_min", "Write 0.98 for 98 %.") == tuple(
        refused["errors"][0][name] for name in ("pointer", "hint")
    )


def test_swapped_lightness_and_yellowness_are_recognised(shop):
    """Exchanged L* and b* are recognised by the lot's other readings or the reference, and stored with a hint."""
    spool = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["spools"][0]["code"]
    turned = [1.5, -0.8, 95.0]
    (first,) = [one for one in shop.color(spool, turned)["warnings"] if one["field"] == "lab"]
    assert "L* and b* may be swapped: did you mean L* 95 and b* 1.5?" in first["hint"]
    number = shop.get("quality", "/lots/1/readings")["items"][0]["id"]
    shop.void(number)
    shop.color(spool, [95.0, -0.8, 1.5])
    details = [one["detail"] for one in shop.color(spool, turned)["warnings"]]
    assert any(one.startswith("L* and b* may be swapped: the other readings of this lot average") for one in details)
