"""Which lots and spools to take for a job: the fewest lots that all match each other and hold enough, the oldest first."""

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

# Steps of the search. A step takes some 0.5 microseconds on a common core and 1 on a slow one, so that a search ends within 2 s there.
STEPS = 2_000_000


@dataclass(frozen=True, slots=True)
class Pick:
    """What to take for a job, or why nothing will do.

    `lots` are ids, oldest first; `spools` are codes in the order to use them; both are empty when not possible. `mass_g` is the filament
    on those spools, `needed_g` the job's mass with its waste. `largest_pair` is the largest colour difference between two
    of the lots; None where there is no pair or none was asked to match. `nearest` is set where the pick is not possible.
    `pairs` has the ids of every two lots that were compared, with their difference.
    `proven_optimal` is False where the search ended at its limit: every pair matches and the mass is enough, but a better choice may exist.
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
    """Returns the lots and spools to take for a job, or how close the stock comes.

    In this order: every two lots are within `match_max` of each other; the lots hold enough; they are as few as can be; they are the
    oldest, comparing when the oldest of each choice came, then the second oldest and so on, and where all of those are equal, the ids in
    the same order. Of their spools the opened ones come first, then the oldest, then the smallest code: spools are taken in
    that order until there is enough, then, last first, each is left out without which there still is.

    Args:
        stock: lots that may be used, each id once.
        mass_g: g, > 0.
        match_max: the largest colour difference between two lots, >= 0; a pair exactly at it matches. None asks for no match.
        limits: formula and weights; nothing else of them is used.
        waste_percent: % of `mass_g` to take on top, >= 0.
        steps: most steps that the search takes, >= 0; see `Effort`.

    Raises:
        ValueError: a number out of its range, or two lots of one id.

    Notes:
        Exact while steps last, and marked where they did not. A pair is compared both ways and the larger difference counts, since CIE94 and
        CMC depend on which is the reference. A lot without a measured colour matches no other and may only be used alone. The problem (a
        clique of least size with a given weight) is NP-hard in general; colours of one grade lie in a ball of three dimensions, where bounds by
        groups of lots that do not match cut nearly everything. Of more lots or colours than are compared, the lots that hold the most are.

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
        # Where one lot is enough no pair needs to be compared, since the fewest is what is asked.
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
            says += " The search ended at its limit, so a better set may exist."
        return Pick(False, (), (), 0.0, needed_g, None, says, nearest, proven)
    found = best_choice.fewest(matches, need, found, effort)
    is_fewest = not effort.gave_up and len(lots) == len(held)
    chosen = best_choice.oldest(lots, matches, need, found, effort)
    open_end = (
        ""
        if is_fewest and not effort.gave_up
        else "older lots may be enough"
        if is_fewest
        else "fewer or older lots may be enough"
    )
    pairs, largest = _pairs(lots, chosen, apart)
    answer = _possible([lots[i] for i in chosen], need, needed_g, match_max, largest, open_end)
    return replace(answer, pairs=pairs)


def _pairs(
    lots: Sequence[StockLot], chosen: Sequence[int], apart: Array | None
) -> tuple[tuple[tuple[int, int, float], ...], float | None]:
    """Every two of the lots with their difference, and the largest; none where no match is asked."""
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
    """The answer with these lots; `open_end` says what the search did not prove, "" where it proved everything."""
    taken = _spools([spool for lot in chosen for spool in lot.spools], need)
    taken_g = sum(micrograms(spool.mass_g) for spool in taken) / MICROGRAMS
    names = ", ".join(lot.name for lot in chosen)
    says = f"{_grams(taken_g)} on {counted(len(taken), 'spool')} of {counted(len(chosen), 'lot')} ({names}) for the {_grams(needed_g)} needed."
    if largest is not None:
        says += f" Any two of these lots differ by at most {_rounded_up(largest)}; {match_max} is allowed."
    if open_end:
        says += f" The search ended at its limit, so {open_end}."
    ids, codes = tuple(lot.id for lot in chosen), tuple(spool.code for spool in taken)
    return Pick(True, ids, codes, taken_g, needed_g, largest, says, None, not open_end)


def _spools(spools: Sequence[StockSpool], need: int) -> list[StockSpool]:
    """Returns the spools to use: opened, then oldest, then smallest code, until there is enough; then none that is not needed."""
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
    # 1000 g and 10 % are 1100 g so; 1000 * 1.1 is 1100.0000000000002.
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
    best = f"the best set is {', '.join(names[i] for i in nearest.lots)}"
    matching = f"{_grams(nearest.mass_g)} of the {_grams(needed_g)} needed match within {match_max}; {best}."
    if micrograms(total_g) < micrograms(needed_g):
        short = f"There is not enough filament: {_grams(total_g)} in stock, {_grams(needed_g)} needed."
        return short if match_max is None or nearest.mass_g == total_g else f"{short} Only {matching}"
    if nearest.match_max is not None:
        return f"Only {matching} It would be possible within {_rounded_up(nearest.match_max)}."
    unmeasured = ", ".join(lot.name for lot in lots if lot.lab is None)
    if not unmeasured:  # lots that were not compared hold the rest
        return f"Only {matching}"
    return f"Only {matching} No wider match would do: {unmeasured} cannot be matched until the colour is measured."


def _grams(mass_g: float) -> str:
    """Grams as people read them, never rounded: what is short by a little must not read as enough."""
    whole, _, part = f"{mass_g:,.6f}".replace(",", " ").partition(".")
    return f"{whole}.{part.rstrip('0')}".rstrip(".") + " g"


def _rounded_up(difference: float) -> str:
    """A colour difference with two decimals, rounded up: a limit of the number shown allows it."""
    return shown(math.ceil(round(difference * 100, 8)) / 100)
