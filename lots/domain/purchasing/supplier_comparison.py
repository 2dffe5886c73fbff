"""Comparison of the suppliers of one grade in acceptance, closeness to the reference and steadiness, with significance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from types import MappingProxyType
from typing import NamedTuple

from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words, in_order, on_every_use
from lots.domain.statistics.confidence_sequences import (
    difference_of_means,
    means_differ_by,
    more_lots_until_proportions_differ,
    more_values_until_means_differ,
    proportions_differ_by,
    sample_of,
)
from lots.domain.statistics.ellipsoid import Ellipsoid, confidence_ellipsoid
from lots.domain.statistics.proportions import Interval, Stratum, difference, wilson
from lots.domain.words import counted, plural

CRITERIA = {
    "acceptance": f"share of lots accepted the first time for {AT_LEAST_ONE}",
    "closeness": "mean colour difference of a lot from the reference",
    "steadiness": "mean distance of a lot's colour from the supplier's own mean",
}
# Criteria for which larger is better.
MORE_IS_BETTER = ("acceptance",)


def criteria_for(use: str | None) -> Mapping[str, str]:
    """Returns the criteria in words, with acceptance for one use; for at least one use if None.

    Example:
        >>> criteria_for("cosmetic")["acceptance"]
        'share of lots accepted the first time for cosmetic'
    """
    if use is None:
        return CRITERIA
    return {**CRITERIA, "acceptance": f"share of lots accepted the first time for {for_words(use)}"}


# Largest number of further lots that is reported.
MOST_LOTS = 1000
# Least figures of each supplier in a stratum where several strata are compared. Chosen by trial, no source.
LEAST_OF_STRATUM = 4

Vector = tuple[float, ...]


class LotResult(NamedTuple):
    """Result of one lot for the comparison.

    Args:
        accepted: outcome of the original inspection for at least one use, None while open.
        stratum: lots are compared only within one: same grade, same reference and limits revision.
        read: instrument and conditions of the colour; colours are compared only where these agree.
        apart: (dL*, da*, db*) of its mean colour, sample minus reference; None where not measured.
        delta_e: its colour difference; None where not measured.
        uses: use -> whether that inspection accepted the lot for it; empty while open or unknown.
    """

    accepted: bool | None
    stratum: str
    read: str = ""
    apart: Vector | None = None
    delta_e: float | None = None
    uses: Mapping[str, bool] = MappingProxyType({})

    def about(self, use: str | None) -> LotResult:
        """Returns the result for one use alone; for at least one use if None."""
        return self if use is None else self._replace(accepted=self.uses.get(use))


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Numbers of lots delivered, inspected and accepted the first time; the interval is Wilson's, None before the first inspection."""

    lots: int
    inspected: int
    accepted: int
    interval: Interval | None


def acceptance(lots: Sequence[LotResult], confidence: float = 0.95) -> Acceptance:
    """Returns how often a supplier's lots were accepted for at least one use. A lot under inspection only counts as delivered.

    Reference:
        Wilson 1927, J. Amer. Statist. Assoc. 22, 209-212.

    Example:
        >>> found = acceptance([LotResult(True, "s"), LotResult(True, "s"), LotResult(None, "s")])
        >>> found.lots, found.inspected, round(found.interval.low, 2)
        (3, 2, 0.34)
    """
    return _acceptance([lot.accepted for lot in lots], confidence)


def _acceptance(verdicts: Sequence[bool | None], confidence: float) -> Acceptance:
    ended = [accepted for accepted in verdicts if accepted is not None]
    good = sum(ended)
    return Acceptance(len(verdicts), len(ended), good, wilson(good, len(ended), confidence) if ended else None)


@dataclass(frozen=True, slots=True)
class AcceptanceByUse:
    """Acceptance of lots for each use and for every use that their limits name.

    `not_known` counts lots accepted for at least one use whose verdicts per use are unknown. They are excluded.
    """

    uses: Mapping[str, Acceptance]
    every_use: Acceptance
    not_known: int


