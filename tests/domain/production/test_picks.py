"""Spools for a job: the exact answer, compared with every subset of small stocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production import picks, stock_matches
from lots.domain.production.cliques import Effort
from lots.domain.production.picks import pick
from lots.domain.production.stock import StockLot, StockSpool
from tests.examples import examples
from tests.tolerances import SAME_RULE

RULE = ColorLimits("CIE76")
START = datetime(2026, 1, 1, tzinfo=UTC)
WHITE, ONE_SIDE, OTHER_SIDE = Lab(95.0, -0.8, 1.5), Lab(95.3, -0.9, 0.8), Lab(94.7, -0.7, 2.2)


def lot(number: int, lab: Lab | None, *masses: float, day: int = 0, opened: tuple[int, ...] = ()) -> StockLot:
    """A lot of so many spools; those at the places in `opened` are open."""
    came = START + timedelta(days=day)
    spools = tuple(StockSpool(f"S{number}-{i}", mass, i in opened, came) for i, mass in enumerate(masses))
    return StockLot(number, f"L{number}", lab, came, spools)


def differences(stock, rule):
    """Every pair's difference, the larger of both ways."""
    return {
        (a.id, b.id): max(rule.delta_e(a.lab, b.lab), rule.delta_e(b.lab, a.lab))
        if a.lab is not None and b.lab is not None
        else float("inf")
        for a, b in combinations(stock, 2)
    }


def matching_sets(stock, match_max, apart):
    """Every set of lots with all pairs matching."""
    for size in range(1, len(stock) + 1):
        for chosen in combinations(stock, size):
            if match_max is None or all(apart[a.id, b.id] <= match_max + 1e-10 for a, b in combinations(chosen, 2)):
                yield chosen


def grams(chosen):
    """Filament of lots, g."""
    return sum(spool.mass_g for one in chosen for spool in one.spools)


def brute(stock, mass_g, match_max, rule):
    """(lots of the best choice, largest mass of any matching lots, least limit that makes it possible)."""
    apart = differences(stock, rule)
    sets = list(matching_sets(stock, match_max, apart))
    enough = [chosen for chosen in sets if grams(chosen) >= mass_g - 1e-6]
    most = max((grams(chosen) for chosen in sets), default=0)
    if enough:

        def order(chosen):
            by_age = sorted(chosen, key=lambda one: (one.received_at, one.id))
            return len(chosen), [one.received_at for one in by_age], [one.id for one in by_age]

        return [one.id for one in sorted(min(enough, key=order), key=lambda one: (one.received_at, one.id))], most, None
    limits = sorted(d for d in apart.values() if d < float("inf"))
    for wider in limits:
        if any(grams(chosen) >= mass_g - 1e-6 for chosen in matching_sets(stock, wider, apart)):
            return None, most, wider
    return None, most, None


@pytest.mark.parametrize("seed", range(40))
def test_the_pick_is_the_best_of_all_subsets(seed):
    """For 50 random stocks a seed, feasibility, lots, largest mass and necessary limit are those of every subset."""
    dice = np.random.default_rng(seed)
    for _ in range(50):
        stock = [
            lot(
                number,
                None
                if dice.random() < 0.1
                else Lab(95, float(dice.integers(0, 5)) / 4, float(dice.integers(0, 5)) / 4),
                *(float(mass) for mass in dice.integers(1, 6, dice.integers(1, 4)) * 250),
                day=int(dice.integers(0, 4)),
            )
            for number in range(int(dice.integers(1, 7)))
        ]
        match_max = None if dice.random() < 0.1 else float(dice.integers(0, 6)) / 4
        mass = float(dice.integers(1, 14)) * 250
        found, (lots, most, wider) = pick(stock, mass, match_max, RULE), brute(stock, mass, match_max, RULE)
        assert (lots is not None) == found.possible
        if found.possible:
            assert lots == list(found.lots)
            assert found.mass_g >= mass
            on = {spool.code: spool.mass_g for one in stock if one.id in lots for spool in one.spools}
            assert found.mass_g == sum(on[code] for code in found.spools)
            assert all(found.mass_g - on[code] < mass for code in found.spools)
        else:
            assert most == found.nearest.mass_g
            assert most == grams([one for one in stock if one.id in found.nearest.lots])
            if wider is None:
                assert found.nearest.match_max is None
            else:
                assert wider == pytest.approx(found.nearest.match_max)


