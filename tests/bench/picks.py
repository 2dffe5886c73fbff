"""Picks from a stock of 200 lots, compared with networkx listing every maximal matching set; then hard stocks of 300 and 1,000 lots.

Listing is the simplest exact alternative: of all maximal cliques with enough mass the one with the fewest lots. It breaks no ties by
age, so it does less than the pick.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import combinations

import networkx as nx
import numpy as np

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production.picks import pick
from lots.domain.production.stock import StockLot, StockSpool

RULE = ColorLimits("CIE76")
ROUNDS = 5
# The alternative may list millions of sets; after so many it is stopped, and its time is then a lower bound.
MOST_LISTED = 200_000


def stock(lots: int, seed: int = 7) -> list[StockLot]:
    """Whites about the reference, sd 0.3 per coordinate, 1 to 20 spools each."""
    dice = np.random.default_rng(seed)
    made = []
    for number in range(lots):
        lab = Lab(*(np.array([95.0, -0.8, 1.5]) + dice.normal(0, 0.3, 3)).tolist())
        came = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=number)
        spools = tuple(
            StockSpool(f"S{number}-{i}", float(dice.integers(100, 1001)), bool(dice.random() < 0.2), came)
            for i in range(int(dice.integers(1, 21)))
        )
        made.append(StockLot(number, f"L{number}", lab, came, spools))
    return made


def listed(shelf: list[StockLot], mass_g: float, match_max: float) -> tuple[int, bool]:
    """Fewest lots by listing maximal cliques, and whether the listing ended."""
    graph = nx.Graph()
    graph.add_nodes_from(range(len(shelf)))
    for (i, one), (j, other) in combinations(enumerate(shelf), 2):
        if one.lab and other.lab and RULE.delta_e(one.lab, other.lab) <= match_max:
            graph.add_edge(i, j)
    masses = [sum(spool.mass_g for spool in one.spools) for one in shelf]
    fewest = len(shelf) + 1
    for count, clique in enumerate(nx.find_cliques(graph)):
        if count == MOST_LISTED:
            return fewest, False
        total = 0.0
        for taken, mass in enumerate(sorted((masses[i] for i in clique), reverse=True), start=1):
            total += mass
            if total >= mass_g:
                fewest = min(fewest, taken)
                break
    return fewest, True


def _timed(action: Callable[[], object]) -> float:
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


HARD: dict[str, tuple[float, float, bool, bool]] = {  # largest difference, part of the stock, on one plane, of one mass
    "planar, near the limit": (0.5, 0.4, True, False),
    "solid": (0.5, 0.2, False, False),
    "equal masses": (0.5, 0.4, True, True),
    "all match": (90.0, 0.4, True, False),
    "none match": (0.0001, 0.05, False, False),
}


def hard(lots: int, planar: bool, equal: bool, seed: int = 5) -> list[StockLot]:
    """Lots about one colour, sd 0.3 per coordinate, one a day, each of one spool of up to 20 kg."""
    dice = np.random.default_rng(seed)
    made = []
    for number in range(lots):
        away = dice.normal(0, 0.3, 3) * [not planar, 1, 1]
        mass = 1000.0 if equal else float(dice.integers(1, 20_001))
        came = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=number)
        lab = Lab(*(np.array([70.0, 0.0, 0.0]) + away).tolist())
        made.append(StockLot(number, f"L{number}", lab, came, (StockSpool(f"S{number}", mass, False, came),)))
    return made


def run_hard() -> None:
    """Prints the cost of picks from hard stocks, with compared pairs and bounded steps."""
    sys.stdout.write(f"{'lots':>6} {'stock':24} {'possible':>9} {'proven':>7} {'CPU s':>7}\n")
    for lots in (300, 1000):
        for name, (match_max, part, planar, equal) in HARD.items():
            shelf = hard(lots, planar, equal)
            mass_g = part * sum(one.mass_ug for one in shelf) / 1e6
            began = time.process_time()
            found = pick(shelf, mass_g, match_max, RULE)
            took = time.process_time() - began
            sys.stdout.write(f"{lots:6d} {name:24} {found.possible!s:>9} {found.proven_optimal!s:>7} {took:7.2f}\n")


def run() -> None:
    """Prints times and ratios, medians of alternated rounds with their spread; then the hard stocks."""
    shelf = stock(200)
    sys.stdout.write(
        f"{'kg':>6} {'match':>6} {'possible':>9} {'lots':>5} {'pick s':>16} {'listing s':>16} {'ratio':>7}\n"
    )
    for mass_g, match_max in ((50_000, 0.5), (150_000, 0.5), (300_000, 0.8), (2_000_000, 0.5)):
        ours, theirs = [], []
        for _ in range(ROUNDS):
            ours.append(_timed(lambda m=mass_g, d=match_max: pick(shelf, m, d, RULE)))
            theirs.append(_timed(lambda m=mass_g, d=match_max: listed(shelf, m, d)))
        found, (_, whole) = pick(shelf, mass_g, match_max, RULE), listed(shelf, mass_g, match_max)
        a, b = statistics.median(ours), statistics.median(theirs)
        sys.stdout.write(
            f"{mass_g / 1000:6.0f} {match_max:6.2f} {found.possible!s:>9} {len(found.lots):5d} "
            f"{a:7.3f} ({min(ours):.2f}-{max(ours):.2f}) {'' if whole else '>'}{b:7.3f} ({min(theirs):.2f}-{max(theirs):.2f}) "
            f"{a / b:7.2f}\n"
        )
    run_hard()
