"""Suppliers of one grade side by side: who is accepted more often, who lies nearer the reference, who is steadier, and whether that can be told."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.statistics.ellipsoid import Ellipsoid, confidence_ellipsoid
from lots.domain.statistics.proportions import Difference, Interval, Stratum, difference, lots_to_tell, wilson
from lots.domain.statistics.variance_components import Group

CRITERIA = {
    "acceptance": "share of lots accepted the first time",
    "closeness": "mean colour difference of a lot from the reference",
    "steadiness": "mean distance of a lot's colour from the supplier's own mean",
}
# Of these, more is better; of the others, less.
MORE_IS_BETTER = ("acceptance",)
# More lots than this nobody waits for.
MOST_LOTS = 1000
# Degrees of freedom below which scatter counts as unknown: two lots that happen to lie close together would look steady.
LEAST_FREEDOM = 2

Vector = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LotResult:
    """What one lot says of its supplier.

    Args:
        accepted: how its original inspection ended; None while that is open.
        stratum: lots compare only within one: same grade, same reference and limits revision.
        read: what its colour was read with; colours compare only where this is the same too.
        apart: (dL*, da*, db*) of its mean colour, sample minus reference; None where it was not read.
        delta_e: colour difference of the same; None where it was not read.
        figures: measure -> spools, mean and sum of squares.
    """

    accepted: bool | None
    stratum: str
    read: str = ""
    apart: Vector | None = None
    delta_e: float | None = None
    figures: Mapping[str, Group] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Lots delivered, inspected to an end, accepted the first time; the interval is Wilson's, None before the first inspection."""

    lots: int
    inspected: int
    accepted: int
    interval: Interval | None


def acceptance(lots: Sequence[LotResult], confidence: float = 0.95) -> Acceptance:
    """Returns how often a supplier's lots were accepted. A lot not inspected to an end counts as delivered and no more.

    Reference:
        Wilson 1927, J. Amer. Statist. Assoc. 22, 209-212.

    Example:
        >>> found = acceptance([LotResult(True, "s"), LotResult(True, "s"), LotResult(None, "s")])
        >>> found.lots, found.inspected, round(found.interval.low, 2)
        (3, 2, 0.34)
    """
    ended = [lot.accepted for lot in lots if lot.accepted is not None]
    good = sum(ended)
    return Acceptance(len(lots), len(ended), good, wilson(good, len(ended), confidence) if ended else None)


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
    """Two suppliers on one criterion: the first minus the second, with an interval corrected for all comparisons made together.

    `better` is 1 or 2 where the interval tells them apart, for acceptance the exact test too, else None; then `more_lots` says about how many
    more lots of each would, at what they show now, None where no number would. `low` is None where nothing can be said at all.
    """

    criterion: str
    first: int
    second: int
    difference: float | None
    low: float | None
    high: float | None
    better: int | None
    more_lots: int | None
    n_first: int
    n_second: int


def compare(suppliers: Mapping[int, Sequence[LotResult]], confidence: float = 0.95) -> list[Comparison]:
    """Returns every pair of suppliers on every criterion.

    Args:
        suppliers: number -> lots.
        confidence: that all intervals hold at once: each is made at 1 - (1 - confidence) / number of comparisons (Bonferroni).

    Notes:
        Only lots of strata that both suppliers delivered in are compared, so that a mix of shades, or of easy and hard limits, cannot
        turn the order round. Where they share none nothing is said.

        Newcombe's interval alone would tell 1 of 2 lots accepted from 48 of 48, although one of 50 lots at random falls among two of
        them in 4 % of cases; so Fisher's exact test must agree. Student's t at Welch's degrees of freedom misses 2.3 % instead of 0.6 %
        with 3 lots against 20 (simulated), so the mean of both suppliers' own t is taken.

    Reference:
        Acceptance: proportions.difference; Fisher's exact test, strata convolved as in Cox 1970, Analysis of Binary Data (from memory).
        Colour: means over strata, Welch's standard error, t of Cochran and Cox 1957, Experimental Designs, 4.14 (from memory).
        Steadiness: distances from the own centroid, Anderson 2006, Biometrics 62, 245-253 (from memory).
    """
    pairs = list(combinations(sorted(suppliers), 2))
    each = 1 - (1 - confidence) / max(1, len(pairs) * len(CRITERIA))
    found = []
    for one, two in pairs:
        found.append(_accepted_more(one, two, suppliers[one], suppliers[two], each))
        for criterion, values in (("closeness", _closeness), ("steadiness", _steadiness)):
            found.append(_less(criterion, one, two, values(suppliers[one]), values(suppliers[two]), each))
    return found


