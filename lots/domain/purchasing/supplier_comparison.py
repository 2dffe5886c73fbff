"""Suppliers of one grade side by side: who is accepted more often, who lies nearer the reference, who is steadier, and whether that can be told."""

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
# Of these, more is better; of the others, less.
MORE_IS_BETTER = ("acceptance",)


def criteria_for(use: str | None) -> Mapping[str, str]:
    """Returns the criteria in words, acceptance of lots being that for one use; for at least one where None.

    Example:
        >>> criteria_for("cosmetic")["acceptance"]
        'share of lots accepted the first time for cosmetic'
    """
    if use is None:
        return CRITERIA
    return {**CRITERIA, "acceptance": f"share of lots accepted the first time for {for_words(use)}"}


# More lots than this nobody waits for.
MOST_LOTS = 1000
# Figures of each supplier from which on a stratum is compared beside others. Chosen by trial, no source.
LEAST_OF_STRATUM = 4

Vector = tuple[float, ...]


class LotResult(NamedTuple):
    """What one lot says of its supplier.

    Args:
        accepted: how its original inspection ended: for at least one use, None while that is open.
        stratum: lots compare only within one: same grade, same reference and limits revision.
        read: what its colour was read with; colours compare only where this is the same too.
        apart: (dL*, da*, db*) of its mean colour, sample minus reference; None where it was not read.
        delta_e: colour difference of the same; None where it was not read.
        uses: use -> whether that inspection accepted it for it; empty while it is open, and where that is not known.
    """

    accepted: bool | None
    stratum: str
    read: str = ""
    apart: Vector | None = None
    delta_e: float | None = None
    uses: Mapping[str, bool] = MappingProxyType({})

    def about(self, use: str | None) -> LotResult:
        """Returns the same, accepted being for one use alone; for at least one where None."""
        return self if use is None else self._replace(accepted=self.uses.get(use))


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Lots delivered, inspected to an end, accepted the first time; the interval is Wilson's, None before the first inspection."""

    lots: int
    inspected: int
    accepted: int
    interval: Interval | None


def acceptance(lots: Sequence[LotResult], confidence: float = 0.95) -> Acceptance:
    """Returns how often a supplier's lots were accepted for at least one use. A lot not inspected to an end counts as delivered and no more.

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
    """How often lots were accepted for each use and for every use that their limits name.

    `not_known` counts lots accepted for at least one use whose verdict for each use is not known. They are left out here.
    """

    uses: Mapping[str, Acceptance]
    every_use: Acceptance
    not_known: int


def acceptance_by_use(lots: Sequence[LotResult], confidence: float = 0.95) -> AcceptanceByUse:
    """Returns how often a supplier's lots were accepted for each use, and for every use.

    A lot counts for the uses that it was inspected for. Of lots inspected for the same uses the share for every use is at most that for each, and
    that for each at most the share for at least one.

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
    """Mean of lots' colours, sample minus reference, with the ellipsoid that holds the supplier's true mean; None where too few lots tell.

    `zero_inside` says whether the reference itself could be that mean.
    """

    mean: Vector
    n: int
    ellipsoid: Ellipsoid | None
    zero_inside: bool | None


