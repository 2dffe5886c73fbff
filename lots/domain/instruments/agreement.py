"""Inter-instrument agreement on the same artefacts, and bridging of a series of readings to another instrument."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, delta_e, mean_difference_from_mean
from lots.domain.colorimetry.color_values import Lab, mean_lab
from lots.domain.conformity.guard import OUT_OF_REACH
from lots.domain.conformity.limits import Limit
from lots.domain.statistics.proportions import Interval
from lots.domain.statistics.quantiles import student
from lots.domain.statistics.variance_components import lot_mean_interval
from lots.domain.words import plural

# Least plaques measured on both instruments for bridging a series. Common practice, no source.
LEAST_PLAQUES = 3


@dataclass(frozen=True, slots=True)
class ReadOnBoth:
    """A tile or plaque measured on two instruments under the same conditions.

    Args:
        code: its name.
        first, second: colours measured on each, at least one.

    Raises:
        ValueError: an instrument has no reading.
    """

    code: str
    first: tuple[Lab, ...]
    second: tuple[Lab, ...]

    def __post_init__(self) -> None:
        if not self.first or not self.second:
            raise ValueError(f"{self.code!r} must be measured at least once on each of both instruments")

    @property
    def pair(self) -> Pair:
        """Both mean colours by component, for `bridge`."""
        old, new = (mean_lab(list(colors)) for colors in (self.first, self.second))
        return Pair(self.code, *(dict(zip("Lab", color.as_list(), strict=True)) for color in (old, new)))


@dataclass(frozen=True, slots=True)
class Pair:
    """Readings of two instruments on one plaque, gauge pin or specimen.

    Args:
        code: its name.
        old, new: component -> reading, or the mean of several; the same components, each in its own unit.

    Raises:
        ValueError: the components differ or are missing, or a value is not a finite number.
    """

    code: str
    old: Mapping[str, float]
    new: Mapping[str, float]

    def __post_init__(self) -> None:
        if not self.old or set(self.old) != set(self.new):
            raise ValueError(
                f"{self.code!r} must have the same components on both: {sorted(self.old)}, {sorted(self.new)}"
            )
        if not all(map(math.isfinite, (*self.old.values(), *self.new.values()))):
            raise ValueError(f"the readings of {self.code!r} must be numbers")


@dataclass(frozen=True, slots=True)
class Offset:
    """Difference between two instruments in one component: reported, never applied.

    Args:
        component: its name, such as L, a or b.
        mean: second minus first instrument, averaged over artefacts with equal weights; positive: the second reads higher.
        sd: standard deviation of the difference over artefacts, None for one artefact.
        interval: for the mean, None for one artefact.
        n: artefacts.
    """

    component: str
    mean: float
    sd: float | None
    interval: Interval | None
    n: int


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of two instruments.

    Args:
        differences: artefact -> colour difference of the two instruments' mean colours; the first instrument is the reference.
        offsets: per component, L*, a*, b*.
        repeatability_first, repeatability_second: mean colour difference from the mean (MCDM) of readings of one artefact on that instrument,
            weighted by readings over all artefacts with at least two; None without any.
    """

    differences: Mapping[str, float]
    offsets: tuple[Offset, ...]
    repeatability_first: float | None
    repeatability_second: float | None

    @property
    def mean(self) -> float:
        """Mean colour difference over artefacts, >= 0. Noise does not average out."""
        return math.fsum(self.differences.values()) / len(self.differences)

    @property
    def worst(self) -> tuple[str, float]:
        """The artefact on which the instruments differ most, and its colour difference."""
        return max(self.differences.items(), key=lambda item: item[1])