def _accepted_more(
    one: int, two: int, first: Sequence[LotResult], second: Sequence[LotResult], confidence: float
) -> Comparison:
    counts: dict[str, list[int]] = {}
    for place, lots in ((0, first), (2, second)):
        for lot in lots:
            if lot.accepted is not None:
                tally = counts.setdefault(lot.stratum, [0, 0, 0, 0])
                tally[place] += lot.accepted
                tally[place + 1] += 1
    strata = [Stratum(*tally) for tally in counts.values()]
    found = difference(strata, confidence)
    if found is None:
        return Comparison("acceptance", one, two, None, None, None, None, None, 0, 0)
    shared = [stratum for stratum in strata if stratum.n1 and stratum.n2]
    better = 1 if found.low > 0 else 2 if found.high < 0 else None
    more = None
    if better is None or _exact_p(shared) > 1 - confidence:
        better, more = None, _more_accepted(shared, found, confidence)
    return Comparison("acceptance", one, two, found.estimate, found.low, found.high, better, more, found.n1, found.n2)


def _exact_p(strata: Sequence[Stratum]) -> float:
    """How likely accepted lots are to fall as unevenly as this among two suppliers that are accepted alike within each stratum."""
    # As in the other places: only a program that reckons with series pays for loading it.
    import numpy as np

    chances, least = [1.0], 0
    for s in strata:
        accepted, lots = s.x1 + s.x2, s.n1 + s.n2
        lowest = max(0, accepted - s.n2)
        ways = [
            math.comb(s.n1, x) * math.comb(s.n2, accepted - x) / math.comb(lots, accepted)
            for x in range(lowest, min(s.n1, accepted) + 1)
        ]
        least += lowest
        chances = np.convolve(chances, ways).tolist()
    seen = sum(s.x1 for s in strata) - least
    return min(1.0, 2 * min(math.fsum(chances[: seen + 1]), math.fsum(chances[seen:])))


def _more_accepted(shared: Sequence[Stratum], found: Difference, confidence: float) -> int | None:
    """Lots of each until they are told apart, if both went on as they do, in the strata as now."""
    weights = [s.n1 * s.n2 / (s.n1 + s.n2) for s in shared]
    p1 = min(1.0, math.fsum(w * s.x1 / s.n1 for w, s in zip(weights, shared, strict=True)) / math.fsum(weights))
    p2 = min(1.0, max(0.0, p1 - found.estimate))
    more = lots_to_tell(p1, found.effective_n1, p2, found.effective_n2, confidence, MOST_LOTS)
    if more is None:
        return None
    if more:
        # Of lots that lie in different strata more are needed than if all lay in one.
        return math.ceil(more * max(found.n1 / found.effective_n1, found.n2 / found.effective_n2))
    # The interval tells them apart already and the exact test does not: so few lots that these can be tried out one by one.
    for each in range(1, MOST_LOTS + 1):
        n1, n2 = found.n1 + each, found.n2 + each
        if _exact_p([Stratum(round(p1 * n1), n1, round(p2 * n2), n2)]) <= 1 - confidence:
            return each
    return None


