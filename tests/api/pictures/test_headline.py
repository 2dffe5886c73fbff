"""The picture of the supplier comparison."""

import pytest

from lots.api.pictures.purchasing.headline import NARROW, WIDE, draw
from tests.api.pictures.seen import NASTY, Picture

LOOKS = pytest.mark.parametrize("look", [WIDE, NARROW], ids=["wide", "narrow"])
NOTHING = {"inspected": 0, "accepted": 0, "rate": None, "low": None, "high": None}


def share(accepted, inspected):
    """A number of accepted lots with the ends of an interval."""
    rate = accepted / inspected if inspected else None
    ends = {"low": max(0.0, rate - 0.2), "high": min(1.0, rate + 0.2)} if inspected else {"low": None, "high": None}
    return {"inspected": inspected, "accepted": accepted, "rate": rate, **ends}


def row(measure="color.component_b", **more):
    """The figures of a measure between two limits."""
    found = {
        "measure": measure,
        "label": "Yellow-blue difference db*",
        "unit": "",
        "decimals": 2,
        "less": "bluer",
        "more": "yellower",
        "lots": 24,
        "limit": [-1.0, 1.0],
        "limit_kind": "between",
        "mean": 0.25,
        "bias": 0.25,
        "limit_used": 0.25,
        "within_sd": 0.1,
        "within_share": 0.1,
        "between_sd": 0.2,
        "between_share": 0.2,
        "drift": None,
    }
    return {**found, **more}


def moving(size, departure, kind="ramp"):
    """A drift from 0."""
    where = {"number": 11, "lot_id": 11, "supplier_lot": "Q-11"}
    way = "yellower" if size > 0 else "bluer"
    return {"kind": kind, "direction": way, "size": size, "level": 0.0, "departure": departure, "began": where}


def supplier(name="Ninebark", accepted=10, inspected=11, rows=(), by_use=()):
    """A supplier's row with the fields that the picture reads."""
    seen = share(accepted, inspected)
    says = f"{name}: {accepted} of {inspected} lots accepted for at least one use."
    return {
        "supplier": name,
        "inspected": inspected,
        "acceptance": seen,
        "by_use": list(by_use),
        "headline": {"says": says, "measures": list(rows)},
    }


def drawn(*suppliers, grade="PLA-HW-175", use=None, look=WIDE):
    """The picture of these suppliers."""
    answer = {"grade": grade, "use": use, "suppliers": list(suppliers), "confidence": 0.95, "says": "Nothing yet."}
    return Picture(draw(answer, look))


@LOOKS
def test_each_supplier_has_a_dot_an_interval_its_count_and_its_sentence(look):
    """Each supplier has a sentence, and a filled dot on its interval with its count, such as ten of eleven."""
    seen = drawn(supplier(), supplier("Quillwort", 12, 12), look=look)
    assert ["10 of 11", "12 of 12"] == [words for words in seen.words if words in ("10 of 11", "12 of 12")]
    assert 2 == len(seen.marks("circle", fill="#1a1a1a"))
    assert "too few lots" not in seen.words
    assert "Quillwort: 12 of 12 lots accepted for at least one use." in seen.said
    assert "Ninebark: 10 of 11 lots" in seen.description


def test_suppliers_stand_in_the_order_of_the_answer():
    """Suppliers keep the order of the answer."""
    words = drawn(supplier("Zinnia"), supplier("Aster", 1, 9)).words
    assert words.index("Zinnia") < words.index("Aster")


def test_acceptance_is_for_the_use_asked_about():
    """Acceptance is for the requested use: five of eleven for cosmetic though ten for at least one; a supplier without that use has none."""
    for_use = [{"use": "cosmetic", **share(5, 11)}, {"use": "fit", **share(10, 11)}]
    seen = drawn(supplier(by_use=for_use), supplier("Quillwort"), use="cosmetic")
    assert {"5 of 11", "none inspected yet"} <= set(seen.words)
    assert "10 of 11" not in seen.words
    assert "Suppliers compared: PLA-HW-175, cosmetic" == seen.title


@LOOKS
@pytest.mark.parametrize(("inspected", "few"), [(1, True), (2, True), (3, False)])
def test_below_three_lots_a_supplier_is_faint_and_called_so(inspected, few, look):
    """Below three lots a supplier has an open dot on a dashed line and is called uncertain in words."""
    seen = drawn(supplier(accepted=inspected, inspected=inspected), look=look)
    assert few == ("too few lots" in seen.words)
    assert few == bool(seen.marks("line", stroke_dasharray="3 3"))
    assert few == (not seen.marks("circle", fill="#1a1a1a"))


def test_without_an_inspected_lot_there_is_no_dot():
    """Without an inspected lot there is no dot."""
    seen = drawn(supplier(accepted=0, inspected=0))
    assert "none inspected yet" in seen.words
    assert [] == seen.marks("circle")


