"""The order of suppliers: who differs is told whoever else joins, and nobody is set aside for how their lots turned out."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.purchasing.supplier_comparison import CRITERIA, LotResult, compare
from lots.domain.purchasing.supplier_groups import Newcomer, Order, could_differ, in_words, newcomer_in_words, order_of
from tests.examples import examples

SETTINGS = examples(40)
NAMES = {number: f"Supplier {number}" for number in range(1, 20)}


def inspected(accepted: int, n: int, stratum: str = "s") -> list[LotResult]:
    """So many lots of one stratum, of which so many were accepted."""
    return [LotResult(place < accepted, stratum) for place in range(n)]


def colored(colors) -> list[LotResult]:
    """Lots of one stratum of which the colour alone is known."""
    return [LotResult(None, "s", "M", tuple(map(float, one)), math.hypot(*one)) for one in colors]


def seen(criterion: str, lots) -> Order:
    """The order of suppliers of these lots."""
    return order_of(criterion, list(lots), compare(lots))


@st.composite
def supplies(draw, most: int = 4):
    """Some suppliers with some lots each, of two strata, of any outcome and colour."""
    found = {}
    for number in range(1, draw(st.integers(2, most)) + 1):
        n, share = draw(st.integers(0, 25)), draw(st.sampled_from([0.0, 0.5, 1.0]))
        dice = np.random.default_rng(draw(st.integers(0, 10**6)))
        offset, spread = draw(st.sampled_from([0.0, 3.0])), draw(st.sampled_from([0.05, 1.0]))
        colors = dice.normal(offset, spread, (n, 3)).tolist()
        found[number] = [
            LotResult(bool(dice.random() < share), str(dice.choice(["a", "b"])), "M", tuple(c), math.hypot(*c))
            for c in colors
        ]
    return found


def test_two_who_differ_are_told_apart_beside_a_newcomer():
    """40 of 40 and 15 of 30 differ, with or without a third supplier with 2 of 2, a newcomer with its lots needed."""
    both = {1: inspected(40, 40), 2: inspected(15, 30)}
    assert ((1, 2),) == seen("acceptance", both).better
    three = seen("acceptance", {**both, 3: inspected(2, 2)})
    assert (((1, 2),), ((1,), (2,))) == (three.better, three.groups)
    (new,) = three.newcomers
    assert (3, 2) == (new.supplier, new.lots)
    said = in_words(three, {1: "Quillwort", 2: "Ninebark", 3: "Sedge"}, "fit")
    assert said.startswith(
        "Quillwort has significantly more lots accepted the first time for fit than Ninebark. Sedge has 2 lots"
    )


def test_a_newcomer_may_be_told_once_it_has_the_lots_it_needs():
    """One lot fewer is never enough; with that many the best outcome is significant."""
    old = {1: inspected(40, 40), 2: inspected(15, 30)}
    (new,) = seen("acceptance", {**old, 3: inspected(1, 1)}).newcomers
    for lots, differs in ((1 + new.lots_needed - 1, False), (1 + new.lots_needed, True)):
        worst = seen("acceptance", {**old, 3: inspected(0, lots)})
        assert differs == any(3 in pair for pair in worst.better)


def test_only_the_one_who_lacks_lots_is_a_newcomer():
    """Against a supplier with few lots nobody differs, yet 48 lots are enough; where both have few, both are newcomers."""
    for criterion, n in (("acceptance", 1), ("closeness", 3), ("steadiness", 3)):
        lots = {1: inspected(46, 48), 2: inspected(n, n)}
        if criterion != "acceptance":
            dice = np.random.default_rng(1)
            lots = {who: colored(dice.normal(0, 1, (len(mine), 3))) for who, mine in lots.items()}
        found = seen(criterion, lots)
        assert (((1,),), [2]) == (found.groups, [one.supplier for one in found.newcomers])
        few = seen(criterion, {who: mine[: n + 1] for who, mine in lots.items()})
        assert ((), [1, 2]) == (few.groups, [one.supplier for one in few.newcomers])


@SETTINGS
@given(supplies())
def test_the_order_does_not_depend_on_how_suppliers_are_numbered(lots):
    """Numbered backwards, every pair, level and newcomer is the same."""
    turned = {len(lots) + 1 - number: mine for number, mine in lots.items()}

    def named(some):
        return sorted(tuple(len(lots) + 1 - one for one in each) for each in some)

    for criterion in CRITERIA:
        one, two = seen(criterion, lots), seen(criterion, turned)
        assert sorted(one.better) == named(two.better)
        assert [set(group) for group in one.groups] == [set(*named([group])) for group in two.groups]
        assert {(n.supplier, n.lots, n.lots_needed) for n in one.newcomers} == {
            (len(lots) + 1 - n.supplier, n.lots, n.lots_needed) for n in two.newcomers
        }


@SETTINGS
@given(supplies())
def test_each_supplier_is_in_one_group_or_a_newcomer(lots):
    """No supplier is lost; each pair without newcomers is better, alike or not comparable, and a level contains no better supplier of its members."""
    for criterion in CRITERIA:
        found = seen(criterion, lots)
        grouped = [one for group in found.groups for one in group]
        assert sorted(lots) == sorted([*grouped, *(one.supplier for one in found.newcomers)])
        pairs = [*(tuple(sorted(pair)) for pair in found.better), *found.alike, *found.incomparable]
        assert len(grouped) * (len(grouped) - 1) // 2 == len(pairs) == len(set(pairs))
        level = {one: place for place, group in enumerate(found.groups) for one in group}
        ring = any((bad, good) in found.better for good, bad in found.better)
        assert ring or all(level[good] <= level[bad] for good, bad in found.better)


@SETTINGS
@given(supplies())
def test_nobody_who_differs_is_a_newcomer(lots):
    """A supplier without a possible significant outcome never differs, in one stratum or in several."""
    for criterion in CRITERIA:
        for one in compare(lots):
            if one.criterion == criterion and one.better:
                assert could_differ(criterion, one.n_first, one.n_second, one.confidence)


@SETTINGS
@given(supplies(3), st.integers(0, 10**6))
def test_newcomers_are_set_aside_by_counts_alone(lots, seed):
    """With redrawn outcomes the same suppliers are newcomers to acceptance."""
    dice = np.random.default_rng(seed)
    drawn = {who: [one._replace(accepted=bool(dice.random() < 0.5)) for one in mine] for who, mine in lots.items()}
    kept, again = (seen("acceptance", some) for some in (lots, drawn))
    assert kept.newcomers == again.newcomers


@SETTINGS
@given(supplies(3))
def test_another_supplier_makes_nobody_differ_who_did_not(lots):
    """Each further supplier adds pairs and widens intervals, so differences with it exist without it."""
    joined = {**lots, 9: inspected(2, 2, "a")}
    for criterion in CRITERIA:
        before, after = seen(criterion, lots), seen(criterion, joined)
        assert {pair for pair in after.better if 9 not in pair} <= set(before.better)


def test_levels_are_of_the_longest_chain():
    """A is better than B, and B than C; D is better than C only, so that it shares the level of A."""
    lots = {1: inspected(120, 120), 2: inspected(60, 120), 3: inspected(0, 120), 4: inspected(14, 16)}
    found = seen("acceptance", lots)
    assert ((1, 2), (1, 3), (2, 3), (4, 3)) == found.better
    assert ((1, 4), (2,), (3,)) == found.groups
    said = in_words(found, NAMES, "fit")
    assert "Supplier 1 and Supplier 4 do not differ significantly." in said
    assert "Supplier 4 does not differ significantly from Supplier 2." in said


def test_contradictions_over_different_lots_share_a_level():
    """A is better than B in one stratum, B than C in another, C than A in a third: all share a level."""
    good, bad = 60, 0
    lots = {
        1: [*inspected(good, 60, "ab"), *inspected(bad, 60, "ca")],
        2: [*inspected(bad, 60, "ab"), *inspected(good, 60, "bc")],
        3: [*inspected(bad, 60, "bc"), *inspected(good, 60, "ca")],
    }
    found = seen("acceptance", lots)
    assert ({(1, 2), (2, 3), (3, 1)}, ((1, 2, 3),)) == (set(found.better), found.groups)
    assert 3 == in_words(found, NAMES, "at least one use").count("significantly more lots")


def test_without_lots_of_the_same_kind_nobody_is_compared():
    """Two suppliers of different strata are newcomers with lots needed; a single supplier has no comparison."""
    found = seen("acceptance", {1: inspected(30, 30, "a"), 2: inspected(0, 30, "b")})
    assert ((), (0, 0)) == (found.groups, tuple(one.lots for one in found.newcomers))
    assert "no lots of the same kind" in in_words(found, NAMES, "at least one use")
    alone = seen("acceptance", {1: inspected(30, 30)})
    assert ((1,),) == alone.groups
    assert "There is no other supplier to compare with." == in_words(alone, NAMES, "fit")


@SETTINGS
@given(supplies(6))
def test_sentences_are_short_and_name_every_pair(lots):
    """No sentence has more than 25 words, and every significant pair is named."""
    for criterion in CRITERIA:
        found = seen(criterion, lots)
        said = in_words(found, NAMES, "at least one use")
        assert all(len(sentence.split()) <= 25 for sentence in said.split(". "))
        for good, bad in found.better:
            assert any(
                NAMES[bad] in one for one in said.split(". ") if one.startswith(f"{NAMES[good]} ") and " than " in one
            )


@SETTINGS
@given(supplies(6), st.integers(1, 4))
def test_sentences_stay_short_however_many_words_a_name_has(lots, words):
    """Sentences with longer names contain fewer of them."""
    names = {number: " ".join([f"S{number}", *["Works"] * (words - 1)]) for number in lots}
    for criterion in CRITERIA:
        said = in_words(seen(criterion, lots), names, "at least one use")
        assert all(len(sentence.split()) <= 25 for sentence in said.split(". "))


@pytest.mark.parametrize(
    ("lots", "said"), [(0, "no lots of the same kind"), (1, "1 lot to compare"), (3, "3 lots to compare")]
)
def test_a_newcomer_is_told_how_many_lots_it_needs(lots, said):
    """Counts in words, singular and plural."""
    words = newcomer_in_words(Newcomer(1, lots, 1), NAMES)
    assert said in words
    assert "1 lot is needed" in words if lots == 0 else words.endswith("At least 1 more lot is needed.")
