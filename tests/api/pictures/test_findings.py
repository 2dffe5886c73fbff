"""The picture of findings: positions of limit, guard band, value and uncertainty, compared with examples by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.api.pictures.findings import HIGH_END, LOW_END, draw, draw_row, placed, row, worst_first
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.findings import LABELS, Finding
from lots.domain.conformity.limits import Limit
from lots.domain.uncertainty.budget import Uncertainty
from lots.services.assessment.lot_assessment import finding_view
from lots.services.setup.place import Place
from tests.api.pictures.seen import NASTY, Picture
from tests.tolerances import SAME_SUM

COMMA = Place(decimal_sign="comma")


def finding(low, high, value, verdict="pass", **more):
    """A finding as in the answer of an assessment."""
    told = {"code": "diameter.spool_mean", "n": 5, **more}
    limit = Limit(low, high, "mm")
    return {**finding_view(Finding(verdict=verdict, limit=limit, value=value, **told)), "limit_kind": limit.kind}


def test_a_limit_with_two_ends_fills_the_middle_half():
    """For a limit of 1.70 to 1.80, 1.775 is three quarters of the way between the ends at 0.25 and 0.75, at 0.625."""
    bar = placed(finding(1.7, 1.8, 1.775))
    assert (LOW_END, HIGH_END) == (bar.low, bar.high)
    assert bar.value == pytest.approx(0.625, abs=SAME_SUM)
    assert (0, None, ()) == (bar.beyond, bar.whisker, bar.near)


def test_a_highest_value_has_its_distance_from_nothing_as_its_scale():
    """For a limit of at most 1.2, 0 is at the left end, 0.6 half-way to 0.75, and 1.6 at the right end."""
    places = [placed(finding(None, 1.2, value)).value for value in (0.0, 0.6, 1.2, 1.6)]
    assert places == pytest.approx([0.0, 0.375, 0.75, 1.0], abs=SAME_SUM)


def test_a_lowest_value_has_the_same_scale_to_the_right():
    """For a limit of at least 20, 40 is at the right end and 15 at 0.25 - 0.75 / 4."""
    places = [placed(finding(20, None, value)).value for value in (15, 20, 30, 40)]
    assert places == pytest.approx([0.0625, 0.25, 0.625, 1.0], abs=SAME_SUM)


def test_the_guard_band_lies_inside_both_ends():
    """A guard band of 0.01 within 0.1 takes a tenth of the middle half at each end."""
    bar = placed(finding(1.7, 1.8, 1.795, "near", guard=0.01))
    assert [end for zone in bar.near for end in zone] == pytest.approx([0.25, 0.3, 0.7, 0.75], abs=SAME_SUM)
    assert 0.7 < bar.value < 0.75


def test_a_guard_band_wider_than_the_limit_stays_inside_it():
    """A guard band wider than the limit passes nothing and stays inside the limit."""
    bar = placed(finding(1.7, 1.8, 1.75, "near", guard=0.3))
    assert ((0.25, 0.75), (0.25, 0.75)) == bar.near


def test_the_whisker_is_the_interval_else_the_expanded_uncertainty():
    """With u = 0.005 the whisker is 1.96 u with a budget and 2 u without one, on both sides."""
    known = placed(finding(1.7, 1.8, 1.75, uncertainty=0.005, spread=Uncertainty.known(0.005)))
    assert known.whisker == pytest.approx((0.5 - 0.0489991, 0.5 + 0.0489991), abs=1e-6)
    bare = placed(finding(1.7, 1.8, 1.75, uncertainty=0.005))
    assert bare.whisker == pytest.approx((0.45, 0.55), abs=SAME_SUM)


def test_a_whisker_that_leaves_the_bar_is_cut_there():
    """With u = 0.04 about 1.78 the whisker runs from 1.70 at 0.25 to 1.86, cut at 1.85, the right end."""
    bar = placed(finding(1.7, 1.8, 1.78, uncertainty=0.04))
    assert bar.whisker == pytest.approx((0.25, 1.0), abs=SAME_SUM)
    assert (False, True) == bar.cut


@pytest.mark.parametrize(("value", "end", "way"), [(9.0, 1.0, 1), (0.1, 0.0, -1)])
def test_a_value_far_out_lies_at_the_end_with_an_arrow(value, end, way):
    """A distant value is at the end with an arrow and without a whisker."""
    found = finding(1.7, 1.8, value, "fail", uncertainty=0.01)
    bar = placed(found)
    assert (end, way, None) == (bar.value, bar.beyond, bar.whisker)
    assert 1 == len(Picture(draw_row(found)).marks("polygon"))
    assert [] == Picture(draw_row(finding(1.7, 1.8, 1.75))).marks("polygon")


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_no_number_is_never_drawn(value):
    """A non-finite value leaves limit and words without mark, arrow or whisker."""
    found = {**finding(1.7, 1.8, None, "missing", to_measure="5 positions"), "value": value, "uncertainty": math.nan}
    bar = placed(found)
    assert (None, None, 0) == (bar.value, bar.whisker, bar.beyond)
    seen = Picture(draw_row(found))
    assert ([], []) == (seen.marks("circle"), seen.marks("polygon"))
    assert "nan" not in seen.text.lower()


def test_without_a_limit_nothing_is_drawn():
    """A finding without a limit has only words."""
    found = {**finding(None, 1.0, None, "missing"), "limit": None}
    assert (None, "") == (placed(found), draw_row(found))


def test_a_limit_with_one_end_lies_on_the_side_that_it_is_of():
    """A one-sided limit is on its side, also with the value on it and without a value."""
    for value in (15, 20, 30, None):
        floor, ceiling = (placed(finding(*ends, value, "missing")) for ends in ((20, None), (None, 20)))
        assert (LOW_END, None, (0.25, 1.0)) == (floor.low, floor.high, floor.inside)
        assert (None, HIGH_END, (0.0, 0.75)) == (ceiling.low, ceiling.high, ceiling.inside)
        assert "at least 20 mm" == row(finding(20, None, value, "missing")).limit


def test_where_a_decision_kept_no_kind_of_limit_the_margin_tells_it():
    """Where a decision lacks the kind of limit the margin shows it; without a value or on the limit nothing is drawn."""
    for value, low in ((15, True), (30, True), (20, None), (None, None)):
        kept = finding(20, None, value, "missing")
        del kept["limit_kind"]
        bar = placed(kept)
        assert (None if low is None else LOW_END) == (bar and bar.low)


def test_a_limit_of_nothing_and_one_of_a_single_value_have_a_scale_too():
    """A limit of zero specks puts one speck off the bar; a limit of one value puts it in the middle and others off the bar."""
    assert (0.75, 1.0, 1) == (
        placed(finding(None, 0, 0)).value,
        placed(finding(None, 0, 1)).value,
        placed(finding(None, 0, 1)).beyond,
    )
    assert [(0.5, 0), (1.0, 1)] == [
        (bar.value, bar.beyond) for bar in (placed(finding(2, 2, 2)), placed(finding(2, 2, 3)))
    ]


numbers = st.floats(-1e4, 1e4).map(lambda number: round(number, 6))


@given(st.one_of(st.none(), numbers), st.one_of(st.none(), numbers), numbers, st.one_of(st.none(), st.floats(0, 1e4)))
def test_what_a_limit_allows_is_never_drawn_outside_it(low, high, value, u):
    """A permitted value is never drawn outside its limit, others never inside, and no whisker is reversed."""
    if low is None and high is None:
        high = 0.0
    if low is not None and high is not None and low > high:
        low, high = high, low
    limit = Limit(low, high)
    found = finding(low, high, value, "pass" if limit.allows(value) else "fail", uncertainty=u)
    bar = placed(found)
    first, last = bar.inside
    if limit.allows(value):
        assert first <= bar.value <= last
    else:
        assert bar.value <= first + 1e-6 or bar.value >= last - 1e-6
    ends = [bar.value, *(bar.whisker or ()), *(end for zone in bar.near for end in zone)]
    assert all(0 <= end <= 1 for end in ends)
    assert bar.whisker is None or bar.whisker[0] <= bar.whisker[1]


def test_verdicts_are_told_apart_without_colour():
    """Verdicts differ by shape: a filled dot, an open one, a cross of two strokes."""
    passed, near, failed = (
        Picture(draw_row(finding(1.7, 1.8, value, verdict, guard=0.01)))
        for value, verdict in ((1.75, "pass"), (1.795, "near"), (1.81, "fail"))
    )
    assert ["#1a1a1a", "#ffffff"] == [seen.marks("circle")[0].get("fill") for seen in (passed, near)]
    assert ([], 2) == (failed.marks("circle"), len(failed.marks("line", stroke_width="3")))


def test_words_beside_a_bar_are_written_as_the_site_does():
    """Value, limit, margin and count beside a bar have the site's decimal sign, as in the picture."""
    found = finding(1.7, 1.8, 1.775)
    told = row(found, COMMA)
    assert ("1,775 mm", "1,7 to 1,8 mm", "inside by 0,025 mm", "n = 5") == (told.value, told.limit, told.margin, told.n)
    seen = Picture(draw_row(found, COMMA))
    assert ["1,7", "1,8"] == seen.words
    assert "Pass: 1,775 mm, limit 1,7 to 1,8 mm, inside by 0,025 mm, n = 5." == seen.description
    assert ["1.7", "1.8"] == Picture(draw_row(found)).words