def test_lots_on_opposite_sides_of_the_white_do_not_share_a_job():
    """Each of two lots is 0.7 from the white and 1.40 from the other (computed with colour-science): the white joins either, they do not join."""
    rule = ColorLimits()
    stock = [lot(1, ONE_SIDE, 1000), lot(2, OTHER_SIDE, 1000), lot(3, WHITE, 1000)]
    assert 1.40 == round(pick(stock[:2], 1500, 2.0, rule).largest_pair, 2)
    apart = pick(stock[:2], 1500, 1.0, rule)
    assert (False, 1.40) == (apart.possible, round(apart.nearest.match_max, 2))
    assert 2000 == pick(stock, 2500, 1.0, rule).nearest.mass_g


def test_alike_and_alike_need_not_be_alike():
    """A matches B and B matches C, but A and C do not, so the three lots are no pick."""
    stock = [lot(i, Lab(95, 0, 0.4 * i), 1000) for i in range(3)]
    assert pick(stock, 2000, 0.5, RULE).possible
    assert not pick(stock, 3000, 0.5, RULE).possible


@pytest.mark.parametrize(("apart", "possible"), [(0.4999, True), (0.5, True), (0.5001, False)])
def test_a_pair_exactly_at_the_limit_matches(apart, possible):
    """A pair exactly at the limit matches."""
    stock = [lot(1, Lab(95, 0, 0), 1000), lot(2, Lab(95, 0, apart), 1000)]
    assert possible is pick(stock, 2000, 0.5, RULE).possible


@pytest.mark.parametrize("formula", ["CMC", "CIE94"])
def test_a_pair_counts_by_the_larger_of_both_ways(formula):
    """With an asymmetric formula a limit between both differences does not pass the pair."""
    rule, colors = ColorLimits(formula), (Lab(50, 20, 10), Lab(50, 30, 5))
    less, more = sorted((rule.delta_e(*colors), rule.delta_e(*reversed(colors))))
    for first, second in (colors, colors[::-1]):
        stock = [lot(1, first, 1000), lot(2, second, 1000)]
        refused = pick(stock, 2000, (less + more) / 2, rule)
        assert (False, more) == (refused.possible, refused.nearest.match_max)
        assert more == pick(stock, 2000, more, rule).largest_pair


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
def test_a_pick_tells_the_difference_that_the_pair_has_anywhere_else(formula):
    """A limit equal to the difference computed for one pair passes the pair in the array computation."""
    rule, dice = ColorLimits(formula), np.random.default_rng(4)
    for _ in range(50):
        one, other = (Lab(*(WHITE.as_list() + dice.normal(0, 0.7, 3))) for _ in "12")
        stock = [lot(1, one, 1000), lot(2, None, 500), lot(3, other, 1000)]
        apart = max(rule.delta_e(one, other), rule.delta_e(other, one))
        found = pick(stock, 2000, apart, rule)
        assert (1, 3) == found.lots
        assert pytest.approx(apart, abs=SAME_RULE) == found.largest_pair


@pytest.mark.parametrize("days", [200, 10, 1], ids=["a-lot-a-day", "many-lots-a-day", "all-on-one-day"])
@pytest.mark.parametrize("match_max", [0.4, 0.6])
def test_the_greatest_mass_of_a_large_stock_is_that_of_another_solver(match_max, days):
    """Of 120 whites the largest mass is networkx's heaviest clique; that mass is a pick and a gram more is not."""
    dice = np.random.default_rng(days)
    rows = zip(
        dice.normal(0, 0.4, (120, 3)).tolist(), dice.integers(1, 21, 120), dice.integers(0, days, 120), strict=True
    )
    stock = [
        lot(i, Lab(95 + a, b - 0.8, c + 1.5), *[1000.0 - i] * int(n), day=int(day))
        for i, ((a, b, c), n, day) in enumerate(rows)
    ]
    graph = nx.Graph()
    graph.add_nodes_from((one.id, {"grams": int(grams([one]))}) for one in stock)
    graph.add_edges_from(pair for pair, apart in differences(stock, RULE).items() if apart <= match_max)
    _, most = nx.max_weight_clique(graph, "grams")
    assert pick(stock, most, match_max, RULE).possible
    assert most == pick(stock, most + 1, match_max, RULE).nearest.mass_g


