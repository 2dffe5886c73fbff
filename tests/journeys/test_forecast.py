"""Forecast of the next lot: its probability of acceptance, the figures behind it, and the probable failure."""

import pytest

from tests import tolerances
from tests.journeys import supply
from tests.journeys.supply import BOTH_ENGINES, COLOR, DIAMETER, judged, whites
from tests.shop import CONDITIONS, WHITE

# b* of twelve steady lots.
STEADY = [0.03, -0.05, 0.04, 0.0, -0.02, 0.05, -0.03, 0.02, 0.01, -0.04, 0.03, -0.01]


@pytest.fixture
def engine():
    """SQLite alone, because the model is computed outside the database; the test that names engines compares both."""
    return "sqlite"


def foreseen(shop, supplier, grade, role="purchasing"):
    """The forecast of the next lot."""
    return shop.get(role, f"/forecast?supplier_id={supplier['id']}&grade_id={grade['id']}")


def test_without_a_lot_nothing_is_said(shop):
    """A supplier without a concluded lot has no probability, not one half."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    for outcomes in ("", "-"):
        judged(supplier, grade, outcomes)
        found = foreseen(shop, supplier, grade)
        assert (None, None, None, "none") == tuple(found[name] for name in ("probability", "low", "high", "model"))
        assert found["says"].endswith("unknown, because no lot has a complete inspection yet.")
    bare = shop.grade("BARE")
    assert (None, "none") == tuple(foreseen(shop, supplier, bare)[name] for name in ("limits_revision", "model"))


@BOTH_ENGINES
def test_from_verdicts_alone_a_few_lots_promise_little(shop):
    """Three of four accepted: by Jeffreys' prior (3 + 1/2) / (4 + 1) = 70 %, between 28 and 97 %.

    The interval is that of Brown, Cai and DasGupta 2001: quantiles of the beta distribution with 3.5 and 1.5 (computed with scipy).
    """
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    judged(supplier, grade, "AARA")
    found = foreseen(shop, supplier, grade)
    assert ("verdicts", 4, 3) == (found["model"], found["inspected"], found["accepted"])
    assert pytest.approx(0.7, abs=tolerances.SAME_SUM) == found["probability"]
    assert [pytest.approx(0.2838, abs=tolerances.PRINTED_4), pytest.approx(0.9715, abs=tolerances.PRINTED_4)] == [
        found["low"],
        found["high"],
    ]
    assert (
        "The next lot of PLA-HW-175 from Supplier QWT is 70 % likely to be accepted the first time for at least one use. The 95 % interval is 28 to 97 %. "
        "This is from the verdicts on 4 lots alone." == found["says"]
    )


def test_measured_lots_see_a_failure_coming_that_no_verdict_shows(shop):
    """Thirteen accepted lots, each 0.08 yellower: verdicts alone give 96 %, but the fourteenth is expected at 1.04 of 1.0."""
    walking, steady, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=COLOR)
    whites(walking, grade, [0.08 * number + b for number, b in enumerate([*STEADY, 0.0])])
    whites(steady, grade, STEADY, prefix="N")
    found = foreseen(shop, walking, grade)
    assert ("measured", 13, 13) == (found["model"], found["inspected"], found["accepted"])
    assert 0 < found["low"] < found["probability"] < 0.5
    assert found["probability"] < found["high"] < 1
    assert "color" == found["parts"][0]["part"]
    assert "If it fails, the most likely cause is colour" in found["says"]
    assert "This is from measurements of at least the last 13 lots." in found["says"]
    calm = foreseen(shop, steady, grade)
    assert ("measured", 12) == (calm["model"], calm["lots"])
    assert calm["probability"] > 0.9
    assert {"color", "everything else"} == {part["part"] for part in calm["parts"]}


def ahead(found, measure):
    """The forecast of one measure of the next lot."""
    return next(part for part in found["next_values"] if part["measure"] == measure)


def test_the_next_lots_figures_are_foretold_with_where_they_changed(shop):
    """Twelve lots about the reference and eight 0.5 yellower: the next is about 0.5 with a dated change; lightness is unchanged."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, [*STEADY, *(0.5 + b for b in STEADY[:8])])
    found = foreseen(shop, supplier, grade)
    yellow, light = ahead(found, "color.component_b"), ahead(found, "color.component_l")
    assert 0.3 < yellow["low"] < 0.5 < yellow["high"] < 0.7
    assert ("step", 20, 0.95) == tuple(yellow[name] for name in ("pattern", "lots", "confidence"))
    assert ("Q-13", 13) == (yellow["changed_from"]["supplier_lot"], yellow["changed_by"]["number"])
    assert "A step at lot Q-13 is likely (100 %)." in yellow["says"]
    assert None is light["changed_from"]
    assert "Lots before a likely change count little" in found["method"]


