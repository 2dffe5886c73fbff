"""Which lots and spools to take for a job: the fewest lots that all match each other and hold enough, the oldest first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations, groupby

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e_among, delta_e_to_each
from lots.domain.colorimetry.color_values import Lab, mean_lab
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.production.cliques import Matches, Pool

# Masses are added as whole micrograms, far below any scale: the same spools give the same sum in whichever order they are added.
_MICROGRAMS = 1_000_000


@dataclass(frozen=True, slots=True)
class StockSpool:
    """A spool that may be loaded: grams of filament left on it (>= 0), whether it was opened, and when it came (with an offset from UTC)."""

    code: str
    mass_g: float
    opened: bool
    received_at: datetime

    def __post_init__(self) -> None:
        if not math.isfinite(self.mass_g) or self.mass_g < 0:
            raise ValueError(f"mass_g of spool {self.code} is {self.mass_g!r}; it must be a number of at least 0")
        _refuse_naive(f"spool {self.code}", self.received_at)


@dataclass(frozen=True, slots=True)
class StockLot:
    """A lot that may be used: its mean colour, None where none was measured, when it came, and its spools.

    `colors` are the colours that its spools stand for, each with the allowance for what an unmeasured spool may differ by; none stands for the
    mean alone.
    """

    id: int
    name: str
    lab: Lab | None
    received_at: datetime
    spools: tuple[StockSpool, ...]
    colors: tuple[tuple[Lab, float], ...] = ()

    def __post_init__(self) -> None:
        _refuse_naive(f"lot {self.name}", self.received_at)

    @property
    def mass_ug(self) -> int:
        """Filament on all its spools, in whole micrograms."""
        return sum(_ug(spool.mass_g) for spool in self.spools)


@dataclass(frozen=True, slots=True)
class Nearest:
    """How close an impossible pick can come.

    `mass_g` is the most that any lots which all match hold, `lots` the ids of the fewest, then oldest, lots that hold it, oldest first.
    `match_max` is the least limit on pairs at which the pick would be possible, unrounded; None where no limit would do.
    """

    mass_g: float
    lots: tuple[int, ...]
    match_max: float | None


@dataclass(frozen=True, slots=True)
class Pick:
    """What to take for a job, or why nothing will do.

    `lots` are ids, oldest first; `spools` are codes in the order to use them; both are empty when not possible. `mass_g` is the filament
    on those spools, `needed_g` the job's mass with its waste. `largest_pair` is the largest colour difference between two
    of the lots; None where there is no pair or none was asked to match. `nearest` is set where the pick is not possible.
    """

    possible: bool
    lots: tuple[int, ...]
    spools: tuple[str, ...]
    mass_g: float
    needed_g: float
    largest_pair: float | None
    says: str
    nearest: Nearest | None = None


def pick(
    stock: Sequence[StockLot], mass_g: float, match_max: float | None, limits: ColorLimits, waste_percent: float = 0.0
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

    Raises:
        ValueError: a number out of its range, or two lots of one id.

    Notes:
        Exact, not a heuristic. A pair is compared both ways and the larger difference counts, since CIE94 and CMC depend on which is the
        reference. A lot without a measured colour matches no other and may only be used alone. The problem (a clique of least size with a
        given weight) is NP-hard in general; colours of one grade lie in a ball of three dimensions, where bounds by groups of lots
        that do not match cut nearly everything.

    Reference:
        Matching is not transitive, so pairs are compared and never chains. Bounds by greedy colouring as in Tomita and Seki 2003, An
        efficient branch-and-bound algorithm for finding a maximum clique, DMTCS, LNCS 2731, 278-289 (from memory).

    Example:
        >>> from datetime import UTC
        >>> day = [datetime(2025, 3, n, tzinfo=UTC) for n in (1, 2, 3)]
        >>> white = [Lab(95.3, -0.9, 0.8), Lab(95.0, -0.8, 1.5), Lab(94.7, -0.7, 2.2)]
        >>> stock = [StockLot(i, f"L{i}", white[i], day[i], (StockSpool(f"S{i}", 1000, False, day[i]),)) for i in range(3)]
        >>> pick(stock, 1800, 0.75, ColorLimits()).lots, pick(stock, 2500, 0.75, ColorLimits()).nearest.mass_g
        ((0, 1), 2000.0)
    """
    needed_g = _needed(stock, mass_g, match_max, waste_percent)
    need = _ug(needed_g)
    lots = _central_first([lot for lot in stock if lot.mass_ug], limits)
    masses = [lot.mass_ug for lot in lots]
    # Where one lot is enough no pair needs to be compared, since the fewest is what is asked.
    compare = match_max is not None and max(masses, default=0) < need
    apart = _differences(lots, limits) if compare else {}
    matches = Matches(masses, _near(len(lots), apart, match_max))
    found = matches.reach(need, [(matches.everything, len(lots))])
    if found is None:
        nearest = _nearest(lots, matches, need, match_max, apart)
        return Pick(False, (), (), 0.0, needed_g, None, _why_not(lots, needed_g, match_max, nearest), nearest)
    chosen = _fewest_and_oldest(lots, matches, need, found)
    taken = _spools([spool for i in chosen for spool in lots[i].spools], need)
    pairs = [apart[min(i, j), max(i, j)] for i, j in combinations(chosen, 2)] if match_max is not None else []
    taken_g = sum(_ug(spool.mass_g) for spool in taken) / _MICROGRAMS
    names = ", ".join(lots[i].name for i in chosen)
    says = f"{_grams(taken_g)} on {_count(len(taken), 'spool')} of {_count(len(chosen), 'lot')} ({names}) for the {_grams(needed_g)} needed."
    if pairs:
        says += f" Any two of these lots differ by at most {_rounded_up(max(pairs))}; {match_max} is allowed."
    ids, codes = tuple(lots[i].id for i in chosen), tuple(spool.code for spool in taken)
    return Pick(True, ids, codes, taken_g, needed_g, max(pairs, default=None), says)