def acceptance_by_use(lots: Sequence[LotResult], confidence: float = 0.95) -> AcceptanceByUse:
    """Returns how often a supplier's lots were accepted for each use, and for every use.

    A lot counts for the uses that it was inspected for. Among lots inspected for the same uses, the share for every use is at most that for
    each use, which is at most that for at least one.

    Reference:
        Wilson 1927, as `acceptance`.

    Example:
        >>> restricted = LotResult(True, "s", uses={"cosmetic": False, "fit": True})
        >>> found = acceptance_by_use([restricted, restricted._replace(uses={"cosmetic": True, "fit": True})])
        >>> {use: (seen.accepted, seen.inspected) for use, seen in found.uses.items()}, found.every_use.accepted
        ({'cosmetic': (1, 2), 'fit': (2, 2)}, 1)
    """
    uses = in_order(use for lot in lots for use in lot.uses)
    each = {use: _acceptance([lot.uses.get(use) for lot in lots], confidence) for use in uses}
    whole = _acceptance([on_every_use(lot.uses) for lot in lots], confidence)
    return AcceptanceByUse(each, whole, sum(lot.accepted is not None and not lot.uses for lot in lots))


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean colour deviation of the lots, sample minus reference, with its confidence ellipsoid; None with too few lots.

    `zero_inside` says whether the ellipsoid contains the reference.
    """

    mean: Vector
    n: int
    ellipsoid: Ellipsoid | None
    zero_inside: bool | None


def bias(lots: Sequence[LotResult], confidence: float = 0.95) -> Bias | None:
    """Returns the mean colour deviation of a supplier from the reference; None without a colour.

    Reference:
        Johnson and Wichern, Applied Multivariate Statistical Analysis, 5.4.
    """
    rows = [lot.apart for lot in lots if lot.apart is not None]
    if not rows:
        return None
    mean = tuple(math.fsum(column) / len(rows) for column in zip(*rows, strict=True))
    around = confidence_ellipsoid(rows, confidence)
    return Bias(mean, len(rows), around, None if around is None else around.contains((0.0, 0.0, 0.0)))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Difference between two suppliers on one criterion, first minus second, with its confidence sequence.

    `confidence` is that of this confidence sequence. `better` is 1 or 2 where the interval excludes zero, else None. `more_lots` is then
    the approximate number of further lots of each supplier at the present figures; None where no number is enough or the spread is unknown.
    `low` is None with too few lots for an interval.
    """

    criterion: str
    first: int
    second: int
    confidence: float
    difference: float | None
    low: float | None
    high: float | None
    better: int | None
    more_lots: int | None
    n_first: int
    n_second: int
    scatter_known: bool = True


def compare(suppliers: Mapping[int, Sequence[LotResult]], confidence: float = 0.95) -> list[Comparison]:
    """Returns every pair of suppliers on every criterion.

    Args:
        suppliers: number -> lots, each supplier's in order of receipt.
        confidence: probability that no two equal suppliers differ significantly on any criterion at any look. Each interval is a confidence
            sequence at 1 - (1 - confidence) / number of comparisons (Bonferroni).

    Notes:
        Only lots in strata of both suppliers are compared, so that a different mix of shades or limits cannot reverse the order. Without a
        common stratum there is no result.

        The error rate holds for the whole answer, after every lot without end, for lots independent about a constant mean. Each set of suppliers
        has its own rate. Lots needed of each of two suppliers (median, simulated): 30 for means one standard deviation between lots apart, 12
        for two; 33 for shares accepted of 95 and 60 %, 130 for 95 and 80 %. A fixed-sample test needs a third to a half as many, but finds
        a difference between equal suppliers in 13 to 15 % of cases when repeated after every lot. tests/promises/purchasing.py tests the rate.

    Reference:
        confidence_sequences. Steadiness: distances from the own centroid, Anderson 2006, Biometrics 62, 245-253; each lot from the mean of
        those before it, so that distances are independent: recursive residuals, Brown, Durbin and Evans 1975, J. R. Stat. Soc. B 37, 149-192
        (both from memory).
    """
    pairs = list(combinations(sorted(suppliers), 2))
    each = 1 - (1 - confidence) / max(1, len(pairs) * len(CRITERIA))
    verdicts = {number: _verdicts(lots) for number, lots in suppliers.items()}
    close, steady = (
        {number: figures(lots) for number, lots in suppliers.items()} for figures in (_closeness, _steadiness)
    )
    found = []
    for one, two in pairs:
        found.append(_proportions_compared(one, two, verdicts[one], verdicts[two], each))
        for criterion, values in (("closeness", close), ("steadiness", steady)):
            found.append(_means_compared(criterion, one, two, values[one], values[two], each))
    return found


def _verdicts(lots: Sequence[LotResult]) -> dict[str, tuple[int, int]]:
    """Returns (lots accepted, lots inspected) per stratum."""
    found: dict[str, tuple[int, int]] = {}
    for lot in lots:
        if lot.accepted is not None:
            good, seen = found.get(lot.stratum, (0, 0))
            found[lot.stratum] = good + lot.accepted, seen + 1
    return found


def _proportions_compared(
    one: int,
    two: int,
    first: Mapping[str, tuple[int, int]],
    second: Mapping[str, tuple[int, int]],
    confidence: float,
) -> Comparison:
    shared = [Stratum(*first[stratum], *second[stratum]) for stratum in first if stratum in second]
    found = difference(shared)
    if found is None:
        return Comparison("acceptance", one, two, confidence, None, None, None, None, None, 0, 0)
    ends = proportions_differ_by(shared, confidence)
    better = 1 if ends.low > 0 else 2 if ends.high < 0 else None
    more = None if better else more_lots_until_proportions_differ(shared, confidence, MOST_LOTS)
    return Comparison(
        "acceptance", one, two, confidence, found.estimate, ends.low, ends.high, better, more, found.n1, found.n2
    )


