"""The drawing sheet of the pictures of lots."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.api.pictures.canvas import Canvas, readable
from lots.api.pictures.sheet import Sheet, short, wrapped
from lots.domain.words import counted
from tests.api.pictures.seen import NASTY, Picture


@pytest.mark.parametrize("paper", [Canvas, Sheet])
@given(words=st.text())
def test_any_text_can_be_read_back(paper, words):
    """The picture of any text is XML 1.0, and characters that XML allows are unchanged."""
    page = paper(200, 100, f"T{words}", f"D{words}")
    page.text((10, 20), words)
    held = ElementTree.fromstring(str(page)).findtext(".//{http://www.w3.org/2000/svg}text", "")  # noqa: S314
    assert readable(words).replace("\r\n", "\n").replace("\r", "\n") == held.replace("\r\n", "\n").replace("\r", "\n")


def test_text_cannot_leave_its_place():
    """Brackets, ampersands and quotes are escaped as text."""
    page = Sheet(200, 100, NASTY, NASTY)
    page.text((10, 20), NASTY)
    seen = Picture(str(page))
    assert [NASTY.replace("\ufffe", "\ufffd")] == seen.words == [seen.title]


def test_pictures_in_one_page_have_ids_of_their_own():
    """Each picture of a page has its own ids from title and description (HTML Living Standard, 3.2.6); equal pictures have equal ids."""
    said = [("A", "B"), ("A", "C"), ("D", "B"), ("AB", ""), ("", "AB")]
    ids = [Sheet(200, 100, *words).root.get("aria-labelledby", "").split() for words in said]
    assert 2 * len(said) == len({one for both in ids for one in both})
    assert str(Sheet(200, 100, "A", "B")) == str(Sheet(200, 100, "A", "B"))


@pytest.mark.parametrize(("wide", "high"), [(60, 9), (9, 60), (30, 30), (3, 2)])
def test_hatching_stays_within_its_rectangle(wide, high):
    """Hatching lines run from edge to edge inside flat, upright and tiny rectangles."""
    page = Sheet(200, 100, "T", "D")
    page.hatched((10, 20), wide, high)
    for line in Picture(str(page)).marks("line"):
        for x, y in (("x1", "y1"), ("x2", "y2")):
            assert 10 <= float(line.get(x)) <= 10 + wide
            assert 20 <= float(line.get(y)) <= 20 + high


def test_long_words_are_cut_with_a_sign():
    """A name that is too long ends in an ellipsis, and one that fits is unchanged."""
    assert ("Quillwort", "Quillwort…") == (short("Quillwort", 9), short("Quillwort and Sons", 10))


def test_words_wrap_and_nothing_gives_one_empty_line():
    """A text wraps between words, and an empty one gives one empty line."""
    assert ["one two", "three"] == wrapped("one two three", 0.54 * 13 * 10 + 1)
    assert [""] == wrapped("", 100)


def test_a_number_takes_its_noun():
    """A number has its noun in the right form: one lot, two lots, no lots."""
    assert ["0 lots", "1 lot", "2 lots"] == [counted(n, "lot") for n in (0, 1, 2)]
