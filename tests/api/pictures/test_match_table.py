"""The picture of matching lots."""

from itertools import combinations

from lots.api.pictures.match_table import MOST, draw
from tests.api.pictures.seen import NASTY, Picture


def drawn(names, within):
    """The picture of lots with these names; `within` gives a pair by its places."""
    pairs = [
        {"delta_e": None if within(one, other) is None else 0.25, "within": within(one, other)}
        for one, other in combinations(range(len(names)), 2)
    ]
    return Picture(draw({"lots": [{"supplier_lot": name} for name in names], "pairs": pairs}))


def test_a_pair_has_a_dot_a_cross_or_a_question_mark():
    """A matching, a non-matching and an unknown pair have a dot, a cross and a question mark, and words."""
    seen = drawn(["A", "B", "C"], lambda one, other: {(0, 1): True, (1, 2): False, (0, 2): None}[one, other])
    # The key has one of each.
    assert (2, 4, 2) == (len(seen.marks("circle")), len(seen.marks("line")), seen.words.count("?"))
    assert {
        "A matches B. A match with C is unknown.",
        "B matches A.",
        "C matches no other lot. A match with A is unknown.",
    } <= set(seen.words)
    assert "3 lots in stock: 1 of 3 pairs may share a job." in seen.said
    assert ["0.25", "no data", "0.25"] == [words for words in seen.words if words in ("0.25", "no data")]


def test_lots_by_the_same_number_are_kept_apart():
    """Lots of one number from two suppliers are separate rows, by place and not by name."""
    seen = drawn(["A", "A", "B"], lambda one, other: (one, other) == (0, 2))
    assert {"A matches B.", "A matches no other lot."} <= set(seen.words)


def test_it_says_that_matching_does_not_carry_over():
    """The picture states that matching does not carry over from pair to pair."""
    assert "A may still not match C" in drawn(["A", "B"], lambda *_: True).said


def test_several_matches_are_listed():
    """Several matches are listed with commas and a last "and"."""
    assert "A matches B, C and D." in drawn(["A", "B", "C", "D"], lambda *_: True).words


def test_fewer_than_two_lots_are_said_in_words():
    """Fewer than two lots give a text and no table."""
    for names, said in (([], "0 lots of this grade"), (["A"], "1 lot of this grade")):
        seen = drawn(names, lambda *_: True)
        assert said in seen.said
        assert 2 == len(seen.words)


def test_many_lots_are_told_of_in_words():
    """With many lots the table is cut at the edge, and the lines of text continue."""
    seen = drawn([f"L-{number}" for number in range(MOST + 3)], lambda *_: False)
    assert f"L-{MOST + 2} matches no other lot." in seen.words
    assert f"The table shows the oldest {MOST} of {MOST + 3} lots. These lines cover all lots." in seen.words


def test_words_cannot_break_the_picture():
    """A lot number is escaped as text."""
    named = NASTY.replace("\ufffe", "\ufffd")
    assert f"{named} matches B." in drawn([NASTY, "B"], lambda *_: True).words