def test_days_weigh_before_ids():
    """Of choices of one size all days are compared first, and only then the ids (by hand)."""
    blue, red = (Lab(95, 0, 0), Lab(95, 0, 9))
    stock = [lot(1, blue, 500, day=0), lot(2, red, 500, day=0), lot(3, blue, 500, day=2), lot(4, red, 500, day=1)]
    assert (2, 4) == pick(stock, 1000, 0.5, RULE).lots


def test_opened_spools_come_first_then_the_oldest_and_none_that_is_not_needed():
    """The opened spool is used first, and a spool that the mass does not need is left out."""
    stock = [lot(1, WHITE, 1000, 300, 1000, opened=(1,))]
    assert ("S1-1", "S1-0") == pick(stock, 1200, None, RULE).spools
    assert ("S1-0",) == pick(stock, 1000, None, RULE).spools


def test_waste_is_added_to_what_is_needed():
    """1000 g with 10 % waste needs exactly 1100 g."""
    assert 1100 == pick([lot(1, WHITE, 1100)], 1000, None, RULE, 10).needed_g
    assert not pick([lot(1, WHITE, 1099)], 1000, None, RULE, 10).possible


def test_a_lot_nobody_measured_is_used_alone():
    """A lot without a colour matches no other, and no wider limit is proposed."""
    stock = [lot(1, None, 1000), lot(2, WHITE, 1000)]
    assert pick(stock, 1000, 0.5, RULE).possible
    found = pick(stock, 2000, 0.5, RULE)
    assert (False, None) == (found.possible, found.nearest.match_max)
    assert "Measure the colour of" in found.says


def test_too_little_filament_is_said_so():
    """Where the whole stock is too small no limit helps, and the message gives its mass."""
    found = pick([lot(1, WHITE, 400)], 1000, None, RULE)
    assert "not enough filament" in found.says
    assert (400, None) == (found.nearest.mass_g, found.nearest.match_max)
    assert not pick([], 1000, 0.5, RULE).possible


@pytest.mark.parametrize(
    ("mass", "most", "waste"), [(0, 0.5, 0), (-1, 0.5, 0), (float("nan"), 0.5, 0), (1, -0.1, 0), (1, 0.5, -1)]
)
def test_numbers_that_make_no_sense_are_refused(mass, most, waste):
    """Zero mass, a negative limit and negative waste are refused."""
    with pytest.raises(ValueError, match="must be a number"):
        pick([lot(1, WHITE, 100)], mass, most, RULE, waste)


STOCKS = st.lists(st.tuples(st.integers(0, 8), st.integers(1, 5), st.integers(0, 3)), min_size=1, max_size=6).map(
    lambda rows: [lot(i, Lab(95, 0, b / 4), 250.0 * m, day=d) for i, (b, m, d) in enumerate(rows)]
)


@examples(150)
@given(STOCKS, st.integers(1, 10), st.integers(0, 6), st.integers(0, 4))
def test_a_wider_limit_and_more_stock_never_make_it_harder(stock, mass, most, wider):
    """A wider limit, or another lot, keeps a feasible pick feasible with no more lots."""
    before = pick(stock, 250.0 * mass, most / 4, RULE)
    after = pick(stock, 250.0 * mass, (most + wider) / 4, RULE)
    more = pick([*stock, lot(99, Lab(95, 0, 0), 500)], 250.0 * mass, most / 4, RULE)
    if before.possible:
        assert len(after.lots) <= len(before.lots)
        assert len(more.lots) <= len(before.lots)
        assert after.possible
        assert more.possible


@examples(100)
@given(STOCKS, st.integers(1, 10), st.integers(1, 4), st.integers(0, 6))
def test_more_mass_never_takes_fewer_lots(stock, mass, extra, most):
    """More mass needs at least as many lots, or is impossible."""
    less, more = (pick(stock, 250.0 * m, most / 4, RULE) for m in (mass, mass + extra))
    assert not more.possible or len(less.lots) <= len(more.lots)