def bias(lots: Sequence[LotResult], confidence: float = 0.95) -> Bias | None:
    """Returns where a supplier's colours lie to the reference; None without a colour.

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
    """Two suppliers on one criterion: the first minus the second, with the confidence sequence that it lies in.

    `confidence` is that of this interval at every look together. `better` is 1 or 2 where the interval leaves zero out, else None. Then
    `more_lots` says about how many more lots of each are needed if both go on as they do, None where no number is enough or nothing is
    known of the scatter. `low` is None while too few lots say nothing at all.
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
        suppliers: number -> lots, each supplier's in the order they came.
        confidence: that no two suppliers who are alike are told apart, on any criterion, at any look: each interval is a confidence
            sequence at 1 - (1 - confidence) / number of comparisons (Bonferroni).

    Notes:
        Only lots of strata that both suppliers delivered in are compared, so that a mix of shades, or of easy and hard limits, cannot
        turn the order round. Where they share none nothing is said.

        The promise is for the answer as a whole, looked at after every lot and for ever, as long as lots are independent about a steady mean.
        Each set of suppliers has its own. How many lots it takes of each of two suppliers (median, simulated): 30 until means one
        standard deviation between lots apart differ, 12 until two; 33 until shares accepted of 95 and 60 % differ, 130 until 95 and
        80 %. A test at one look needs a third to a half as many, and tells equal suppliers apart in 13 to 15 % when looked at after
        every lot. tests/promises/purchasing.py holds the promise.

    Reference:
        confidence_sequences. Steadiness: distances from the own centroid, Anderson 2006, Biometrics 62, 245-253; of each lot from those
        before it, so that they are independent: recursive residuals, Brown, Durbin and Evans 1975, J. R. Stat. Soc. B 37, 149-192 (both
        from memory).
    """
    pairs = list(combinations(sorted(suppliers), 2))
    each = 1 - (1 - confidence) / max(1, len(pairs) * len(CRITERIA))
    verdicts = {number: _verdicts(lots) for number, lots in suppliers.items()}
    close, steady = ({number: told(lots) for number, lots in suppliers.items()} for told in (_closeness, _steadiness))
    found = []
    for one, two in pairs:
        found.append(_accepted_more(one, two, verdicts[one], verdicts[two], each))
        for criterion, values in (("closeness", close), ("steadiness", steady)):
            found.append(_less(criterion, one, two, values[one], values[two], each))
    return found


def _verdicts(lots: Sequence[LotResult]) -> dict[str, tuple[int, int]]:
    """How many lots of each stratum were accepted, and how many inspected to an end."""
    found: dict[str, tuple[int, int]] = {}
    for lot in lots:
        if lot.accepted is not None:
            good, seen = found.get(lot.stratum, (0, 0))
            found[lot.stratum] = good + lot.accepted, seen + 1
    return found


def _accepted_more(
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
    """Distances of lots from the mean of the supplier's lots before them in their stratum.

    The j-th is reduced by the root of (j - 1) / j, by which the mean of those before it is uncertain: so it is expected to be as large as
    the distance from the supplier's true mean.
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


def _less(
    criterion: str,
    one: int,
    two: int,
    first: Mapping[str, Sequence[float]],
    second: Mapping[str, Sequence[float]],
    confidence: float,
) -> Comparison:
    """Difference of two means over the strata both share. A supplier's first lot in a stratum has no distance, but is a lot.

    A stratum counts from LEAST_OF_STRATUM figures of each on, with all of them: while its means may lie anywhere, so may their mean over strata.
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
    """A supplier's place on a criterion, 1 the best, or None with why it cannot be told."""

    place: int | None
    why: str


def rank(
    criterion: str,
    comparisons: Sequence[Comparison],
    names: Mapping[int, str],
    has_data: Mapping[int, bool],
    words: Mapping[str, str] = CRITERIA,
) -> dict[int, Rank]:
    """Returns each supplier's place. It has one only where it is told apart from every other supplier that has lots to compare.

    Args:
        criterion: a key of CRITERIA.
        comparisons: of every pair.
        names: number -> what to call a supplier.
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
        else Rank(None, "No lot to judge by yet.")
        for number in names
    }


def _place(number: int, against: Sequence[Comparison], names: Mapping[int, str], said: str) -> Rank:
    """The place of a supplier by its comparisons with every other that has lots to compare."""
    if not against:
        return Rank(None, "No other supplier to compare with.")
    if open_ones := [c for c in against if c.better is None]:
        return Rank(None, " ".join(_cannot_tell(c, number, names) for c in open_ones))
    beaten_by = sum((c.better == 1) == (c.second == number) for c in against)
    why = f"Differs significantly from every other supplier in the {said}."
    return Rank(beaten_by + 1, why)


def _cannot_tell(c: Comparison, number: int, names: Mapping[int, str]) -> str:
    other = names[c.second if c.first == number else c.first]
    if c.difference is None:
        return f"Against {other}: they have no lots of the same kind to compare."
    return f"Against {other}: {open_question(c)}."


def open_question(c: Comparison) -> str:
    """Returns why two suppliers with lots to compare do not differ significantly, and how many more lots are needed."""
    if not c.scatter_known:
        return "too few lots to know the scatter"
    if c.more_lots is None:
        return f"no significant difference, and at the present figures {MOST_LOTS} more lots from each supplier are not enough"
    needed = plural(c.more_lots, "is", "are")
    return f"no significant difference yet; about {counted(c.more_lots, 'more lot')} from each supplier {needed} needed"
