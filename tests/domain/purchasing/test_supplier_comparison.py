"""Comparison of suppliers without chance ranks. Counts by hand; tests/promises/purchasing.py tests the rates."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, fisher_exact

from lots.domain.purchasing import supplier_comparison
from lots.domain.purchasing.supplier_comparison import CRITERIA, Comparison, LotResult, acceptance, bias, compare, rank
from lots.domain.statistics.confidence_sequences import means_differ_by, sample_of
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import PRINTED_2, SAME_FORMULA

SETTINGS = examples(60)


def inspected(accepted: int, n: int, stratum: str = "s") -> list[LotResult]:
    """So many lots of one stratum, of which so many were accepted."""
    return [LotResult(i < accepted, stratum) for i in range(n)]


def read(colors, stratum: str = "s", with_: str = "M1") -> list[LotResult]:
    """Lots with only a colour, with the CIE76 difference."""
    return [LotResult(None, stratum, with_, tuple(map(float, c)), math.hypot(*c)) for c in colors]


def at(distances, stratum: str = "s") -> list[LotResult]:
    """Lots at these distances from the reference."""
    return [LotResult(None, stratum, "M1", None, float(d)) for d in distances]


def on(criterion: str, lots) -> list[Comparison]:
    """The comparisons on one criterion."""
    return [c for c in compare(lots) if c.criterion == criterion]


def ranks(criterion: str, lots) -> dict[int, int | None]:
    """Ranks of suppliers on a criterion."""
    names = {number: f"Supplier {number}" for number in lots}
    found = rank(criterion, compare(lots), names, {number: bool(mine) for number, mine in lots.items()})
    return {number: place.place for number, place in found.items()}


def test_acceptance_counts_what_was_inspected_to_an_end():
    """A lot with an open inspection counts only as delivered; the interval is Wilson's (34-100 % and 86-99 %, scipy)."""
    two = acceptance([*inspected(2, 2), LotResult(None, "s")])
    assert (3, 2, 2) == (two.lots, two.inspected, two.accepted)
    many = acceptance(inspected(46, 48))
    for found, ends in ((two, (0.34, 1.0)), (many, (0.86, 0.99))):
        wilson = binomtest(found.accepted, found.inspected).proportion_ci(method="wilson")
        assert pytest.approx((wilson.low, wilson.high), abs=SAME_FORMULA) == (found.interval.low, found.interval.high)
        assert pytest.approx(ends, abs=PRINTED_2) == (found.interval.low, found.interval.high)
    assert (0, 0, None) == (acceptance([]).lots, acceptance([]).accepted, acceptance([]).interval)


def test_where_a_suppliers_colours_lie():
    """Five lots about (1, 0, 0) rule out the reference as their mean, and five about the reference do not."""
    shape = np.array([(0, 0, 0.1), (0, 0.1, 0), (0.1, 0, 0), (0, -0.1, -0.1), (-0.1, 0, 0)])
    off, near = bias(read(shape + np.eye(3)[0])), bias(read(shape))
    assert pytest.approx((1.0, 0.0, 0.0), abs=SAME_FORMULA) == off.mean
    assert (5, False, True) == (off.n, off.zero_inside, near.zero_inside)
    few = bias(read(shape[:2]))
    assert (2, None, None) == (few.n, few.ellipsoid, few.zero_inside)
    assert None is bias(inspected(3, 3))


@pytest.mark.parametrize("n", range(1, 9))
def test_a_small_perfect_record_never_ranks_over_a_long_good_one(n):
    """No perfect record of up to 8 lots ranks above 46 of 48; neither has a rank, and the number of lots still needed is stated."""
    lots = {1: inspected(n, n), 2: inspected(46, 48)}
    assert {1: None, 2: None} == ranks("acceptance", lots)
    (found,) = on("acceptance", lots)
    assert found.low < 0 < found.high
    assert (None, n, 48) == (found.better, found.n_first, found.n_second)
    assert found.more_lots > 8


def test_one_bad_lot_of_two_ranks_under_nobody():
    """1 of 2 against 48 of 48 shows no difference: one bad lot of 50 is one of the two in 4 % of cases (scipy's fisher_exact)."""
    (found,) = on("acceptance", {1: inspected(1, 2), 2: inspected(48, 48)})
    assert pytest.approx(0.04, abs=SAME_FORMULA) == fisher_exact([[1, 1], [48, 0]]).pvalue
    assert (None, True) == (found.better, found.high > 0)
    assert 1 <= found.more_lots <= 8