def test_four_lots_foretell_no_figure(shop):
    """Four lots are too few for a figure; five are needed."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, STEADY[:4])
    found = foreseen(shop, supplier, grade)
    assert ([], "verdicts") == (found["next_values"], found["model"])
    whites(supplier, grade, STEADY[4:5], first=5)
    said = ahead(foreseen(shop, supplier, grade), "color.component_b")["says"]
    assert "expected in the next lot (95 % prediction interval, 5 lots)." in said


def test_asked_again_it_says_the_same(shop):
    """The same lots give the same forecast, whoever asks and whatever else the shop buys."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, STEADY)
    found = foreseen(shop, supplier, grade)
    whites(shop.supplier("NBK"), grade, STEADY[:2], prefix="N")
    assert found == foreseen(shop, supplier, grade)
    assert found == foreseen(shop, supplier, grade, "quality")
    whites(supplier, grade, [0.02], first=13)
    assert 13 == foreseen(shop, supplier, grade)["lots"]


def test_four_measured_lots_are_too_few_for_a_model(shop):
    """With four measured lots only the verdicts count; five are needed."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, STEADY[:4])
    assert ("verdicts", 4) == tuple(foreseen(shop, supplier, grade)[name] for name in ("model", "lots"))
    whites(supplier, grade, STEADY[4:5], first=5)
    assert ("measured", 5) == tuple(foreseen(shop, supplier, grade)[name] for name in ("model", "lots"))


def test_a_failure_that_no_measure_follows_counts_as_well(shop):
    """Lots rejected for one oval reading lower the forecast as another failure."""
    limits = {**COLOR, "diameter": {"ovality_max_mm": 0.05}}
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    with supply.at_the_desks():
        for number, b in enumerate(STEADY[:8], start=1):
            came = supply.delivery(supplier, grade, f"Q-{number}", supply.month(number))
            code, at = came["spools"][0]["code"], supply.month(number)
            lab = [WHITE[0], WHITE[1], WHITE[2] + b]
            supply.reading("color", code, at, lab=lab, conditions=CONDITIONS)
            supply.reading("diameter", code, at, d1_mm=1.79 if number % 2 else 1.75, d2_mm=1.71 if number % 2 else 1.75)
    found = foreseen(shop, supplier, grade)
    assert (8, 4, "measured") == (found["inspected"], found["accepted"], found["model"])
    # Four of eight failed for it: Jeffreys' mean is (4 + 1/2) / (8 + 1).
    (part,) = (p["probability"] for p in found["parts"] if p["part"] == "everything else")
    assert pytest.approx(0.5, abs=tolerances.DRAWN_SHARE) == part
    assert "a value that the model does not follow" in found["says"]


def test_a_lot_sorted_and_sent_again_foretells_nothing(shop):
    """A sorted and resubmitted lot does not count."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    _, refused = judged(supplier, grade, "AR")
    before = foreseen(shop, supplier, grade)
    again = shop.receive(supplier, grade, "Q-02S", spools=1, resubmission_of=refused)
    shop.diameter(again["spools"][0]["code"])
    assert before == foreseen(shop, supplier, grade)


@pytest.mark.parametrize("role", ["receiving", "production"])
def test_the_forecast_is_for_purchasing_and_quality(shop, role):
    """The forecast is for purchasing and quality, and an unknown supplier or grade is not found."""
    supplier, grade = shop.supplier(), shop.grade()
    said = shop.get(role, f"/forecast?supplier_id={supplier['id']}&grade_id={grade['id']}", 403)["detail"]
    assert "purchasing" in said
    assert "quality" in said
    shop.get("purchasing", f"/forecast?supplier_id=9&grade_id={grade['id']}", 404)
    shop.get("purchasing", f"/forecast?supplier_id={supplier['id']}&grade_id=9", 404)
    missing = shop.get("purchasing", "/forecast", 422)
    assert ["supplier_id", "grade_id"] == [error["pointer"] for error in missing["errors"]]
