"""Choice of lots and spools for a job: the fewest lots that all match each other and hold enough, the oldest first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.conformity.findings import shown
from lots.domain.production import best_choice
from lots.domain.production.best_choice import Nearest
from lots.domain.production.cliques import Effort, Matches
from lots.domain.production.stock import MICROGRAMS, StockLot, StockSpool, micrograms
from lots.domain.production.stock_matches import central_first, compared, differences, near
from lots.domain.words import counted

if TYPE_CHECKING:
    from lots.domain.colorimetry.color_difference import Array

# Most steps of the search. A step takes about 0.5 microseconds on a common core and 1 on a slow one, so a search ends within 2 s.
STEPS = 2_000_000


@dataclass(frozen=True, slots=True)
class Pick:
    """Lots and spools to use for a job, or the reason why the stock is not sufficient.

    `lots` are ids, oldest first. `spools` are codes in the order of use. Both are empty when the pick is impossible. `mass_g` is the
    filament on those spools. `needed_g` is the job's mass with waste. `largest_pair` is the largest colour difference between two of the
    lots; None without a pair or without a match limit. `nearest` is set where the pick is impossible. `pairs` has the ids and the
    difference of every two lots that were compared. `proven_optimal` is False where the search ended at its limit: the pick is valid, but
    a better one may exist.
    """

    possible: bool
    lots: tuple[int, ...]
    spools: tuple[str, ...]
    mass_g: float
    needed_g: float
    largest_pair: float | None
    says: str
    nearest: Nearest | None = None
    proven_optimal: bool = True
    pairs: tuple[tuple[int, int, float], ...] = ()


def pick(
    stock: Sequence[StockLot],
    mass_g: float,
    match_max: float | None,
    limits: ColorLimits,
    waste_percent: float = 0.0,
    *,
    steps: int = STEPS,
) -> Pick:
    """Returns the lots and spools to use for a job, or the nearest that the stock allows.

    Criteria in order: every two lots are within `match_max`; the lots hold enough; the number of lots is smallest; the lots are the
    oldest. Choices are compared by the receipt date of their oldest lot, then of the next, and so on; ties are decided by id. Opened
    spools come first, then the oldest, then the smallest code. Spools are taken in that order until the mass is sufficient. Then, last
    first, each spool that is not needed is removed.

    Args:
        stock: lots that may be used, each id once.
        mass_g: g, > 0.
        match_max: the largest colour difference between two lots, >= 0; a pair exactly at it matches. None: colour does not count.
        limits: formula and weights; the limits themselves are not used.
        waste_percent: % of `mass_g` to take in addition, >= 0.
        steps: most steps of the search, >= 0; see `Effort`.

    Raises:
        ValueError: a number out of its range, or two lots with one id.

    Notes:
        Exact unless the steps run out; `proven_optimal` is then False. A pair is compared both ways and the larger difference counts, since
        CIE94 and CMC depend on the reference. A lot without a measured colour may only be used alone. The problem (minimum clique with a given
        weight) is NP-hard in general. Colours of one grade lie in a small region of CIELAB, where the colouring bounds prune nearly everything.
        Above `MOST_LOTS` or `MOST_COLORS` only the lots that hold the most are compared.

    Reference:
        Matching is not transitive, so pairs are compared and never chains. Bounds by greedy colouring as in Tomita and Seki 2003, An
        efficient branch-and-bound algorithm for finding a maximum clique, DMTCS, LNCS 2731, 278-289 (from memory).

    Example:
        >>> from datetime import UTC, datetime
        >>> from lots.domain.colorimetry.color_values import Lab
        >>> day = [datetime(2025, 3, n, tzinfo=UTC) for n in (1, 2, 3)]
        >>> white = [Lab(95.3, -0.9, 0.8), Lab(95.0, -0.8, 1.5), Lab(94.7, -0.7, 2.2)]
        >>> stock = [StockLot(i, f"L{i}", white[i], day[i], (StockSpool(f"S{i}", 1000, False, day[i]),)) for i in range(3)]
        >>> pick(stock, 1800, 0.75, ColorLimits()).lots, pick(stock, 2500, 0.75, ColorLimits()).nearest.mass_g
        ((0, 1), 2000.0)
    """
    needed_g = _needed(stock, mass_g, match_max, waste_percent)
    need, held = micrograms(needed_g), [lot for lot in stock if lot.mass_ug]
    if alone := [lot for lot in held if lot.mass_ug >= need]:
        # One lot is the smallest number, so no pair needs to be compared.
        return _possible([min(alone, key=lambda lot: (lot.received_at, lot.id))], need, needed_g, match_max, None, "")
    lots = central_first(compared(held), limits)
    apart = None if match_max is None else differences(lots, limits)
    effort = Effort(steps, 1 + len(lots) // 600)
    matches = Matches([lot.mass_ug for lot in lots], near(len(lots), apart, match_max))
    found = matches.reach(need, [(matches.everything, len(lots))], effort)
    if found is None:
        nearest = best_choice.nearest(lots, matches, need, apart, match_max, effort)
        proven = not effort.gave_up and len(lots) == len(held)
        says = _why_not(lots, sum(lot.mass_ug for lot in held), needed_g, match_max, nearest)
        if not proven:
            says += " The search reached its limit. A better set may exist."
        return Pick(False, (), (), 0.0, needed_g, None, says, nearest, proven)
    found = best_choice.fewest(matches, need, found, effort)
    is_fewest = not effort.gave_up and len(lots) == len(held)
    chosen = best_choice.oldest(lots, matches, need, found, effort)
    open_end = (
        ""
        if is_fewest and not effort.gave_up
        else "Older lots may suffice"
        if is_fewest
        else "Fewer or older lots may suffice"
    )
    pairs, largest = _pairs(lots, chosen, apart)
    answer = _possible([lots[i] for i in chosen], need, needed_g, match_max, largest, open_end)
    return replace(answer, pairs=pairs)


def _pairs(
    lots: Sequence[StockLot], chosen: Sequence[int], apart: Array | None
) -> tuple[tuple[tuple[int, int, float], ...], float | None]:
    """Returns every two of the lots with their difference, and the largest difference; empty without a match limit."""
    if apart is None:
        return (), None
    pairs = tuple((lots[i].id, lots[j].id, float(apart[i, j])) for i, j in combinations(chosen, 2))
    return pairs, max((far for _, _, far in pairs), default=0.0)


def _possible(
    chosen: Sequence[StockLot],
    need: int,
    needed_g: float,
    match_max: float | None,
    largest: float | None,
    open_end: str,
) -> Pick:
    """Returns the pick of these lots; `open_end` says what the search did not prove, "" if nothing."""
    taken = _spools([spool for lot in chosen for spool in lot.spools], need)
    taken_g = sum(micrograms(spool.mass_g) for spool in taken) / MICROGRAMS
    names = ", ".join(lot.name for lot in chosen)
    says = f"{_grams(taken_g)} on {counted(len(taken), 'spool')} of {counted(len(chosen), 'lot')} ({names}) for the {_grams(needed_g)} needed."
    if largest is not None:
        says += (
            f" The largest colour difference between two of these lots is {_rounded_up(largest)} (limit {match_max})."
        )
    if open_end:
        says += f" The search reached its limit. {open_end}."
    ids, codes = tuple(lot.id for lot in chosen), tuple(spool.code for spool in taken)
    return Pick(True, ids, codes, taken_g, needed_g, largest, says, None, not open_end)


def _spools(spools: Sequence[StockSpool], need: int) -> list[StockSpool]:
    """Returns the spools to use, sorted by opened, oldest and smallest code, without those that are not needed."""
    taken: list[StockSpool] = []
    total = 0
    for spool in sorted(spools, key=lambda s: (not s.opened, s.received_at, s.code)):
        if total < need:
            taken.append(spool)
            total += micrograms(spool.mass_g)
    for spool in reversed(taken.copy()):
        if total - micrograms(spool.mass_g) >= need:
            taken.remove(spool)
            total -= micrograms(spool.mass_g)
    return taken


def _needed(stock: Sequence[StockLot], mass_g: float, match_max: float | None, waste_percent: float) -> float:
    # 1000 * 1.1 would be 1100.0000000000002.
    needed_g = mass_g * (100 + waste_percent) / 100
    if not (mass_g > 0 and math.isfinite(needed_g)):
        raise ValueError(f"mass_g is {mass_g!r}; it must be a number above 0")
    if not waste_percent >= 0:
        raise ValueError(f"waste_percent is {waste_percent!r}; it must be a number of at least 0")
    if match_max is not None and not (math.isfinite(match_max) and match_max >= 0):
        raise ValueError(f"match_max is {match_max!r}; it must be a number of at least 0, or None for no match")
    if len({lot.id for lot in stock}) < len(stock):
        raise ValueError("two lots of the stock have the same id")
    return needed_g


def _why_not(lots: Sequence[StockLot], total: int, needed_g: float, match_max: float | None, nearest: Nearest) -> str:
    total_g = total / MICROGRAMS
    names = {lot.id: lot.name for lot in lots}
    best = f"The best set is {', '.join(names[i] for i in nearest.lots)}"
    matching = f"{_grams(nearest.mass_g)} of the {_grams(needed_g)} needed match within {match_max}. {best}."
    if micrograms(total_g) < micrograms(needed_g):
        short = f"There is not enough filament. {_grams(total_g)} may be loaded for this use, and {_grams(needed_g)} are needed."
        return short if match_max is None or nearest.mass_g == total_g else f"{short} Only {matching}"
    if nearest.match_max is not None:
        return f"Only {matching} A limit of {_rounded_up(nearest.match_max)} would make the pick possible."
    unmeasured = ", ".join(lot.name for lot in lots if lot.lab is None)
    if not unmeasured:  # the rest is in lots that were not compared
        return f"Only {matching}"
    return f"Only {matching} A wider limit does not help. Measure the colour of {unmeasured} first."


def _grams(mass_g: float) -> str:
    """Returns grams with all digits, never rounded, so that a mass that is slightly too small never reads as sufficient."""
    whole, _, part = f"{mass_g:,.6f}".replace(",", " ").partition(".")
    return f"{whole}.{part.rstrip('0')}".rstrip(".") + " g"


def _rounded_up(difference: float) -> str:
    """Returns a colour difference with two decimals, rounded up, so that a limit of the number shown allows it."""
    return shown(math.ceil(round(difference * 100, 8)) / 100)
