"""A sentence per supplier, from the figures of the comparison alone."""

import numpy as np
import pytest

from lots.domain.characteristics.registry import MEASURES
from lots.services.purchasing.comparison import compare
from tests.journeys.supply import COLOR, DIAMETER, at_the_desks, color, delivery, judged, month, reading, whites
from tests.store.rows import connected
from tests.tolerances import SAME_FORMULA

USES = {"uses": {"cosmetic": ["color"], "fit": ["diameter"]}}


def lines(grade, use=None):
    """Returns the comparison, and its suppliers by code."""
    with connected():
        found = compare(None if grade is None else grade["id"], None, None, use)
    return found, {line["supplier"].removeprefix("Supplier "): line for line in found["suppliers"]}


@pytest.fixture
def three(shop):
    """One supplier drifting yellower by 0.03 a lot from lot 11 on, one with a large spread, and a newcomer with two lots."""
    grade, dice = shop.grade(limits=COLOR), np.random.default_rng(2)
    small = dice.normal(0, 0.03, 30)
    whites(shop.supplier("QWT"), grade, (small + 0.03 * np.clip(np.arange(30) - 10, 0, None)).tolist())
    whites(shop.supplier("NBK"), grade, dice.normal(0, 0.9, 30).tolist(), prefix="N")
    whites(shop.supplier("SDG"), grade, [0.1, 0.1], prefix="S")
    return grade


def test_a_sentence_names_acceptance_who_is_beaten_and_the_drift(three):
    """A sentence has acceptance, closer and steadier comparisons, and a drift with a known slope."""
    found, seen = lines(three)
    better = {
        (pair["criterion"], pair["better_supplier_id"]) for pair in found["comparisons"] if pair["better_supplier_id"]
    }
    said = seen["QWT"]["headline"]["says"]
    assert (("closeness", 1) in better) == ("nearer the reference" in said)
    assert ("steadiness", 1) in better
    assert "steadier than Supplier NBK" in said
    assert "less steady than Supplier QWT" in seen["NBK"]["headline"]["says"]
    assert said.startswith(
        f"Supplier QWT: {seen['QWT']['acceptance']['accepted']} of 30 lots accepted for at least one use"
    )
    assert "yellower by 0.03 per lot" in said
    assert "Supplier SDG: 2 of 2 lots accepted for at least one use." == seen["SDG"]["headline"]["says"]
    assert all(len(one.split()) <= 25 for line in seen.values() for one in line["headline"]["says"].split(". "))


def test_the_order_sets_the_newcomer_aside_and_tells_the_others(three):
    """The newcomer is set aside, and steadiness is compared between the other two."""
    order = lines(three)[0]["order"]["steadiness"]
    assert ([{"better_supplier_id": 1, "worse_supplier_id": 2}], [[1], [2]]) == (order["better_than"], order["groups"])
    (new,) = order["newcomers"]
    assert (3, 2) == (new["supplier_id"], new["lots"])
    assert new["lots_needed"] > 1


def test_figures_are_those_of_the_lots(three):
    """Bias is the mean of the lots, with its share of a limit of 1.0. Spreads are those of the comparison."""
    line = lines(three)[1]["NBK"]
    (row,) = [one for one in line["headline"]["measures"] if one["measure"] == "color.component_b"]
    (spread,) = [one for one in line["spread"] if one["measure"] == "color.component_b"]
    assert pytest.approx(line["bias"]["db"], abs=1e-9) == row["bias"] == row["limit_used"]
    assert (spread["within_sd"], spread["between_sd"], 30) == (row["within_sd"], row["between_sd"], row["lots"])
    assert ([-1.0, 1.0], "between") == (row["limit"], row["limit_kind"])


def test_a_use_has_the_measures_that_it_depends_on(shop):
    """A use has its own measures, colour for cosmetic and diameter for fit, with its own acceptance; without a use both."""
    grade, supplier = shop.grade(limits={**COLOR, **DIAMETER, **USES}), shop.supplier("QWT")
    with at_the_desks():
        for number, apart in enumerate((0.1, 2.0), start=1):
            spool = delivery(supplier, grade, f"Q-{number}", month(number))["spools"][0]["code"]
            color(spool, month(number), apart)
            reading("diameter", spool, month(number), d1_mm=1.76, d2_mm=1.76)
    seen = {use: lines(grade, use)[1]["QWT"]["headline"] for use in (None, "cosmetic", "fit")}
    about = {use: {row["measure"].partition(".")[0] for row in one["measures"]} for use, one in seen.items()}
    assert {None: {"color", "diameter"}, "cosmetic": {"color"}, "fit": {"diameter"}} == about
    assert "Supplier QWT: 1 of 2 lots accepted for cosmetic." == seen["cosmetic"]["says"]
    assert "Supplier QWT: 2 of 2 lots accepted for fit." == seen["fit"]["says"]
    assert "Supplier QWT: 2 of 2 lots accepted for at least one use." == seen[None]["says"]


def test_a_limit_with_one_end_has_no_bias_but_a_share(shop):
    """A mean colour difference of 0.25 uses a quarter of a limit of 1.0, without a bias."""
    grade = shop.grade(limits={"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}})
    whites(shop.supplier("QWT"), grade, [0.2, 0.3])
    measures = {row["measure"]: row for row in lines(grade)[1]["QWT"]["headline"]["measures"]}
    whole, b = measures["color.lot_delta_e"], measures["color.component_b"]
    assert (None, "at most", 1.0) == (whole["bias"], whole["limit_kind"], whole["limit"])
    assert pytest.approx(whole["mean"], abs=SAME_FORMULA) == whole["limit_used"]
    assert (None, None) == (b["limit"], b["limit_used"])
    assert pytest.approx(0.25, abs=1e-6) == b["bias"]


def test_over_all_grades_a_sentence_has_no_figures(shop):
    """Over all grades a sentence has acceptance alone, and an uninspected supplier is named in words."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "AR")
    judged(shop.supplier("NBK"), grade, "-", prefix="N")
    seen = lines(None)[1]
    assert [] == seen["QWT"]["headline"]["measures"]
    assert "Supplier QWT: 1 of 2 lots accepted for at least one use." == seen["QWT"]["headline"]["says"]
    assert "Supplier NBK: no lot inspected for at least one use yet." == seen["NBK"]["headline"]["says"]


def test_every_measure_can_be_told():
    """Each measure has words for more and for less."""
    assert all(one.more and one.less for one in MEASURES.values())