def test_long_records_that_differ_are_ranked():
    """200 of 200 against 120 of 200 differ, with both ranks."""
    assert {1: 2, 2: 1} == ranks("acceptance", {1: inspected(120, 200), 2: inspected(200, 200)})


RECORD = st.tuples(st.integers(0, 12), st.integers(0, 12)).map(lambda pair: (min(pair), max(pair)))


@SETTINGS
@given(one=RECORD, two=RECORD)
def test_who_differs_passes_the_exact_test(one, two):
    """Suppliers that differ at every look also differ by Fisher's test at a third of 5 % (scipy)."""
    (found,) = on("acceptance", {1: inspected(*one), 2: inspected(*two)})
    if found.better is None:
        return
    table = [[x, n - x] for x, n in (one, two)]
    tail = min(fisher_exact(table, alternative=side).pvalue for side in ("less", "greater"))
    assert 2 * tail <= 0.05 / 3 + SAME_FORMULA
    assert (found.better == 1) == (one[0] * two[1] > two[0] * one[1])
    assert (found.better == 1) == (found.low > 0)


def two_shades(share: float) -> dict[int, list[LotResult]]:
    """The first supplier is better in each of two shades and worse overall, with most lots in the harder shade."""
    records = {1: ((240, 400, "hard"), (100, 100, "easy")), 2: ((30, 100, "hard"), (372, 400, "easy"))}
    return {
        number: [lot for x, n, kind in kinds for lot in inspected(round(share * x), round(share * n), kind)]
        for number, kinds in records.items()
    }


@pytest.mark.parametrize("share", [0.02, 0.05, 0.1, 0.3, 1.0])
def test_a_mix_of_shades_does_not_turn_the_order_round(share):
    """60 against 30 % and 100 against 93 % per shade never rank the first behind, though overall it has 68 against 80 %."""
    lots = two_shades(share)
    rates = {number: sum(lot.accepted for lot in mine) / len(mine) for number, mine in lots.items()}
    assert rates[1] < rates[2]
    (found,) = on("acceptance", lots)
    assert found.difference > 0
    assert ranks("acceptance", lots) == ({1: 1, 2: 2} if share >= 1.0 else {1: None, 2: None})


def test_how_many_lots_are_still_to_come_counts_strata():
    """For 50 lots each in two shades the stated number is about enough, and half of it is not."""
    (now,) = on("acceptance", two_shades(0.1))
    short, enough = (on("acceptance", two_shades(0.1 + by * now.more_lots / 500))[0] for by in (0.5, 1.1))
    assert (None, 1) == (short.better, enough.better)


def test_a_place_takes_being_told_apart_from_every_other():
    """Of three suppliers only the one far behind both others has a rank; the two in front state why they have none."""
    lots = {1: inspected(95, 100), 2: inspected(96, 100), 3: inspected(40, 100)}
    assert {1: None, 2: None, 3: 3} == ranks("acceptance", lots)
    names = {1: "North", 2: "South", 3: "East"}
    found = rank("acceptance", compare(lots), names, dict.fromkeys(lots, True))
    assert "Compared with South: no significant difference;" in found[1].why
    assert "Compared with North: no significant difference;" in found[2].why
    assert "East" not in found[1].why
    assert (
        "Differs significantly from every other supplier in the share of lots accepted the first time for at least one use."
        == found[3].why
    )
    lots[1], lots[3] = inspected(70, 100), inspected(25, 100)
    assert {1: 2, 2: 1, 3: 3} == ranks("acceptance", lots)


def test_who_has_no_rival_or_no_lot_has_no_place():
    """A single supplier, one without lots, none, and two without a common stratum have no rank."""
    assert {} == ranks("acceptance", {})
    assert [] == compare({})
    assert {1: None} == ranks("acceptance", {1: inspected(9, 9)})
    assert {1: None, 2: None} == ranks("acceptance", {1: inspected(9, 9), 2: []})
    apart = {1: inspected(90, 90, "white"), 2: inspected(9, 90, "black")}
    assert {1: None, 2: None} == ranks("acceptance", apart)
    names = {1: "North", 2: "South"}
    found = rank("acceptance", compare(apart), names, {1: True, 2: True})
    assert "Compared with South: no lots of the same kind." == found[1].why
    alone = rank("acceptance", compare(apart), names, {1: True, 2: False})
    assert ("No other supplier to compare with.", "No lots to compare yet.") == (alone[1].why, alone[2].why)


