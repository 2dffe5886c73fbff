"""The picture of a lot's colour."""

import pytest

from lots.api.pictures.color_map import draw
from tests.api.pictures.seen import NASTY, Picture

RING = [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]
SMALL = [[0.8 * a, 0.8 * b] for a, b in RING]


def apart(dL=-0.6, da=0.1, db=0.2, delta_e=0.6):
    """A difference from the reference."""
    return {"dL": dL, "da": da, "db": db, "delta_e": delta_e, "direction": "darker"}


def seen_as(lab=(95.0, -0.8, 1.5), in_gamut=True):
    """A colour with its screen colour."""
    return {"lab": list(lab), "screen": {"hex": "#f0efec", "in_gamut": in_gamut}}


def drawn(**more):
    """The picture of a lot with two spools, with these parts changed."""
    answer = {
        "supplier_lot": "Q-71",
        "formula": "CIEDE2000",
        "lot_max": 1.0,
        "coverage_factor": 2.0,
        "reference": {"name": "Harbour White", "revision": 1, "conditions": "D65, 10 deg observer", **seen_as()},
        "lot": {**apart(), "uncertainty": [0.1, 0.05, 0.08], "spools": 2, "readings": 6, **seen_as((94.4, -0.7, 1.7))},
        "spools": [
            {"spool_code": "S-1", "readings": 3, **apart(delta_e=0.5)},
            {"spool_code": "S-2", "readings": 3, **apart(da=-0.3, delta_e=0.71)},
        ],
        "outline": RING,
        "outline_at_lot": SMALL,
        "screen_says": "Do not judge colour on a screen.",
        "says": "Lot Q-71 lies 0.60 from the reference.",
        "notes": [],
    }
    return Picture(draw({**answer, **more}))


def lot(**more):
    """A lot's mean with these parts changed."""
    return {**apart(), "uncertainty": None, "spools": 1, "readings": 1, **seen_as(), **more}


def outlines(seen, dash):
    """Closed lines drawn with this dash."""
    return [one for one in seen.marks("polyline") if one.get("stroke-dasharray") == dash]


def test_the_outline_is_closed_and_the_lots_own_is_dashed():
    """Both outlines are drawn point by point, closed, and the lot's own is dashed."""
    seen = drawn()
    for dash in (None, "7 5"):
        (line,) = outlines(seen, dash)
        points = line.get("points").split()
        assert (5, points[0]) == (len(points), points[-1])
    assert any("dL* -0.60" in words for words in seen.words)


def test_spools_are_dots_and_the_farthest_has_its_name():
    """Each spool is a dot on the plane and one on the lightness strip, and the farthest one has its name."""
    seen = drawn()
    assert (2, 2) == (len(seen.marks("circle", r="3", fill="#1a1a1a")), len(seen.marks("circle", r="3.5")) - 1)
    assert "S-2: 0.71" in seen.words
    assert "S-1: 0.50" not in seen.words


def test_what_it_rests_on_is_printed():
    """Spools, readings, formula and limit are printed beside their marks."""
    said = drawn().said
    assert "2 spools, 6 readings" in said
    assert "CIEDE2000 of 1," in said
    assert "k = 2" in said


def test_an_uncertainty_is_an_ellipse_or_words():
    """A known uncertainty is a dotted ellipse on the plane and in the key; an unknown one is in words."""
    assert 2 == len(outlines(drawn(), "2 3"))
    unsure = drawn(lot=lot())
    assert [] == outlines(unsure, "2 3")
    assert "uncertainty of this mean is unknown" in unsure.said


def test_outlines_that_fall_together_are_called_so():
    """Where both outlines coincide the text says so."""
    assert "almost coincides with the first" in drawn(outline_at_lot=RING).said
    assert "almost coincides with the first" not in drawn().said


def test_where_lightness_uses_the_limit_up_words_say_so():
    """Where lightness alone exceeds the limit a text replaces the outline."""
    seen = drawn(outline_at_lot=[])
    assert [] == outlines(seen, "7 5")
    assert "Lightness alone exceeds it" in seen.said


def test_a_screen_is_not_a_match():
    """The patches state that a screen is no match, and a colour outside its gamut is flagged in words."""
    assert "Do not judge colour on a screen." in drawn().said
    assert "outside sRGB:" not in drawn().words
    assert "outside sRGB:" in drawn(lot=lot(**seen_as(in_gamut=False))).words


def test_without_a_limit_there_is_no_outline_and_words_say_so():
    """Without a limit differences are drawn without an outline, with a text."""
    seen = drawn(lot_max=None, outline=[], outline_at_lot=[])
    assert "no limit is set" in seen.said
    assert [] == outlines(seen, "7 5")


@pytest.mark.parametrize("limit", [1.0, None])
def test_before_the_first_reading_reference_and_limit_are_drawn(limit):
    """Before the first reading the reference and the limit are drawn, and the lot's patch is hatched as not measured."""
    seen = drawn(
        lot=None, spools=[], outline_at_lot=[], outline=RING if limit else [], lot_max=limit, says="None counts yet."
    )
    assert {"lot: not measured", "None counts yet."} <= set(seen.words)


def test_without_a_reference_there_are_words():
    """Without a reference there is only text."""
    seen = drawn(reference=None, lot=None, spools=[], outline=[], outline_at_lot=[], notes=["3 readings left out."])
    assert [
        "Colour of lot Q-71 against its reference",
        "Lot Q-71 lies 0.60 from the reference.",
        "3 readings left out.",
    ] == seen.words


def test_words_cannot_break_the_picture():
    """Lot numbers, spool codes and names of shades are escaped as text."""
    reference = {"name": NASTY, "revision": 1, "conditions": NASTY, **seen_as()}
    seen = drawn(supplier_lot=NASTY, says=NASTY, reference=reference, notes=[NASTY], screen_says=NASTY)
    assert NASTY.replace("\ufffe", "\ufffd") in seen.words