@LOOKS
def test_bias_and_spread_stand_beside_the_limit_in_figures(look):
    """Bias and spread are shares of the limit: within lots filled and between lots hatched."""
    seen = drawn(supplier(rows=[row()]), look=look)
    assert {"bias +0.25, 25 % of the limit, 24 lots", "within lots 0.10 (10 %), between lots 0.20 (20 %)"} <= set(
        seen.words
    )
    assert "limit -1 to 1" in seen.words
    assert 1 == len(seen.marks("rect", fill="#1a1a1a"))
    if look is WIDE:
        assert {"← bluer", "yellower →"} <= set(seen.words)


def test_a_mean_lies_where_its_share_of_the_limit_says():
    """A mean is placed by its share of the limit: 0 in the middle, 1 at an end, and a quarter on a quarter of the way."""
    seen = drawn(supplier(rows=[row()]))
    low, high = sorted(
        float(one.get("x1")) for one in seen.marks("line", stroke_width="2") if one.get("x1") == one.get("x2")
    )
    (dot,) = seen.marks("circle", fill="#ffffff")
    assert pytest.approx(0.25, abs=0.01) == (float(dot.get("cx")) - (low + high) / 2) / ((high - low) / 2)


@LOOKS
@pytest.mark.parametrize(
    ("size", "departure", "kind", "words"),
    [
        (0.03, 0.4, "ramp", "drift: yellower by 0.03 per lot"),
        (-0.03, -0.4, "ramp", "drift: bluer by 0.03 per lot"),
        (0.5, 0.5, "step", "drift: yellower by 0.50 since lot Q-11"),
    ],
)
def test_a_drift_is_an_arrow_that_way_and_words(size, departure, kind, words, look):
    """A drift is an arrow in the direction of the lots, with the distance in words."""
    seen = drawn(supplier(rows=[row(drift=moving(size, departure, kind))]), look=look)
    assert words in seen.words
    (tip,) = seen.marks("polygon")
    xs = [float(point.split(",")[0]) for point in tip.get("points").split()]
    assert (xs[0] > xs[1]) == (size > 0)


@pytest.mark.parametrize(("kind", "limit", "mean"), [("at most", 0.9, 0.3), ("at least", 20.0, 30.0)])
def test_a_limit_with_one_end_has_one_line_and_a_mean_in_place_of_a_bias(kind, limit, mean):
    """A one-sided limit has one line, and the mean on its permitted side in place of a bias."""
    seen = drawn(supplier(rows=[row(limit=limit, limit_kind=kind, mean=mean, bias=None, limit_used=0.5)]))
    (end,) = [one for one in seen.marks("line", stroke_width="2") if one.get("x1") == one.get("x2")]
    (dot,) = seen.marks("circle", fill="#ffffff")
    assert (kind == "at most") == (float(dot.get("cx")) < float(end.get("x1")))
    assert f"mean {mean:.2f}, 50 % of the limit, 24 lots" in seen.words
    assert f"limit {kind} {limit:g}" in seen.words


def test_figures_far_outside_stay_within_the_picture():
    """A mean and a drift ten limits away end at the edge of their field."""
    drawn(supplier(rows=[row(mean=10.0, drift=moving(5.0, 50.0))]))


def test_a_measure_without_a_limit_or_without_spread_says_so():
    """Without a limit or a spread a measure has no share and is called unknown; the smallest bias has no sign."""
    none = {"limit": None, "limit_kind": None, "limit_used": None, "within_share": None, "between_share": None}
    seen = drawn(
        supplier(rows=[row(**none, mean=0.001, bias=0.001, within_sd=None, between_sd=None)]), supplier("Quillwort")
    )
    assert {"no limit", "bias 0.00, 24 lots", "within lots unknown, between lots unknown"} <= set(seen.words)
    assert "not measured" in seen.words


def test_over_all_grades_it_says_why_no_more_is_drawn():
    """Over all grades the picture omits the bias, which has no meaning across references, and says so."""
    assert "Choose one grade" in drawn(supplier(), grade=None).said


def test_without_measurements_or_suppliers_it_says_so():
    """There are words where there is nothing to draw."""
    assert "no lots of this grade have been measured" in drawn(supplier()).said
    assert "Nothing yet." in drawn().words


@LOOKS
def test_names_cannot_break_the_picture(look):
    """Names are escaped as text."""
    name = NASTY.replace("\ufffe", "\ufffd")
    assert name in drawn(supplier(NASTY, rows=[row()]), look=look).words
    assert name in drawn(supplier(NASTY), grade=NASTY).title


def test_both_looks_stand_in_one_page():
    """Two pictures on one page have different title ids."""
    wide, narrow = (drawn(supplier(), look=look) for look in (WIDE, NARROW))
    assert not set(wide.ids) & set(narrow.ids)
