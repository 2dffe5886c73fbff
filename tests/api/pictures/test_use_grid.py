"""The grid of lots and uses: every cell has a word and a mark, as in its figures."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.api.pictures.use_grid import WORDS, draw
from lots.domain.assessment.limits_revision import USES
from lots.services.production.lot_uses import ANSWERS
from tests.api.pictures.seen import NASTY, Picture

CAME = datetime(2026, 11, 20, 8, tzinfo=UTC)


def lot(name, *answers, standing="released"):
    """A lot with an answer for each use."""
    uses = [
        {"use": use, "answer": answer, "says": "", "reasons": []} for use, answer in zip(USES, answers, strict=True)
    ]
    seen = {"lot_id": 1, "supplier_lot": name, "supplier": "Supplier", "grade": "G", "received_at": CAME}
    return {**seen, "standing": standing, "uses": uses}


def drawn(*lots, following=None):
    """The picture of a page of these lots."""
    return Picture(draw({"items": list(lots), "next": following}))


def test_every_field_says_its_word():
    """Every cell has its word, in the order of the uses, with the use above."""
    seen = drawn(lot("Q-1", *ANSWERS))
    assert [WORDS[answer] for answer in ANSWERS] == [word for word in seen.words if word in WORDS.values()]
    assert {"cosmetic", "fit", "load-bearing", "flexing", "hidden"} <= set(seen.words)
    assert {"Q-1", "released", "received 2026-11-20", "Supplier, G"} <= set(seen.words)


def test_each_answer_has_a_mark_of_its_own_without_colour():
    """Each answer has a mark of its own shape, apart from colour: a lot of one answer adds five such marks."""
    shapes = {"yes": ("circle", {"r": "6", "fill": "#1a1a1a"}), "concession": ("circle", {"r": "2.5"})}
    shapes |= {"not_yet": ("circle", {"r": "1.5"}), "not_judged": ("line", {"stroke_width": "2", "y1": "x"})}
    shapes.pop("not_judged")
    for answer in shapes:
        seen = drawn(lot("Q-1", *[answer] * 5))
        for other, (tag, attributes) in shapes.items():
            each = 3 if other == "not_yet" else 1
            assert each * (1 + 5 * (other == answer)) == len(seen.marks(tag, **attributes)), (answer, other)
    strokes = {answer: len(drawn(lot("Q-1", *[answer] * 5)).marks("line", stroke_width="2")) for answer in ANSWERS}
    # In the key a cross of two strokes and a single one; then five of either.
    assert {"yes": 3, "concession": 3, "not_yet": 3, "not_judged": 8, "no": 13} == strokes


def test_only_greys_are_used():
    """Every colour is a grey, so that the grid prints in black and white."""
    seen = drawn(lot("Q-1", *ANSWERS))
    used = {element.get(name) for element in seen.root.iter() for name in ("fill", "stroke")} - {None, "none"}
    assert {True} == {color[1:3] == color[3:5] == color[5:7] for color in used}


def test_the_description_tells_every_field():
    """The description contains every cell, lot by lot."""
    seen = drawn(lot("Q-1", *ANSWERS), lot("Q-2", *["no"] * 5, standing="blocked"))
    assert "Permitted uses of lots" == seen.title
    assert "2 lots: 1 may be loaded for at least one use, 1 for no use." in seen.description
    assert (
        "Lot Q-1, released: cosmetic yes, fit concession, load-bearing not yet, flexing not assessed, hidden no."
        in seen.description
    )
    assert "Lot Q-2, blocked: cosmetic no" in seen.description


def test_a_page_that_is_not_the_last_says_so():
    """A page that is not the last one says so."""
    assert "More lots follow" in drawn(lot("Q-1", *ANSWERS), following="/v1/lots/uses?cursor=x").said
    assert "More lots follow" not in drawn(lot("Q-1", *ANSWERS)).said


def test_no_lot_is_said_in_words():
    """Without a lot there is a text."""
    assert "No lots match these filters." in drawn().said


@pytest.mark.parametrize("name", [NASTY, "W" * 120, ""])
def test_any_name_keeps_its_place(name):
    """Markup, long and empty names keep their place."""
    assert drawn(lot(name, *ANSWERS)).title


@given(st.lists(st.tuples(*[st.sampled_from(ANSWERS)] * len(USES)), max_size=6))
def test_the_words_are_the_answers(rows):
    """For any answers the words of the grid are theirs, row by row."""
    seen = drawn(*(lot(f"Q-{number}", *answers) for number, answers in enumerate(rows)))
    assert [WORDS[answer] for answers in rows for answer in answers] == [w for w in seen.words if w in WORDS.values()]