DISTANCES = st.lists(steps(0.0, 2.0, 0.1), min_size=3, max_size=15)


@SETTINGS
@given(one=DISTANCES, two=DISTANCES)
def test_nearness_is_the_difference_of_means_in_its_confidence_sequence(one, two):
    """Closeness compares mean colour differences at a third of 5 %; the better supplier is nearer for every plausible value."""
    (found,) = on("closeness", {1: at(one), 2: at(two)})
    assert pytest.approx(np.mean(one) - np.mean(two), abs=SAME_FORMULA) == found.difference
    ends = means_differ_by(sample_of([one]), sample_of([two]), 1 - 0.05 / 3)
    assert (ends and (ends.low, ends.high)) == (None if found.low is None else (found.low, found.high))
    # Less is better.
    assert {1: bool(ends and ends.high < 0), 2: bool(ends and ends.low > 0)} == {
        side: found.better == side for side in (1, 2)
    }


def test_steadiness_is_the_distance_of_each_lot_from_those_before_it():
    """Four lots at 0, 1, 1 and 3 in L* have distances 1, 1/2 and 7/3 from the means before, times the roots of 1/2, 2/3 and 3/4 (by hand)."""
    colors = [(x, 0, 0) for x in (0.0, 1.0, 1.0, 3.0)]
    (found,) = on("steadiness", {1: read(colors), 2: read([(0, 0, 0)] * 4)})
    distances = [math.sqrt(1 / 2), 0.5 * math.sqrt(2 / 3), 7 / 3 * math.sqrt(3 / 4)]
    assert pytest.approx(sum(distances) / 3, abs=SAME_FORMULA) == found.difference
    assert (4, 4) == (found.n_first, found.n_second)


@pytest.mark.parametrize("criterion", ["closeness", "steadiness"])
def test_a_new_stratum_waits_until_it_can_be_compared(criterion):
    """A new reference with two lots each changes nothing; with six each it counts."""
    rng = np.random.default_rng(6)
    lots = {number: read(rng.normal(0, 0.3, (20, 3))) for number in (1, 2)}
    (before,) = on(criterion, lots)
    few, many = (
        on(criterion, {number: [*mine, *read(rng.normal(0, 0.3, (n, 3)), "new")] for number, mine in lots.items()})[0]
        for n in (2, 6)
    )
    assert before == few
    assert (26, 26) == (many.n_first, many.n_second)


def test_closeness_and_steadiness_scale_with_the_colours():
    """Colours ten times as far from the reference have ten times the differences and intervals."""
    rng = np.random.default_rng(7)
    colors = rng.normal(0.1, 0.3, (15, 3)), rng.normal(0, 0.6, (12, 3))
    for criterion in ("closeness", "steadiness"):
        one, ten = (on(criterion, {i: read(by * c) for i, c in enumerate(colors)})[0] for by in (1, 10))
        assert pytest.approx((10 * one.difference, 10 * one.low, 10 * one.high), rel=SAME_FORMULA) == (
            ten.difference,
            ten.low,
            ten.high,
        )
        assert (one.better, one.more_lots) == (ten.better, ten.more_lots)


def test_the_nearer_and_the_steadier_supplier_are_told():
    """Twenty lots a third as far from the reference, and a third of the spread about their mean, both differ significantly."""
    rng = np.random.default_rng(1)
    lots = {1: read(rng.normal(0, 0.9, (20, 3))), 2: read(rng.normal(0, 0.3, (20, 3)))}
    assert {1: 2, 2: 1} == ranks("closeness", lots) == ranks("steadiness", lots)


def test_steadiness_knows_nothing_of_where_the_colours_lie():
    """A constant shift of all of a supplier's colours leaves its steadiness unchanged."""
    rng = np.random.default_rng(2)
    colors = rng.normal(0, 0.3, (9, 3)), rng.normal(0, 0.5, (12, 3))
    (before,) = on("steadiness", {1: read(colors[0]), 2: read(colors[1])})
    (after,) = on("steadiness", {1: read(colors[0] + [1, -2, 0.5]), 2: read(colors[1])})
    assert pytest.approx((before.difference, before.low, before.high), abs=SAME_FORMULA) == (
        after.difference,
        after.low,
        after.high,
    )