def stock_of(count, seed, spread=0.4, planar=True, equal=False):
    """Lots about one colour, one per day, each of one spool."""
    dice = np.random.default_rng(seed)
    away = dice.normal(0, spread, (count, 3))
    away[:, 0] *= not planar
    masses = [1000.0] * count if equal else dice.integers(1, 20_001, count).astype(float).tolist()
    return [lot(i, Lab(70 + a, b, c), masses[i], day=i) for i, (a, b, c) in enumerate(away.tolist())]


def assert_holds(stock, found, match_max, mass):
    """Verifies an answer: every two lots match, and the mass is enough."""
    chosen = [one for one in stock if one.id in (found.lots or found.nearest.lots)]
    assert all(apart <= match_max + 1e-10 for apart in differences(chosen, RULE).values())
    if found.possible:
        assert found.mass_g >= mass
        assert set(found.spools) <= {spool.code for one in chosen for spool in one.spools}
    else:
        assert grams(chosen) == pytest.approx(found.nearest.mass_g)
        assert found.nearest.mass_g < mass
    assert found.proven_optimal is ("reached its limit" not in found.says)


@examples(300)
@given(STOCKS, st.integers(1, 10), st.integers(0, 6), st.integers(0, 120))
def test_a_pick_holds_within_any_number_of_steps_and_is_the_best_wherever_it_is_proven(stock, mass, most, steps):
    """With any number of steps pairs match and masses suffice; a proven answer is that of every subset."""
    found = pick(stock, 250.0 * mass, most / 4, RULE, steps=steps)
    lots, largest, wider = brute(stock, 250.0 * mass, most / 4, RULE)
    assert_holds(stock, found, most / 4, 250.0 * mass)
    if found.proven_optimal:
        assert (lots is not None) == found.possible
        assert list(found.lots) == (lots or [])
        if not found.possible:
            assert (largest, wider is None) == (found.nearest.mass_g, found.nearest.match_max is None)
            assert wider is None or wider == pytest.approx(found.nearest.match_max)
    elif not found.possible and found.nearest.match_max is not None:
        assert pick(stock, 250.0 * mass, found.nearest.match_max, RULE).possible


HARD = {
    "near-the-limit": (0.5, 0.4, {}),
    "solid": (0.5, 0.2, {"planar": False}),
    "many-equal-masses": (0.5, 0.4, {"equal": True}),
    "all-match": (90.0, 0.4, {}),
    "none-match": (0.0, 0.05, {"spread": 40.0}),
}


@pytest.mark.thorough
@pytest.mark.parametrize("count", [300, 1000])
@pytest.mark.parametrize("case", HARD)
def test_a_hard_stock_takes_no_more_steps_than_allowed(monkeypatch, count, case):
    """For large stocks the steps stay below the limit plus one search node, the answer is valid, and repeated questions have the same answer."""
    most, part, kind = HARD[case]
    stock, made = stock_of(count, 5, **kind), []
    monkeypatch.setattr(picks, "Effort", lambda *args: made.append(Effort(*args)) or made[-1])
    mass = part * grams(stock)
    found = pick(stock, mass, most, RULE, steps=200_000)
    assert_holds(stock, found, most, mass)
    assert made[0].left > -10 * count * made[0].weight
    assert found == pick(stock, mass, most, RULE, steps=200_000)


def test_a_mass_just_unreachable_is_proven_so():
    """One gram more than the heaviest matching set is proven impossible, with the largest mass."""
    stock = stock_of(120, 3)
    most = pick(stock, 10_000_000, 0.3, RULE).nearest
    found = pick(stock, most.mass_g + 1, 0.3, RULE)
    assert (False, True, most.mass_g) == (found.possible, found.proven_optimal, found.nearest.mass_g)
    assert pick(stock, most.mass_g, 0.3, RULE).possible


def test_of_more_lots_than_are_compared_the_heaviest_are(monkeypatch):
    """Of more lots than the limit the lightest are left out, and the answer is not proven."""
    monkeypatch.setattr(stock_matches, "MOST_LOTS", 2)
    stock = [lot(1, WHITE, 100), lot(2, WHITE, 500), lot(3, WHITE, 400)]
    found = pick(stock, 800, 0.5, RULE)
    assert ((2, 3), False) == (found.lots, found.proven_optimal)
    assert "Fewer or older lots may suffice" in found.says
    assert not pick(stock, 1000, 0.5, RULE).possible