def _fewest_and_oldest(lots: Sequence[StockLot], matches: Matches, need: int, found: int) -> list[int]:
    """Returns the fewest lots that match and hold `need`, the oldest of such choices, oldest first; `found` is any such choice.

    First the number; then, moment by moment from the oldest, how many of the lots that came then; then which of them. Each step asks only
    whether a choice exists that goes on so. As no choice of fewer lots holds enough, one that takes at most so many takes exactly so many.
    """
    low, left = 0, found.bit_count()
    while left - low > 1:
        middle = (low + left) // 2
        fewer = matches.reach(need, [(matches.everything, middle)])
        if fewer is None:
            low = middle
        else:
            found, left = fewer, fewer.bit_count()
    ages = sorted(range(len(lots)), key=lambda i: (lots[i].received_at, lots[i].id))
    younger, kept = matches.everything, 0
    pools: list[Pool] = []
    for _, same in groupby(ages, key=lambda i: lots[i].received_at):
        moment = sum(1 << i for i in same) & younger
        younger &= ~moment
        for most in range(min(left, moment.bit_count()), (found & moment).bit_count(), -1):
            older = matches.reach(need, [*pools, (moment, most), (younger, left - most)])
            if older is not None:
                found = older
                break
        most = (found & moment).bit_count()
        left -= most
        if most == 1 == moment.bit_count():
            lot = moment.bit_length() - 1
            kept |= moment
            need -= matches.masses[lot]
            younger &= matches.near[lot]
            pools = matches.beside(lot, pools)
        else:
            pools.append((moment, most))
    for lot in ages:
        if any(most and moment >> lot & 1 for moment, most in pools):
            rest = matches.beside(lot, pools)
            other = found if found >> lot & 1 else matches.reach(need - matches.masses[lot], rest)
            if other is None:
                pools = [(moment & ~(1 << lot), most) for moment, most in pools]
            else:
                found, pools = other, rest
                kept |= 1 << lot
                need -= matches.masses[lot]
    return [lot for lot in ages if kept >> lot & 1]


def _nearest(
    lots: Sequence[StockLot], matches: Matches, need: int, match_max: float | None, apart: dict[tuple[int, int], float]
) -> Nearest:
    best = 0
    while (more := matches.reach(matches.mass(best) + 1, [(matches.everything, len(lots))])) is not None:
        best = more
    most = matches.mass(best)
    chosen = _fewest_and_oldest(lots, matches, most, best) if most else []
    wider = sorted({difference for difference in apart.values() if match_max is None or difference > match_max})
    measured = sum(lot.mass_ug for lot in lots if lot.lab is not None)
    if measured < need or not wider:
        return Nearest(most / _MICROGRAMS, tuple(lots[i].id for i in chosen), None)
    low, high = 0, len(wider) - 1  # at the widest every measured lot matches every other
    while low < high:
        middle = (low + high) // 2
        at_middle = Matches(matches.masses, _near(len(lots), apart, wider[middle]))
        if at_middle.reach(need, [(at_middle.everything, len(lots))]) is None:
            low = middle + 1
        else:
            high = middle
    return Nearest(most / _MICROGRAMS, tuple(lots[i].id for i in chosen), wider[low])


