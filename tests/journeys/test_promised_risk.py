"""The promised risk over HTTP: spread from earlier lots, its permanence, and the risks of limits and samples."""

import math

import pytest
from scipy.stats import norm
from scipy.stats import t as student

from tests.shop import MEASURED

LIMITS = {
    "decision_rule": "guarded",
    "sampling": {"fixed": 2},
    "diameter": {"mean_tolerance_mm": 0.03, "readings_per_spool_min": 3},
}
Z = 1.645
# Invented: each spool has equal spread about its own mean.
SPREAD = (-0.002, 0.0, 0.002)


@pytest.fixture
def gauge(shop):
    """A micrometer with a stated standard uncertainty."""
    body = {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 365, "standard_uncertainty": 0.001}
    return shop.post("quality", "/instruments", body)["id"]


@pytest.fixture
def grade(shop):
    """A grade under guarded limits."""
    return shop.grade(limits=LIMITS)


@pytest.fixture
def supplier(shop):
    """A supplier."""
    return shop.supplier()


def measured(shop, supplier, grade, gauge, number, middle=1.75, spread=SPREAD):
    """A lot of ten spools, its drawn ones measured three times; returns its number and its readings."""
    got = shop.receive(supplier, grade, number, 10)
    rows = [
        {
            "spool_code": code,
            "d1_mm": d,
            "d2_mm": d,
            "position_m": float(i),
            "instrument_id": gauge,
            "measured_at": MEASURED,
        }
        for code in got["sample"]["spool_codes"]
        for i, d in enumerate(middle + by for by in spread)
    ]
    return got["lot_id"], shop.measure("diameter", rows)["items"]


def test_a_new_lot_is_lent_the_scatter_of_earlier_spools_and_keeps_it(shop, supplier, grade, gauge):
    """Two spools alone have four degrees of freedom; with six earlier ones they have sixteen, whatever is voided later (JCGM 100:2008, 4.2.4)."""
    first, readings = measured(shop, supplier, grade, gauge, "L-1")
    alone = shop.finding(first, "diameter.spool_mean")
    for number in ("L-2", "L-3"):
        measured(shop, supplier, grade, gauge, number)
    lot, _ = measured(shop, supplier, grade, gauge, "L-4")
    lent = shop.finding(lot, "diameter.spool_mean")
    for found, df in ((alone, 4), (lent, 16)):
        scatter, own = found["uncertainty_budget"]
        assert (pytest.approx(0.002 / math.sqrt(3)), df) == (
            scatter["standard_uncertainty"],
            scatter["degrees_of_freedom"],
        )
        assert (0.001, None) == (own["standard_uncertainty"], own["degrees_of_freedom"])
        band = math.hypot(student.ppf(norm.cdf(Z), df) * 0.002 / math.sqrt(3), Z * 0.001)
        assert band == pytest.approx(found["guard_band"])
    assert "pooled with 6 earlier spools" in lent["uncertainty_budget"][0]["source"]
    assert "released" == shop.lot(lot)["standing"]

    shop.void(readings[0]["id"], "wrong spool on the bench")
    assert lent == shop.finding(lot, "diameter.spool_mean")


def test_a_lot_that_scatters_more_than_earlier_ones_is_judged_by_its_own(shop, supplier, grade, gauge):
    """A lot separated by Cochran's test has its own spread (Cochran 1941)."""
    for number in ("L-1", "L-2", "L-3"):
        measured(shop, supplier, grade, gauge, number)
    wide, _ = measured(shop, supplier, grade, gauge, "L-4", spread=(-0.03, 0.0, 0.03))
    scatter, _ = shop.finding(wide, "diameter.spool_mean")["uncertainty_budget"]
    assert (pytest.approx(0.03 / math.sqrt(3)), 4) == (scatter["standard_uncertainty"], scatter["degrees_of_freedom"])
    assert "quarantined" == shop.lot(wide)["standing"]


def test_quality_asks_what_the_limits_and_the_sample_risk(shop, supplier, grade, gauge):
    """Without a lot the spread is unknown; with lots the answer has both risks and the effect of one more reading."""
    query = f"/decision-risk?grade_id={grade['id']}"
    (before,) = shop.get("quality", query)["measures"]
    assert before["false_accept_probability"] is None
    assert "standard deviation of a reading is not known" in before["says"]
    for number in ("L-1", "L-2"):
        measured(shop, supplier, grade, gauge, number)
    answer = shop.get("quality", query)
    (found,) = answer["measures"]
    assert ("guarded", 1.645, 0.5) == (answer["decision_rule"], answer["guard_z"], answer["good"])
    assert ("diameter.spool_mean", 2, 3, "MIC-1", 0.001) == tuple(
        found[name] for name in ("code", "spools", "readings_per_spool", "instrument", "uncertainty")
    )
    assert pytest.approx(0.002) == found["sd"]
    assert 0.01 < found["false_accept_probability"] <= 0.051
    assert found["false_reject_probability"] < 0.01
    assert 25 == len(found["curve"])
    assert {"one more spool", "one more reading per spool", "an instrument with half the uncertainty"} == {
        one["change"] for one in found["changes"]
    }


def test_a_plan_is_tried_with_numbers_of_its_own(shop, grade):
    """More readings of a noisier figure hold fewer good lots and pass no more bad ones."""
    query = f"/decision-risk?grade_id={grade['id']}&code=diameter.spool_mean&sd=0.01&good=0.8"
    three, ten = (shop.get("quality", f"{query}&readings={n}")["measures"][0] for n in (3, 10))
    assert ten["false_reject_probability"] < three["false_reject_probability"]
    assert max(three["false_accept_probability"], ten["false_accept_probability"]) <= 0.051


def test_the_power_curve_is_drawn(shop, grade):
    """The power curve is a picture of the same answer, with title and description."""
    drawn = shop.client.get(
        f"/v1/decision-risk?grade_id={grade['id']}&code=diameter.spool_mean&sd=0.01",
        headers={"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": "image/svg+xml"},
    )
    assert (200, "image/svg+xml") == (drawn.status_code, drawn.mimetype)
    assert "<title" in drawn.text
    assert "a lot on its limit passes in" in drawn.text


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("grade_id=999", 404, "999"),
        ("grade_id={grade}&sd=0.1", 422, "This value requires the code of its measure."),
        ("grade_id={grade}&code=color.lot_delta_e", 422, "Use one of these codes: diameter.spool_mean."),
        ("grade_id={grade}&spools=0", 422, "spools"),
    ],
)
def test_a_plan_that_cannot_be_made_says_why(shop, grade, query, status, says):
    """An unknown grade, a number without its figure, and a figure without a limit are refused with the remedy."""
    answer = shop.get("quality", f"/decision-risk?{query.format(grade=grade['id'])}", status)
    assert says in str(answer)
