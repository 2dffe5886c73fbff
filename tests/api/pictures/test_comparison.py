"""Suppliers compared, drawn."""

import pytest

from lots.api.pictures.purchasing.comparison import draw
from tests.api.pictures.seen import NASTY, Picture

SPREAD = dict.fromkeys(("within_low", "within_high", "between_low", "between_high"))


def supplier(name="Ninebark", accepted=10, inspected=11, **more):
    """A supplier's line, with what the picture reads."""
    rate = accepted / inspected if inspected else None
    ends = {"low": max(0.0, rate - 0.2), "high": min(1.0, rate + 0.2)} if inspected else {"low": None, "high": None}
    seen = {"accepted": accepted, "rate": rate, **ends}
    return {"supplier": name, "inspected": inspected, "acceptance": seen, "bias": None, "spread": [], **more}


def drawn(*suppliers, grade="PLA-HW-175"):
    """The picture of these."""
    answer = {"grade": grade, "suppliers": list(suppliers), "confidence": 0.95, "says": "It can't be told yet."}
    return Picture(draw(answer))


def bias(n=11, dL=0.12, da=-0.04, db=-0.34):
    """A mean colour, less the reference."""
    return {"dL": dL, "da": da, "db": db, "n": n}


def test_each_supplier_has_a_dot_an_interval_and_its_count():
    """Ten of eleven is printed as that, beside a filled dot on the line of its interval."""
    seen = drawn(supplier(), supplier("Quillwort", 12, 12))
    assert ["10 of 11", "12 of 12"] == [words for words in seen.words if " of 1" in words]
    assert 2 == len(seen.marks("circle", fill="#1a1a1a"))
    assert "too few lots" not in seen.words


def test_suppliers_stand_in_the_order_of_the_answer():
    """The picture ranks nobody: it keeps the order it is given."""
    words = drawn(supplier("Zinnia"), supplier("Aster", 1, 9)).words
    assert words.index("Zinnia") < words.index("Aster")


@pytest.mark.parametrize(("inspected", "few"), [(1, True), (2, True), (3, False)])
def test_below_three_lots_a_supplier_is_faint_and_called_so(inspected, few):
    """Two of two looks like all of them: an open dot on a dashed line says how little that is, and so do words."""
    seen = drawn(supplier(accepted=inspected, inspected=inspected))
    assert few == ("too few lots" in seen.words)
    assert few == bool(seen.marks("line", stroke_dasharray="3 3"))
    assert few == (not seen.marks("circle", fill="#1a1a1a"))


def test_without_an_inspected_lot_there_is_no_dot():
    """A share of nothing is not drawn at zero."""
    seen = drawn(supplier(accepted=0, inspected=0))
    assert "none inspected yet" in seen.words
    assert [] == seen.marks("circle")


def test_bias_is_signed_and_says_which_way():
    """Each coordinate has its sign, its bar on that side of the line, and words at both ends."""
    seen = drawn(supplier(bias=bias()))
    assert {"+0.12", "-0.04", "-0.34", "11 lots"} <= set(seen.words)
    assert {"← darker", "lighter →", "← greener", "redder →", "← bluer", "yellower →"} <= set(seen.words)
    assert 3 == len(seen.marks("rect", fill="#1a1a1a"))


def test_no_bias_at_all_is_drawn_without_trouble():
    """A mean that meets the reference exactly has bars of no length."""
    assert 3 == drawn(supplier(bias=bias(2, 0.0, 0.0, 0.0))).words.count("+0.00")


def test_scatter_is_filled_within_and_hatched_between():
    """Both have their number; what could not be told says so, and what is zero says none."""
    color = {
        **SPREAD,
        "measure": "color.component_l",
        "within_sd": 0.111,
        "between_sd": 0.068,
        "lots": 11,
        "spools": 55,
    }
    wide = {**SPREAD, "measure": "diameter.mean", "within_sd": None, "between_sd": 0.0, "lots": 1, "spools": 3}
    seen = drawn(supplier(spread=[color, wide]), supplier("Quillwort"))
    assert {"0.11", "0.068", "11 lots, 55 spools", "Mean diameter (mm)"} <= set(seen.words)
    assert {"not known: too few to tell", "0, none shown", "1 lot, 3 spools"} <= set(seen.words)
    assert 2 == seen.words.count("not measured")


def test_over_all_grades_it_says_why_no_more_is_drawn():
    """Bias over different references would mean nothing."""
    assert "one grade at a time" in drawn(supplier(), grade=None).said


def test_without_measurements_or_suppliers_it_says_so():
    """There are words where there is nothing to draw."""
    assert "no lot of this grade has been measured" in drawn(supplier()).said
    assert "It can't be told yet." in drawn().words


def test_names_cannot_break_the_picture():
    """A name is text, whatever stands in it."""
    assert NASTY.replace("\ufffe", "\ufffd") in drawn(supplier(NASTY, bias=bias()), grade=NASTY).words