def _central_first(lots: Sequence[StockLot], limits: ColorLimits) -> list[StockLot]:
    """Lots nearest the mean colour first, unmeasured ones last. Any order gives the same pick; this one finds it soonest."""
    measured = {lot.id: lot.lab for lot in lots if lot.lab is not None}
    away: dict[int, float] = {}
    if measured:
        colors = list(measured.values())
        rows = [lab.as_list() for lab in colors]
        away = dict(
            zip(
                measured,
                delta_e_to_each(mean_lab(colors), rows, limits.formula, limits.weights).tolist(),
                strict=True,
            )
        )
    return sorted(lots, key=lambda lot: (away.get(lot.id, math.inf), -lot.mass_ug, lot.id))


def _differences(lots: Sequence[StockLot], limits: ColorLimits) -> dict[tuple[int, int], float]:
    """The colour difference of every two measured lots, the larger of both ways, and the largest of their spools'."""
    import numpy as np

    measured = [(i, lot.colors or ((lot.lab, 0.0),)) for i, lot in enumerate(lots) if lot.lab is not None]
    colors = [color for _, some in measured for color, _ in some]
    apart = delta_e_among(colors, limits.formula, limits.weights)
    larger = np.maximum(apart, apart.T)
    if len(colors) > len(measured) or any(part for _, some in measured for _, part in some):
        parts = np.array([part for _, some in measured for _, part in some]) ** 2
        larger = np.sqrt(larger**2 + parts[:, None] + parts[None, :])
        starts = np.cumsum([0, *(len(some) for _, some in measured)])[:-1]
        larger = np.maximum.reduceat(np.maximum.reduceat(larger, starts, axis=0), starts, axis=1)
    found = larger[np.triu_indices(len(measured), 1)]
    return dict(zip(combinations([i for i, _ in measured], 2), found.tolist(), strict=True))


def _near(count: int, apart: dict[tuple[int, int], float], match_max: float | None) -> list[int]:
    if match_max is None:
        return [((1 << count) - 1) & ~(1 << i) for i in range(count)]
    near, most = [0] * count, Limit(None, match_max)
    for (i, j), difference in apart.items():
        if most.allows(difference):
            near[i] |= 1 << j
            near[j] |= 1 << i
    return near


def _spools(spools: Sequence[StockSpool], need: int) -> list[StockSpool]:
    """Returns the spools to use: opened, then oldest, then smallest code, until there is enough; then none that is not needed."""
    taken: list[StockSpool] = []
    total = 0
    for spool in sorted(spools, key=lambda s: (not s.opened, s.received_at, s.code)):
        if total < need:
            taken.append(spool)
            total += _ug(spool.mass_g)
    for spool in reversed(taken.copy()):
        if total - _ug(spool.mass_g) >= need:
            taken.remove(spool)
            total -= _ug(spool.mass_g)
    return taken


def _ug(mass_g: float) -> int:
    return round(mass_g * _MICROGRAMS)


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


def _refuse_naive(what: str, received_at: datetime) -> None:
    if received_at.tzinfo is None:
        raise ValueError(f"received_at of {what} is {received_at!r}; it must have an offset from UTC")


def _why_not(lots: Sequence[StockLot], needed_g: float, match_max: float | None, nearest: Nearest) -> str:
    total_g = sum(lot.mass_ug for lot in lots) / _MICROGRAMS
    names = {lot.id: lot.name for lot in lots}
    best = f"the best set is {', '.join(names[i] for i in nearest.lots)}"
    matching = f"{_grams(nearest.mass_g)} of the {_grams(needed_g)} needed match within {match_max}; {best}."
    if _ug(total_g) < _ug(needed_g):
        short = f"There is not enough filament: {_grams(total_g)} in stock, {_grams(needed_g)} needed."
        return short if match_max is None or nearest.mass_g == total_g else f"{short} Only {matching}"
    if nearest.match_max is not None:
        return f"Only {matching} It would be possible within {_rounded_up(nearest.match_max)}."
    unmeasured = ", ".join(lot.name for lot in lots if lot.lab is None)
    return f"Only {matching} No wider match would do: {unmeasured} cannot be matched until the colour is measured."


def _grams(mass_g: float) -> str:
    """Grams as people read them, never rounded: what is short by a little must not read as enough."""
    whole, _, part = f"{mass_g:,.6f}".replace(",", " ").partition(".")
    return f"{whole}.{part.rstrip('0')}".rstrip(".") + " g"


def _rounded_up(difference: float) -> str:
    """A colour difference with two decimals, rounded up: a limit of the number shown allows it."""
    return shown(math.ceil(round(difference * 100, 8)) / 100)


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
