"""Words on an outlier: examine it first, with the tested figure. Sources: the texts' own facts."""

import pytest

from lots.domain.replicates.outliers import LEAST_FOR_ONE
from tests.shop import WHITE

GLOSS = {"sampling": {"fixed": 1}, "gloss": {"deg_60_gu": [2.0, 8.0]}}
COLOR = {"sampling": {"fixed": 1}, "color": {"lot_max": 2.0}}
DIAMETER = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.03}}


def lot_of(shop, limits):
    """Number and spool of a new lot under these limits."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    return got["lot"]["id"], got["spools"][0]["code"]


def replicates(shop, lot_id):
    """The only measured characteristic."""
    (said,) = shop.get("quality", f"/lots/{lot_id}/replicates")["characteristics"]
    return said


def exclude(shop, reading, status, cause="plaque"):
    """Requests an exclusion."""
    return shop.post("quality", f"/readings/{reading}/exclude", {"cause": cause, "reason": "a scratch"}, status)


@pytest.fixture
def flagged(shop):
    """Gloss close to its limit by a coarse glossmeter, with an outlier in the last of eight readings."""
    instrument = {"code": "GL-1", "kind": "glossmeter", "standard_uncertainty": 0.5, "check_interval_days": 3650}
    number = shop.post("quality", "/instruments", instrument)["id"]
    shop.lot_id, spool = lot_of(shop, GLOSS)
    values = [7.40, 7.41, 7.39, 7.42, 7.40, 7.38, 7.41, 9.4]
    items = [{"spool_code": spool, "geometry_deg": 60, "gloss_gu": v, "instrument_id": number} for v in values]
    shop.reading = shop.measure("gloss", items)["items"][-1]["id"]
    return shop


def test_a_reading_that_stands_apart_is_looked_at_before_the_instrument(flagged):
    """While the outlier counts no finer instrument is suggested; after its exclusion it is."""
    said = replicates(flagged, flagged.lot_id)
    assert said["decisions"][0]["n"] is None
    assert f"Gloss at 60 degrees: check reading {flagged.reading} first." == said["decisions"][0]["says"]
    assert "instrument" not in said["says"]
    exclude(flagged, flagged.reading, 201)
    assert "Use a better instrument" in replicates(flagged, flagged.lot_id)["says"]


def test_the_assessment_says_so_until_the_reading_is_left_out(flagged):
    """A note names the outlier, another after its exclusion names the effect, and past moments have the first."""
    before = flagged.assessment(flagged.lot_id)
    note = f"Reading {flagged.reading} (gloss, spool {replicates_spool(flagged)}) is an outlier. Find its cause first."
    assert note in before["notes"]
    exclude(flagged, flagged.reading, 201)
    now = flagged.assessment(flagged.lot_id)
    assert note not in now["notes"]
    assert f"With reading {flagged.reading} included, the lot would have the same status." in now["notes"]
    assert note in flagged.assessment(flagged.lot_id, f"?as_of={before['as_of']}")["notes"]


def replicates_spool(shop):
    """The spool of the reading that was tested first."""
    return replicates(shop, shop.lot_id)["figures"][0]["outliers"]["steps"][0]["spool_code"]


def test_each_figure_that_was_tested_is_named(shop):
    """A refusal names each tested figure of L*, a* and b*."""
    lot_id, spool = lot_of(shop, COLOR)
    numbers = [
        shop.color(spool, [WHITE[0] + 0.01 * (n % 4), WHITE[1], WHITE[2] + 0.01 * (n % 3)])["id"] for n in range(8)
    ]
    figures = replicates(shop, lot_id)["figures"]
    detail = exclude(shop, numbers[0], 409)["detail"]
    for figure, name in zip(figures, ("L*", "a*", "b*"), strict=True):
        assert f"{name}: {figure['outliers']['says']}" in detail


def test_two_readings_are_counted_as_two(shop):
    """One spool with two readings counts as two."""
    lot_id, spool = lot_of(shop, DIAMETER)
    items = [{"spool_code": spool, "d1_mm": size, "d2_mm": size} for size in (1.75, 1.76)]
    shop.measure("diameter", items)
    outliers = replicates(shop, lot_id)["figures"][0]["outliers"]
    assert 2 == outliers["n"]
    assert f"2 of at least {LEAST_FOR_ONE}" in outliers["says"]


def test_a_slip_of_typing_is_pointed_to_its_void(flagged):
    """A typing error is no cause to exclude, and the hint names the void."""
    (fault,) = exclude(flagged, flagged.reading, 422, cause="typo")["errors"]
    assert "/cause" == fault["pointer"]
    assert fault["hint"].startswith("Void a typing error")