def test_no_code_stands_in_the_words_of_any_finding():
    """Every finding has a label in words with its subject, without a code."""
    assert {code.partition(".")[0] for code in LABELS} > set(DECLARED)
    for code in LABELS:
        told = row(finding(None, 1.0, 0.5, code=code, subject="spool S-1"))
        assert "_" not in told.label
        assert told.label.endswith(" (spool S-1)")


def answer(*findings):
    """An assessment."""
    return {"lot_id": 7, "findings": list(findings)}


def test_all_findings_stand_below_each_other_the_worst_first():
    """Each finding has a line with its verdict in words, worst first, and the description counts them."""
    near = finding(1.7, 1.8, 1.795, "near", guard=0.01, code="diameter.reading")
    missing = finding(20, None, None, "missing", code="bond.mean", to_measure="5 bars")
    failed = finding(None, 1.0, 1.002, "fail", code="color.lot_delta_e")
    given_order = [finding(1.7, 1.8, 1.75), near, missing, failed]
    assert [failed, near, missing] == worst_first(given_order)[:3]
    seen = Picture(draw(answer(*given_order)))
    assert ["✖ fail", "≈ undecided", "? not measured", "✔ pass"] == [
        words for words in seen.words if words[0] in "✖≈?✔"
    ]
    assert "4 findings: 1 fail, 1 undecided, 1 not measured, 1 pass." == seen.description
    assert "5 bars" in seen.said


def test_nothing_assessed_is_said_in_words():
    """A lot without limits has a text and no bar."""
    assert "Nothing has been assessed yet." == Picture(draw(answer())).description


def test_words_cannot_break_the_picture():
    """Subjects and measurements to make are escaped as text."""
    found = finding(None, 1.0, None, "missing", subject=NASTY, to_measure=NASTY)
    assert 2 == Picture(draw(answer(found))).said.count(NASTY.replace("\ufffe", "\ufffd"))
