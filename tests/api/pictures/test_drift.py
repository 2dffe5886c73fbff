"""The picture of drift: values of lots, projection, and the version for a phone."""

import pytest

from lots.api.pictures.drift import MOST_NARROW, NARROW, draw
from lots.services.setup.place import Place
from tests.api.pictures.seen import NASTY, Picture

MEASURE = "color.component_b"


def answer(values, *, limit=(-1.0, 1.0), uncertainty=0.05, **parts):
    """The answer of GET /drift for lots with these values."""
    numbers = range(1, len(values) + 1)
    told = {
        "supplier": "Quillwort",
        "grade": "PLA",
        "says": "It says.",
        "lots": [{"number": n, "lot_id": n, "supplier_lot": f"Q-{n}", "standing": "released"} for n in numbers],
        "series": [
            {
                "measure": MEASURE,
                "label": "Yellow-blue difference db*",
                "unit": "",
                "limit": list(limit),
                "points": [
                    {"number": n, "lot_id": n, "value": value, "uncertainty": uncertainty, "n": 3, "stretch": 1}
                    for n, value in zip(numbers, values, strict=True)
                ],
            }
        ],
        "baseline": [{"measure": MEASURE, "stretch": 1, "mean": 0.0}],
        "charts": [],
        "signals": [],
        "projection": [],
        "marks": [],
    }
    return {**told, **parts}


def ahead(about, earliest=None, latest=None, limit=1.0, slope=0.1):
    """A projection."""
    return {"measure": MEASURE, "slope": slope, "limit": limit, "about": about, "earliest": earliest, "latest": latest}


def whiskers(seen):
    """Vertical lines, 1 pixel wide, longer than a tick."""
    lines = seen.marks("line", stroke_width="1", stroke="#1a1a1a")
    return [line for line in lines if line.get("x1") == line.get("x2") and abs(_up(line)) > 8 and not _axis(line)]


def _up(line):
    return float(line.get("y2")) - float(line.get("y1"))


def _axis(line):
    return line.get("x1") in ("76", "50")


def test_each_lot_has_its_expanded_uncertainty_as_a_line():
    """Each lot has twice its standard uncertainty on both sides, to scale; an unknown uncertainty has no line."""
    seen = Picture(draw(answer([0.0, 0.5])))
    found = whiskers(seen)
    assert 2 == len(found)
    dots = [float(dot.get("cy")) for dot in seen.marks("circle", r="4")]
    scale = (dots[0] - dots[1]) / 0.5
    assert [4 * 0.05 * scale] * 2 == pytest.approx([abs(_up(line)) for line in found], abs=0.05)
    assert [] == whiskers(Picture(draw(answer([0.0, 0.5], uncertainty=None))))


def test_where_the_slope_meets_the_limit_is_marked_and_said():
    """The crossing is marked on the limit at the number of the lot, with the earliest and the latest lot in words too."""
    seen = Picture(draw(answer([0.5, 0.6, 0.7, 0.8], projection=[ahead(6, 5, 7)])))
    assert "◆ Limit 1 reached at about lot 6 (lot 5 to lot 7)" in seen.words
    (mark,) = [one for one in seen.marks("polygon") if len(one.get("points").split()) == 4]
    points = [[float(part) for part in point.split(",")] for point in mark.get("points").split()]
    middle = (points[0][0], points[1][1])
    (limit, *_) = [one for one in seen.marks("line", stroke_dasharray="10 3 2 3") if float(one.get("y1")) < 150]
    assert float(limit.get("y1")) == pytest.approx(middle[1], abs=0.01)
    (first, second, *_) = [float(dot.get("cx")) for dot in seen.marks("circle", r="4")]
    assert first + 5 * (second - first) == pytest.approx(middle[0], abs=0.1)
    (between,) = [one for one in seen.marks("line", stroke_width="3") if one.get("y1") == one.get("y2")]
    assert [first + 4 * (second - first), first + 6 * (second - first)] == pytest.approx(
        [float(between.get("x1")), float(between.get("x2"))], abs=0.1
    )


def test_a_crossing_far_ahead_is_only_said():
    """A distant crossing is only in words, because it would compress the lots."""
    seen = Picture(draw(answer([0.1, 0.2, 0.3], projection=[ahead(45, 40)])))
    assert "◆ Limit 1 reached at about lot 45 (lot 40 or later)" in seen.words
    assert [] == seen.marks("polygon")


def test_without_a_projection_none_is_said():
    """Without a slope there is no projection mark."""
    none = {**ahead(None), "slope": None, "limit": None}
    assert not any("reached" in words for words in Picture(draw(answer([0.1, 0.2], projection=[none]))).words)


def test_a_narrow_picture_shows_the_newest_lots():
    """The newest lots are shown, the last with its label, and others are neither drawn nor cut."""
    seen = Picture(draw(answer([0.01 * n for n in range(30)]), NARROW))
    assert MOST_NARROW == len(seen.marks("circle", r="4"))
    assert {"30", "Q-30"} <= set(seen.words)
    assert "Q-18" not in seen.words
    assert f"Yellow-blue difference db*, the newest {MOST_NARROW} lots" in seen.said
    assert "360" == seen.root.get("width")


def test_marks_and_signals_of_lots_that_are_left_out_are_left_out():
    """Marks before the shown lots are omitted, and a signal that began earlier is at the first shown lot."""
    mark = {"measure": MEASURE, "bridged": False, "before_number": 5}
    signal = {
        "measure": MEASURE,
        "active": True,
        "side": 1,
        "direction": "yellower",
        "first": {"number": 4},
        "last": {"number": 30},
        "began": {"number": 4, "supplier_lot": "Q-4"},
    }
    told = answer([0.01 * n for n in range(30)], marks=[mark], signals=[signal])
    wide, narrow = Picture(draw(told)), Picture(draw(told, NARROW))
    assert ("new series" in wide.words, "new series" in narrow.words) == (True, False)
    assert "▲ yellower since about lot Q-4" in narrow.words
    assert (27, 12) == (len(wide.marks("circle", r="8")), len(narrow.marks("circle", r="8")))


def test_numbers_are_written_as_the_site_does_and_names_stay():
    """Limits and ticks have the site's decimal comma, and a lot named 7.5 keeps its point."""
    told = answer([0.1, 0.2], limit=(-0.5, 0.5))
    told["lots"][0]["supplier_lot"] = "7.5"
    seen = Picture(draw(told, NARROW.at(Place(decimal_sign="comma"))))
    assert {"limit 0,5", "7.5"} <= set(seen.words)
    assert "limit 0.5" in Picture(draw(told)).words


def test_words_cannot_break_the_picture():
    """Names are escaped as text."""
    told = answer([0.1], supplier=NASTY, grade="g", says=NASTY)
    assert NASTY.replace("\ufffe", "\ufffd") in Picture(draw(told, NARROW)).said