def agreement(
    artefacts: Sequence[ReadOnBoth],
    formula: str = DEFAULT_FORMULA,
    weights: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> Agreement:
    """Returns the agreement of two instruments on the same artefacts, and the repeatability of each.

    Args:
        artefacts: at least one, each with its own name; a set of ceramic tiles and some plaques of the shop.
        formula, weights: of the colour differences; see `delta_e`.
        confidence: of the offsets' intervals, 0 < confidence < 1.

    Raises:
        ValueError: no artefact, a duplicate artefact, or an unknown formula.

    Notes:
        MCDM of n readings is smaller than its limit for many readings by the factor sqrt(1 - 1 / n), for normal errors and a Euclidean
        formula: 29 % smaller for two readings, 5 % for ten.

    Reference:
        ASTM E2214 names inter-instrument agreement and repeatability, and sets no limits; Berns 2019, Billmeyer and Saltzman's Principles of
        Color Technology, 4th edition, on precision and accuracy by MCDM (both from memory).

    Example:
        >>> found = agreement([ReadOnBoth("white", (Lab(95, 0, 2),), (Lab(95, 0, 2.3),))], "CIE76")
        >>> round(found.mean, 3), found.offsets[2].component, round(found.offsets[2].mean, 3), found.repeatability_first
        (0.3, 'b', 0.3, None)
    """
    _refuse_twice([artefact.code for artefact in artefacts])
    if not artefacts:
        raise ValueError("agreement requires at least one artefact measured on both instruments")
    means = {a.code: (mean_lab(list(a.first)), mean_lab(list(a.second))) for a in artefacts}
    pairs = [artefact.pair for artefact in artefacts]
    first, second = (
        _repeatability(sets, formula, weights) for sets in zip(*((a.first, a.second) for a in artefacts), strict=True)
    )
    return Agreement(
        differences={code: delta_e(one, other, formula, weights) for code, (one, other) in means.items()},
        offsets=tuple(_offset(component, pairs, confidence) for component in "Lab"),
        repeatability_first=first,
        repeatability_second=second,
    )


def _refuse_twice(codes: Sequence[str]) -> None:
    """Raises an error for a duplicate artefact, which would count as two."""
    twice = [code for code, count in Counter(codes).items() if count > 1]
    if twice:
        raise ValueError(f"{', '.join(map(repr, twice))} is given more than once; give all its readings together")


def _repeatability(sets: Sequence[Sequence[Lab]], formula: str, weights: Sequence[float] | None) -> float | None:
    repeated = [colors for colors in sets if len(colors) > 1]
    if not repeated:
        return None
    total = math.fsum(len(colors) * mean_difference_from_mean(colors, formula, weights) for colors in repeated)
    return total / sum(map(len, repeated))


def _offset(component: str, pairs: Sequence[Pair], confidence: float) -> Offset:
    apart = [pair.new[component] - pair.old[component] for pair in pairs]
    mean, interval, sd, n = lot_mean_interval(apart, confidence)
    return Offset(component, mean, sd, interval, n)


def noise_of(artefacts: Sequence[ReadOnBoth]) -> dict[str, float]:
    """Returns the standard deviation of one artefact's difference from repeatability alone, for `bridge`: L, a and b.

    Args:
        artefacts: measured on both instruments.

    Returns:
        Empty unless each instrument has at least two readings of some artefact.

    Notes:
        Replicates are pooled over artefacts per instrument. The artefact with the fewest readings has the largest standard deviation, which is used.

    Reference:
        JCGM 100:2008, 4.2.4 (pooled standard deviation) and 5.1.2 (difference).

    Example:
        >>> twice = (Lab(95, 0, 2.0), Lab(95, 0, 2.2))
        >>> round(noise_of([ReadOnBoth("P1", twice, twice)])["b"], 3)
        0.141
    """
    sides = [[artefact.first for artefact in artefacts], [artefact.second for artefact in artefacts]]
    if any(max(map(len, side), default=0) < 2 for side in sides):
        return {}
    parts = []
    for side in sides:
        df, least = sum(len(colors) - 1 for colors in side), min(map(len, side))
        parts.append([squares / df / least for squares in _squares_within(side)])
    return {component: math.sqrt(sum(both)) for component, *both in zip("Lab", *parts, strict=True)}


def _squares_within(side: Sequence[Sequence[Lab]]) -> list[float]:
    """Returns the sum of squares of readings about their artefact's mean, per component."""
    apart: list[list[float]] = []
    for colors in side:
        middle = mean_lab(list(colors)).as_list()
        apart += [[x - at for x, at in zip(color.as_list(), middle, strict=True)] for color in colors]
    return [math.fsum(x * x for x in column) for column in zip(*apart, strict=True)]


@dataclass(frozen=True, slots=True)
class Step:
    """Step in one component at a change of instrument.

    Args:
        component: its name.
        mean: new minus old instrument, averaged over plaques; positive: the new one reads higher. None without a plaque measured on both.
        u: standard uncertainty of the mean; None for fewer than two plaques.
        interval: for the true step; None as `u` is.
        limit: largest permitted step in either direction, > 0.
        small: True when the whole interval lies within the limit.
        plaques_needed: total plaques needed to prove the step small, at the present mean and standard deviation; None where it is small, where no
            number is enough, or where unknown.
    """

    component: str
    mean: float | None
    u: float | None
    interval: Interval | None
    limit: float
    small: bool
    plaques_needed: int | None


@dataclass(frozen=True, slots=True)
class Bridge:
    """Whether a series may continue on a new instrument; `reasons` against it are sentences, and empty when it may."""

    bridged: bool
    plaques: int
    steps: tuple[Step, ...]
    reasons: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.bridged == bool(self.reasons):
            raise ValueError("a series is bridged exactly when there are no reasons against it")


def bridge(
    plaques: Sequence[Pair],
    limits: Mapping[str, float],
    noise: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> Bridge:
    """Returns whether plaques measured on both instruments prove the step between them to be small.

    Args:
        plaques: one per plaque, with readings on both.
        limits: component -> largest permitted step, > 0, in the component's unit. All must be met.
        noise: component -> least standard deviation of one plaque's difference, from repeatability, >= 0; it prevents an interval that is too
            narrow at a coarse resolution. Missing components have 0.
        confidence: of the steps' intervals, 0 < confidence < 1.

    Returns:
        Not bridged with fewer than three plaques, where a component was not measured, or where any interval exceeds its limit. The step is
        never applied to a reading.

    Raises:
        ValueError: no limit, a limit that is not a number above 0, a noise below 0, or a duplicate plaque.

    Notes:
        Student's t over plaques, since instruments may differ by surface. At 95 % a step as large as its limit is accepted as small in at most
        2.5 % of cases. All components must pass, which does not raise this error rate.

    Reference:
        Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657-680 (two one-sided tests, here at half the error rate of each); Berger 1982,
        Technometrics 24, 295-300 (intersection-union test). That only plaques measured on both bridge a series is common practice, no source.

    Example:
        >>> read = [Pair(code, {"b": 1.5}, {"b": 1.5 + step}) for code, step in (("P1", 0.04), ("P2", 0.05), ("P3", 0.06))]
        >>> bridge(read, {"b": 0.2}).bridged, bridge(read[:2], {"b": 0.2}).reasons
        (True, ('2 of 3 required plaques were measured on both instruments. 1 more is needed.',))
    """
    _refuse_twice([plaque.code for plaque in plaques])
    floor = dict(noise or {})
    if not limits or not all(math.isfinite(most) and most > 0 for most in limits.values()):
        raise ValueError(f"the limits of a step must be numbers above 0, at least one: {dict(limits)!r}")
    if not all(math.isfinite(sd) and sd >= 0 for sd in floor.values()):
        raise ValueError(f"noise must be numbers of 0 or more: {floor!r}")
    steps = tuple(_step(name, plaques, most, floor.get(name, 0.0), confidence) for name, most in limits.items())
    n = len(plaques)
    reasons = []
    if n < LEAST_PLAQUES:
        more = LEAST_PLAQUES - n
        reasons.append(
            f"{n} of {LEAST_PLAQUES} required plaques {plural(n, 'was', 'were')} measured on both instruments. "
            f"{more} more {plural(more, 'is', 'are')} needed."
        )
    else:
        reasons += [_reason(step, n) for step in steps if not step.small]
    return Bridge(not reasons, n, steps, tuple(reasons))


def _step(component: str, plaques: Sequence[Pair], most: float, noise: float, confidence: float) -> Step:
    unread = any(component not in plaque.old for plaque in plaques)
    if unread or not plaques:
        return Step(component, None, None, None, most, False, None)
    offset = _offset(component, plaques, confidence)
    if offset.sd is None:
        return Step(component, offset.mean, None, None, most, False, None)
    sd = max(offset.sd, noise)
    limit = Limit(-most, most)

    def interval(n: int) -> Interval:
        half = student(n - 1, confidence) * sd / math.sqrt(n)
        return Interval(offset.mean - half, offset.mean + half, confidence)

    def shown(n: int) -> bool:
        found = interval(n)
        return limit.allows(found.low) and limit.allows(found.high)

    small = offset.n >= LEAST_PLAQUES and shown(offset.n)
    # Bisection: the interval narrows with every plaque.
    numbers = range(max(offset.n + 1, LEAST_PLAQUES), OUT_OF_REACH + 1)
    first = bisect_left(numbers, True, key=shown)
    needed = None if small or first == len(numbers) else numbers[first]
    return Step(component, offset.mean, sd / math.sqrt(offset.n), interval(offset.n), most, small, needed)


def _reason(step: Step, n: int) -> str:
    """Returns the reason why a component does not bridge the series."""
    if step.mean is None or step.interval is None:
        return f"{step.component} was not measured on both instruments for every plaque."
    # Adding 0 removes the sign of a negative zero.
    low, high, mean = (end + 0.0 for end in (step.interval.low, step.interval.high, step.mean))
    interval = f"interval {low:.3g} to {high:.3g}, limit {step.limit:.3g}"
    if not Limit(-step.limit, step.limit).allows(step.mean):
        return f"The step in {step.component} is too large: {mean:+.3g} ({interval})."
    unproved = f"The step in {step.component} is not proved small: {mean:+.3g} ({interval})."
    if step.plaques_needed is None:
        return f"{unproved} More plaques would not prove it."
    more = step.plaques_needed - n
    return f"{unproved} About {more} more {plural(more, 'plaque is', 'plaques are')} needed."