def _closeness(lots: Sequence[LotResult]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for lot in lots:
        if lot.delta_e is not None:
            found.setdefault(f"{lot.stratum}, {lot.read}", []).append(lot.delta_e)
    return found


def _steadiness(lots: Sequence[LotResult]) -> dict[str, list[float]]:
    """Distances of lots from the supplier's mean of their stratum, widened by the root of n/(n - 1): the mean lies nearer its own lots."""
    rows: dict[str, list[Vector]] = {}
    for lot in lots:
        if lot.apart is not None:
            rows.setdefault(f"{lot.stratum}, {lot.read}", []).append(lot.apart)
    found = {}
    for stratum, points in rows.items():
        n = len(points)
        if n > 1:
            centre = [math.fsum(column) / n for column in zip(*points, strict=True)]
            found[stratum] = [math.sqrt(n / (n - 1)) * math.dist(point, centre) for point in points]
    return found


def _less(
    criterion: str,
    one: int,
    two: int,
    first: Mapping[str, Sequence[float]],
    second: Mapping[str, Sequence[float]],
    confidence: float,
) -> Comparison:
    """Difference of two means over the strata both share: strata weigh by n1 n2 / (n1 + n2), scatter is pooled within them."""
    shared = sorted(set(first) & set(second))
    n1, n2 = (sum(len(side[stratum]) for stratum in shared) for side in (first, second))
    nothing = Comparison(criterion, one, two, None, None, None, None, None, n1, n2)
    weights = {s: len(first[s]) * len(second[s]) / (len(first[s]) + len(second[s])) for s in shared}
    whole = math.fsum(weights.values())
    if not whole:
        return nothing
    gap = math.fsum(weights[s] * (_mean(first[s]) - _mean(second[s])) for s in shared) / whole
    own = criterion == "steadiness"
    spreads = [_within(side, shared, own) for side in (first, second)]
    parts = [
        math.fsum((weights[s] / whole) ** 2 * variance / (len(side[s]) - own) for s in shared)
        for side, (variance, _) in zip((first, second), spreads, strict=True)
    ]
    error = math.sqrt(sum(parts))
    if any(freedom < LEAST_FREEDOM for _, freedom in spreads) or error <= BINARY_NOISE:
        return Comparison(criterion, one, two, gap, None, None, None, None, n1, n2)
    t = math.fsum(part * _student(confidence, df) for part, (_, df) in zip(parts, spreads, strict=True)) / sum(parts)
    half = t * error
    better = 1 if gap + half < 0 else 2 if gap - half > 0 else None
    variance = sum(variance for variance, _ in spreads)
    more = None if better else _more_lots(gap, variance, min(n1, n2), own, confidence)
    return Comparison(criterion, one, two, gap, gap - half, gap + half, better, more, n1, n2)


def _freedom(n: int, own: bool) -> float:
    """Degrees of freedom of the scatter of `n` values; fewer where they are distances from their own mean (`own`).

    Those depend on each other, of two lots wholly. Directions of three and more lots correlate by -1 / (n - 1), squared distances and
    about the distances by its square; so their sum of squares is n (n - 2) / (n - 1) variances on average, and their mean varies
    as that of n - 1 independent ones.
    """
    return n * (n - 2) / (n - 1) if own else n - 1


def _within(side: Mapping[str, Sequence[float]], strata: Sequence[str], own: bool) -> tuple[float, float]:
    """Variance pooled within strata, and its degrees of freedom."""
    df = math.fsum(_freedom(len(side[s]), own) for s in strata)
    means = {s: _mean(side[s]) for s in strata}
    squares = math.fsum((value - means[s]) ** 2 for s in strata for value in side[s])
    return (squares / df if df else 0.0), df


def _more_lots(gap: float, variance: float, now: int, own: bool, confidence: float) -> int | None:
    """Lots of each until the interval, at this gap and scatter, leaves zero out."""
    for n in range(now + 1, now + MOST_LOTS + 1):
        if _student(confidence, _freedom(n, own)) * math.sqrt(variance / (n - own)) < abs(gap):
            return n - now
    return None


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _student(confidence: float, df: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + confidence) / 2))


@dataclass(frozen=True, slots=True)
class Rank:
    """A supplier's place on a criterion, 1 the best, or None with why it cannot be told."""

    place: int | None
    why: str


def rank(
    criterion: str, comparisons: Sequence[Comparison], names: Mapping[int, str], has_data: Mapping[int, bool]
) -> dict[int, Rank]:
    """Returns each supplier's place. It has one only where it is told apart from every other supplier that has lots to compare.

    Args:
        criterion: a key of CRITERIA.
        comparisons: of every pair.
        names: number -> what to call a supplier.
        has_data: number -> whether it has any lot that counts for this criterion.
    """
    mine = [c for c in comparisons if c.criterion == criterion]
    found = {}
    rivals = [number for number in names if has_data[number]]
    for number in names:
        if not has_data[number]:
            found[number] = Rank(None, "No lot to judge by yet.")
            continue
        if len(rivals) == 1:
            found[number] = Rank(None, "No other supplier to compare with.")
            continue
        against = [c for c in mine if number in (c.first, c.second) and {c.first, c.second} <= set(rivals)]
        open_ones = [c for c in against if c.better is None]
        if open_ones:
            found[number] = Rank(None, " ".join(_cannot_tell(c, number, names) for c in open_ones))
        else:
            beaten_by = sum((c.better == 1) == (c.second == number) for c in against)
            found[number] = Rank(beaten_by + 1, f"Told apart from every other by {CRITERIA[criterion]}.")
    return found


def _cannot_tell(c: Comparison, number: int, names: Mapping[int, str]) -> str:
    other = names[c.second if c.first == number else c.first]
    if c.difference is None:
        return f"Against {other}: they have no lots of the same kind to compare."
    if c.low is None:
        return f"Against {other}: can't tell yet, too few lots to know the scatter."
    if c.more_lots is None:
        return f"Against {other}: can't tell; at what they show now no number of lots would."
    lots = "lot" if c.more_lots == 1 else "lots"
    return f"Against {other}: can't tell yet; about {c.more_lots} more {lots} of each would, at what they show now."
