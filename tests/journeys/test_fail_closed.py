"""Unknown data is never clear."""

import pytest

from tests.shop import SIMPLE_LIMITS, WHITE

USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden", "general")
NO_SHADE = {"shade_id": None}


def of(shop, limits=None, **grade):
    """A delivery of one spool of a grade made this way: its code and its lot's number."""
    got = shop.receive(shop.supplier(), shop.grade(limits=limits, **grade), spools=1)
    return got["spools"][0]["code"], got["lot"]["id"]


def without_limits(shop):
    """Good readings without limits."""
    spool, lot_id = of(shop)
    shop.diameter(spool)
    shop.color(spool, WHITE)
    return spool, lot_id


def without_shade(shop):
    """Limits on colour without a shade."""
    spool, lot_id = of(shop, SIMPLE_LIMITS, **NO_SHADE)
    shop.diameter(spool)
    shop.color(spool, WHITE)
    return spool, lot_id


def shade_without_revision(shop):
    """A shade without an approved revision."""
    shade = shop.post("quality", "/shades", {"code": "HW", "name": "Harbour White"})
    spool, lot_id = of(shop, SIMPLE_LIMITS, shade_id=shade["id"])
    shop.diameter(spool)
    shop.color(spool, WHITE)
    return spool, lot_id


def without_readings(shop):
    """A lot without readings."""
    return of(shop, SIMPLE_LIMITS)


def with_half_the_readings(shop):
    """A measured diameter without a colour."""
    spool, lot_id = of(shop, SIMPLE_LIMITS)
    shop.diameter(spool)
    return spool, lot_id


def with_screening_readings_only(shop):
    """Screening readings alone."""
    spool, lot_id = of(shop, SIMPLE_LIMITS)
    shop.diameter(spool, screening=True)
    shop.color(spool, WHITE, screening=True)
    return spool, lot_id


def with_its_readings_voided(shop):
    """A released lot whose readings were voided."""
    spool, lot_id = of(shop, SIMPLE_LIMITS)
    read = [shop.diameter(spool), shop.color(spool, WHITE)]
    for reading in read:
        shop.void(reading["id"])
    return spool, lot_id


def held(shop):
    """A good lot held by a manual decision."""
    got = shop.good_lot(spools=1)
    shop.decide(got["lot"]["id"], "hold")
    return got["spools"][0]["code"], got["lot"]["id"]


UNKNOWNS = [
    without_limits,
    without_shade,
    shade_without_revision,
    without_readings,
    with_half_the_readings,
    with_screening_readings_only,
    with_its_readings_voided,
    held,
]


@pytest.mark.parametrize("make", UNKNOWNS, ids=lambda make: make.__name__)
def test_what_is_not_known_is_never_clear(shop, make):
    """For no use is the spool clear; each answer has reasons, a load is refused, and the lot stays in quarantine."""
    spool, lot_id = make(shop)
    assert "quarantined" == shop.lot(lot_id)["standing"]
    for use in USES:
        answer = shop.ask_clearance(spool, use)
        assert answer["clear"] is False, use
        assert answer["reasons"]
        assert answer["says"].startswith("Do not load")
        assert answer["reasons"] == shop.load(spool, use, 409)["reasons"]
    assert [] == shop.get("production", "/loads")["items"]
    assert len(USES) == len(shop.get("production", "/load-refusals")["items"])


@pytest.mark.parametrize(
    ("make", "word"),
    [(without_limits, "limits"), (without_shade, "shade"), (shade_without_revision, "shade revision")],
    ids=["limits", "shade", "revision"],
)
def test_what_has_to_be_set_up_first_is_named(shop, make, word):
    """A lot without limits or a shade names the missing set-up as the next task."""
    spool, lot_id = make(shop)
    assert any(word in step for step in shop.lot(lot_id)["to_measure"])
    assert any(word in reason for reason in shop.ask_clearance(spool, "cosmetic")["reasons"])


def test_a_lot_measured_before_its_limits_is_judged_once_they_are_set_and_asked_for(shop):
    """Limits set later assess waiting readings on quality's request, and the spool becomes clear."""
    spool, lot_id = without_limits(shop)
    shop.limit(shop.lot(lot_id)["grade_id"], SIMPLE_LIMITS)
    assert shop.ask_clearance(spool)["clear"] is False
    assert "released" == shop.post("quality", f"/lots/{lot_id}/reassess")["standing"]
    assert shop.ask_clearance(spool)["clear"] is True


def test_a_released_lot_is_clear_only_for_uses_somebody_judged(shop):
    """A lot good for cosmetic use is not clear for uses outside its limits."""
    spool, lot_id = of(shop, {**SIMPLE_LIMITS, "uses": {"cosmetic": ["color", "diameter"]}})
    shop.diameter(spool)
    assert "released" == shop.color(spool, WHITE)["lot"]["standing"]
    clear = {use: shop.ask_clearance(spool, use) for use in USES}
    assert ["cosmetic"] == [use for use, answer in clear.items() if answer["clear"]]
    assert "has not been assessed for" in clear["flexing"]["says"]
    assert "cosmetic" in clear["flexing"]["says"]
    assert {"cosmetic": "pass"} == shop.lot(lot_id)["uses"]


def test_a_general_pass_carries_no_load(shop):
    """Where limits name no uses, colour and diameter cover cosmetic use and not load-bearing, flexing or fit."""
    spool = shop.good_lot(spools=1)["spools"][0]["code"]
    assert {"cosmetic", "hidden", "general"} == {use for use in USES if shop.ask_clearance(spool, use)["clear"]}


@pytest.mark.parametrize("use", ["pretty", "Cosmetic", "", "load-bearing"])
def test_a_use_nobody_knows_is_refused_naming_those_there_are(shop, use):
    """An unknown use is refused with 422 and the known ones, and no load is stored."""
    spool = shop.good_lot(spools=1)["spools"][0]["code"]
    for refused in (
        shop.get("production", f"/spools/{spool}/clearance?use={use}", 422),
        shop.load(spool, use, 422),
    ):
        assert ["use"] == [fault["pointer"].lstrip("/") for fault in refused["errors"]]
        if use:
            assert "load_bearing" in refused["errors"][0]["hint"]
    shop.get("production", f"/spools/{spool}/clearance", 422)
    assert [] == shop.get("production", "/loads")["items"]


@pytest.mark.parametrize(
    ("limits", "pointer"),
    [
        ({}, ""),
        ({"color": {}}, "/color"),
        ({"color": {"components_max": {}}}, "/color"),
        ({"diameter": {"readings_per_spool_min": 5}}, "/diameter"),
        ({**SIMPLE_LIMITS, "uses": {}}, "/uses"),
        ({**SIMPLE_LIMITS, "uses": {"hidden": []}}, "/uses/hidden"),
        ({**SIMPLE_LIMITS, "uses": {"load_bearing": ["bond"]}}, "/uses/load_bearing"),
        ({"colour": {"lot_max": 1.0}}, "/colour"),
    ],
    ids=[
        "empty",
        "empty-block",
        "empty-map",
        "counts-only",
        "no-uses",
        "use-of-nothing",
        "use-without-block",
        "misspelt",
    ],
)
def test_limits_that_would_let_everything_pass_are_refused(shop, limits, pointer):
    """Limits without content, or uses that require unlimited characteristics, are refused."""
    grade = shop.grade()
    refused = shop.post("quality", f"/grades/{grade['id']}/limits", limits, 422)
    assert pointer in [fault["pointer"] for fault in refused["errors"]]
    assert [] == shop.get("quality", f"/grades/{grade['id']}/limits")["items"]
