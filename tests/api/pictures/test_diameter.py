"""The picture of diameter along the spools."""

import pytest

from lots.api.pictures.diameter import MOST, draw
from tests.api.pictures.seen import NASTY, Picture


def point(d1=1.75, d2=1.74, position=3.0, **more):
    """One position."""
    found = {"position_m": position, "d1_mm": d1, "d2_mm": d2, "ovality_mm": abs(d1 - d2)}
    return {**found, "outside": False, "too_oval": False, **more}


def spool(code="S-1", points=None, **more):
    """A spool with two positions."""
    points = points or [point(), point(1.76, 1.75, 6.0)]
    bad = sum(p["outside"] or p["too_oval"] for p in points)
    return {"spool_code": code, "positions_noted": True, "mean_mm": 1.75, "points": points, "outside": bad, **more}


def drawn(*spools, **more):
    """The picture of these spools."""
    answer = {
        "supplier_lot": "Q-71",
        "nominal_mm": 1.75,
        "reading_limit_mm": [1.7, 1.8],
        "mean_limit_mm": [1.72, 1.78],
        "ovality_max_mm": 0.05,
        "spools": list(spools),
        "says": "It says.",
        "notes": [],
    }
    return Picture(draw({**answer, **more}))


def test_two_axes_are_two_lines_of_their_own():
    """The two axes are a dashed line with filled dots and a dotted one with open dots, with the area between shaded."""
    seen = drawn(spool())
    assert (1, 1) == (
        len(seen.marks("polyline", stroke_dasharray="9 4")),
        len(seen.marks("polyline", stroke_dasharray="2 3")),
    )
    assert 1 == len(seen.marks("polygon"))
    assert (2, 2) == tuple(len(seen.marks("circle", r="3.5", fill=fill)) - 1 for fill in ("#1a1a1a", "#ffffff"))


def test_each_spool_has_a_panel_with_its_count_and_limits():
    """Each spool has a panel with positions, mean, ovality and their limits."""
    seen = drawn(spool(), spool("S-2"))
    assert 2 == sum(
        "2 positions, mean 1.750 mm (limit 1.72 to 1.78), largest ovality 0.010 mm (limit 0.05)" in w
        for w in seen.words
    )
    assert (2, 2) == (seen.words.count("limit 1.8"), seen.words.count("nominal 1.75"))


@pytest.mark.parametrize("fault", ["outside", "too_oval"])
def test_a_position_outside_is_ringed_and_counted(fault):
    """Both ends of a position outside are ringed, and the panel's heading has the count."""
    seen = drawn(spool(points=[point(), point(1.85, 1.75, 6.0, **{fault: True})]))
    assert 3 == len(seen.marks("circle", r="8"))
    assert any(words.endswith("1 outside limits") for words in seen.words)


def test_readings_without_a_place_are_only_counted():
    """Readings without a position are drawn in order of time, and the axis says so."""
    seen = drawn(spool(points=[point(position=None), point(position=None)], positions_noted=False))
    assert {"reading number (position not recorded)", "1", "2"} <= set(seen.words)
    assert "distance from the free end, m" not in seen.words


def test_one_position_is_drawn_without_trouble():
    """A single position has a mark for its ovality without an area."""
    assert 1 == len(drawn(spool(points=[point()])).marks("line", stroke_width="8"))


def test_without_limits_none_are_drawn():
    """Without limits only the nominal diameter is drawn."""
    seen = drawn(spool(), reading_limit_mm=None, mean_limit_mm=None, ovality_max_mm=None)
    assert "limit" not in seen.said.replace("outside a limit", "")


def test_of_many_spools_those_furthest_off_keep_their_panels():
    """Of many spools the furthest from nominal keep their panels, and a text counts the others."""
    far = spool("FAR", [point(1.85, 1.75)])
    seen = drawn(*[spool(f"S-{number}", [point(1.75, 1.75)]) for number in range(MOST + 2)], far)
    assert "Spool FAR" in seen.said
    assert "3 more spools nearer to nominal" in seen.said


def test_nothing_measured_is_said_in_words():
    """Without a reading there is no panel and no key, but the notes remain."""
    seen = drawn(notes=["1 reading does not count."])
    assert ["Diameter along lot Q-71", "It says.", "1 reading does not count."] == seen.words


def test_words_cannot_break_the_picture():
    """Codes and lot numbers are escaped as text."""
    assert NASTY.replace("\ufffe", "\ufffd") in drawn(spool(NASTY), supplier_lot=NASTY, says=NASTY, notes=[NASTY]).words