@pytest.mark.parametrize("criterion", ["closeness", "steadiness"])
@pytest.mark.parametrize("strata", [1, 4])
def test_two_lots_of_a_kind_tell_nothing_of_scatter(criterion, strata):
    """Two lots always lie equally far from their mean, which is no steadiness; two equal differences show no spread."""
    rng = np.random.default_rng(3)
    kinds = [f"shade {i}" for i in range(strata if criterion == "steadiness" else 1)]
    lots = {number: [lot for kind in kinds for lot in read(rng.normal(0, 0.3, (2, 3)), kind)] for number in (1, 2)}
    (found,) = on(criterion, lots)
    assert (None, None, None) == (found.low, found.better, found.more_lots)
    assert found.difference is not None


def test_lots_that_are_all_alike_are_not_told_apart():
    """Equal differences on either side show no spread, so no number of lots differs significantly."""
    (found,) = on("closeness", {1: at([0.5] * 9), 2: at([0.6] * 9)})
    assert (None, None) == (found.low, found.better)
    assert pytest.approx(-0.1, abs=SAME_FORMULA) == found.difference


def test_lots_read_otherwise_are_not_compared():
    """Colours are compared only within one stratum and instrument."""
    rng = np.random.default_rng(4)
    colors = rng.normal(0, 0.3, (9, 3))
    for other in (read(colors, with_="M2"), read(colors, "t")):
        found = compare({1: read(colors), 2: other})
        assert [None] * len(CRITERIA) == [c.difference for c in found]


def random_lots(rng, n: int, strata=("s",)) -> list[LotResult]:
    """Lots of an average supplier: 85 % accepted, colours about the reference, strata in turn."""
    colors = rng.normal((0.2, -0.1, 0.3), (0.3, 0.15, 0.3), (n, 3))
    lots = [lot for i, c in enumerate(colors) for lot in read([c], strata[i % len(strata)])]
    return [lot._replace(accepted=bool(good)) for lot, good in zip(lots, rng.random(n) < 0.85, strict=True)]


@pytest.mark.parametrize("seed", range(4))
def test_lots_of_a_kind_the_other_never_delivered_change_nothing(seed):
    """More lots in a stratum that the other lacks change no comparison."""
    rng = np.random.default_rng(seed)
    lots = {number: random_lots(rng, 12, ("s", "t")) for number in (1, 2, 3)}
    more = {**lots, 2: [*lots[2], *random_lots(rng, 15, ("own",)), *inspected(0, 9, "own")]}
    assert compare(lots) == compare(more)


@pytest.mark.parametrize("seed", range(4))
def test_exchanged_suppliers_are_mirrored(seed):
    """Exchanged suppliers have negated differences and the other better number."""
    rng = np.random.default_rng(seed)
    one, two = random_lots(rng, 9, ("s", "t")), read(rng.normal(0, 1.0, (14, 3)))
    for before, after in zip(compare({1: one, 2: two}), compare({1: two, 2: one}), strict=True):
        if before.difference is None:
            assert after.difference is None
            continue
        assert pytest.approx(-before.difference, abs=SAME_FORMULA) == after.difference
        if before.low is None:
            assert after.low is None
        else:
            assert pytest.approx((-before.high, -before.low), abs=SAME_FORMULA) == (after.low, after.high)
        assert ({1: 2, 2: 1}.get(before.better), before.more_lots) == (after.better, after.more_lots)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("sizes", "strata"),
    [
        ((4, 4, 4), "s"),
        ((20, 20, 20), "s"),
        ((3, 20, 20), "s"),
        ((2, 30, 30), "s"),
        ((5, 40, 40), "s"),
        ((12, 12, 12), "stuv"),
    ],
    ids=str,
)
def test_equal_suppliers_are_hardly_ever_told_apart(sizes, strata, monkeypatch):
    """Of three equal suppliers any two differ significantly on any criterion in at most 5 % of cases, also for few lots against many.

    Simulated 200 times at one look; the exact binomial interval at 99.9 % for the share includes 5 %.
    """
    monkeypatch.setattr(supplier_comparison, "MOST_LOTS", 1)
    rng = np.random.default_rng(sum(sizes))
    told = 0
    for _ in range(200):
        found = compare({number: random_lots(rng, n, tuple(strata)) for number, n in enumerate(sizes)})
        told += any(c.better for c in found)
    assert binomtest(told, 200).proportion_ci(0.999).low <= 0.05