def _closeness(lots: Sequence[LotResult]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for lot in lots:
        if lot.delta_e is not None:
            found.setdefault(f"{lot.stratum}, {lot.read}", []).append(lot.delta_e)
    return found


def _steadiness(lots: Sequence[LotResult]) -> dict[str, list[float]]:
    """Returns the distance of each lot from the mean of the supplier's earlier lots in its stratum.

    The j-th is multiplied by sqrt((j - 1) / j) for the uncertainty of the mean before it. Its expectation then equals that of the distance from
    the supplier's true mean.
    """
    import numpy as np

    rows: dict[str, list[Vector]] = {}
    for lot in lots:
        if lot.apart is not None:
            rows.setdefault(f"{lot.stratum}, {lot.read}", []).append(lot.apart)
    found = {}
    for stratum, points in rows.items():
        if len(points) == 1:
            continue
        before = np.arange(1, len(points))
        centres = np.cumsum(points[:-1], axis=0) / before[:, None]
        distances = np.fromiter(map(math.dist, points[1:], centres.tolist()), dtype=float)
        found[stratum] = (np.sqrt(before / (before + 1)) * distances).tolist()
    return found


def _means_compared(
    criterion: str,
    one: int,
    two: int,
    first: Mapping[str, Sequence[float]],
    second: Mapping[str, Sequence[float]],
    confidence: float,
) -> Comparison:
    """Returns the difference of two means over common strata. A supplier's first lot in a stratum has no distance, but is counted.

    A stratum is used from LEAST_OF_STRATUM figures of each supplier on, because one unbounded stratum makes the whole interval unbounded.
    """
    both = sorted(set(first) & set(second))
    shared = [stratum for stratum in both if min(len(first[stratum]), len(second[stratum])) >= LEAST_OF_STRATUM] or both
    mine, theirs = (sample_of([side[stratum] for stratum in shared]) for side in (first, second))
    unseen = len(shared) if criterion == "steadiness" else 0
    n1, n2 = (int(sum(sample.sizes)) + unseen for sample in (mine, theirs))
    if not shared:
        return Comparison(criterion, one, two, confidence, None, None, None, None, None, 0, 0)
    gap = difference_of_means(mine, theirs)
    ends = means_differ_by(mine, theirs, confidence)
    low, high = (ends.low, ends.high) if ends else (None, None)
    better = None if ends is None else 1 if ends.high < 0 else 2 if ends.low > 0 else None
    more = None if better else more_values_until_means_differ(mine, theirs, confidence, MOST_LOTS)
    known = mine.scatters and theirs.scatters
    return Comparison(criterion, one, two, confidence, gap, low, high, better, more, n1, n2, known)


@dataclass(frozen=True, slots=True)
class Rank:
    """Rank of a supplier on a criterion, 1 the best, or None with the reason why it is not significant."""

    place: int | None
    why: str


def rank(
    criterion: str,
    comparisons: Sequence[Comparison],
    names: Mapping[int, str],
    has_data: Mapping[int, bool],
    words: Mapping[str, str] = CRITERIA,
) -> dict[int, Rank]:
    """Returns each supplier's rank. A supplier has a rank only if it differs significantly from every other supplier with lots to compare.

    Args:
        criterion: a key of CRITERIA.
        comparisons: of every pair.
        names: number -> name of a supplier.
        has_data: number -> whether it has any lot that counts for this criterion.
        words: the criteria in words, see `criteria_for`.
    """
    rivals = {number for number in names if has_data[number]}
    against: dict[int, list[Comparison]] = {number: [] for number in rivals}
    for found in comparisons:
        if found.criterion == criterion and {found.first, found.second} <= rivals:
            against[found.first].append(found)
            against[found.second].append(found)
    return {
        number: _place(number, against[number], names, words[criterion])
        if number in rivals
        else Rank(None, "No lots to compare yet.")
        for number in names
    }


def _place(number: int, against: Sequence[Comparison], names: Mapping[int, str], said: str) -> Rank:
    """Returns the rank of a supplier from its comparisons with every other supplier that has lots to compare."""
    if not against:
        return Rank(None, "No other supplier to compare with.")
    if open_ones := [c for c in against if c.better is None]:
        return Rank(None, " ".join(_open_reason(c, number, names) for c in open_ones))
    beaten_by = sum((c.better == 1) == (c.second == number) for c in against)
    why = f"Differs significantly from every other supplier in the {said}."
    return Rank(beaten_by + 1, why)


def _open_reason(c: Comparison, number: int, names: Mapping[int, str]) -> str:
    other = names[c.second if c.first == number else c.first]
    if c.difference is None:
        return f"Compared with {other}: no lots of the same kind."
    return f"Compared with {other}: {open_question(c)}."


def open_question(c: Comparison) -> str:
    """Returns why two suppliers with lots to compare do not differ significantly, and the number of further lots needed."""
    if not c.scatter_known:
        return "too few lots to estimate the spread"
    if c.more_lots is None:
        return (
            f"no significant difference; {MOST_LOTS} more lots from each supplier are not enough at the present figures"
        )
    needed = plural(c.more_lots, "is", "are")
    return f"no significant difference yet; about {counted(c.more_lots, 'more lot')} from each supplier {needed} needed"
