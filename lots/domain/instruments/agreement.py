"""How far two instruments agree on the same artefacts, and whether a series of readings may go on when its instrument changes."""

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

# Plaques read on both instruments, at least, before a series may change from one to the other. Common practice, no source.
LEAST_PLAQUES = 3


@dataclass(frozen=True, slots=True)
class ReadOnBoth:
    """A tile or plaque read on two instruments under the same conditions.

    Args:
        code: its name.
        first, second: colours read on each, at least one.

    Raises:
        ValueError: an instrument has no reading.
    """

    code: str
    first: tuple[Lab, ...]
    second: tuple[Lab, ...]

    def __post_init__(self) -> None:
        if not self.first or not self.second:
            raise ValueError(f"{self.code!r} must be read at least once on each of both instruments")

    @property
    def pair(self) -> Pair:
        """Both mean colours by component, for `bridge`."""
        old, new = (mean_lab(list(colors)) for colors in (self.first, self.second))
        return Pair(self.code, *(dict(zip("Lab", color.as_list(), strict=True)) for color in (old, new)))


@dataclass(frozen=True, slots=True)
class Pair:
    """One plaque, gauge pin or coupon with what two instruments read on it.

    Args:
        code: its name.
        old, new: component -> reading, or the mean of several; the same components, each in a unit of its own.

    Raises:
        ValueError: the components differ, there is none, or a value is no finite number.
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
    """How far one instrument reads from another in one component: reported, never applied.

    Args:
        component: its name, such as L, a or b.
        mean: second less first instrument, averaged over artefacts, each counting once; positive: the second reads higher.
        sd: standard deviation of that over artefacts, None for one artefact.
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
    """How two instruments agree.

    Args:
        differences: artefact -> colour difference of the two instruments' mean colours, the first being the reference.
        offsets: per component, L*, a*, b*.
        repeatability_first, repeatability_second: mean colour difference from the mean (MCDM) of readings of one artefact on that instrument,
            over all artefacts read there twice or more, each reading counting once; None where none was.
    """

    differences: Mapping[str, float]
    offsets: tuple[Offset, ...]
    repeatability_first: float | None
    repeatability_second: float | None

    @property
    def mean(self) -> float:
        """Mean colour difference over artefacts, >= 0. Noise never averages out of it."""
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
    """Returns how far two instruments read apart on the same artefacts, and how well each repeats itself.

    Args:
        artefacts: at least one, each under a name of its own; a set of ceramic tiles and some plaques of the shop's own.
        formula, weights: of the colour differences; see `delta_e`.
        confidence: of the offsets' intervals, 0 < confidence < 1.

    Raises:
        ValueError: no artefact, one of them twice, or an unknown formula.

    Notes:
        MCDM of n readings falls short of that of very many, by the root of 1 - 1 / n where the scatter is normal and the formula a plain
        distance: 29 % for two readings, 5 % for ten.

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
        raise ValueError("two instruments agree on nothing where no artefact was read on both")
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
    """An artefact that comes twice would count as two."""
    twice = [code for code, count in Counter(codes).items() if count > 1]
    if twice:
        raise ValueError(f"{', '.join(map(repr, twice))} came more than once; give all its readings together")


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
    """Returns the noise that `bridge` takes: how much one artefact's difference scatters by repeatability alone, L, a and b.

    Args:
        artefacts: read on both instruments.

    Returns:
        Empty unless each instrument read some artefact twice or more: then nothing tells.

    Notes:
        Repeats are pooled over artefacts, each instrument's by themselves. The artefact that was read least often scatters most, and counts.

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
    """Sum of squares of readings about their artefact's mean, per component."""
    apart: list[list[float]] = []
    for colors in side:
        middle = mean_lab(list(colors)).as_list()
        apart += [[x - at for x, at in zip(color.as_list(), middle, strict=True)] for color in colors]
    return [math.fsum(x * x for x in column) for column in zip(*apart, strict=True)]


@dataclass(frozen=True, slots=True)
class Step:
    """The step that a change of instrument makes in one component.

    Args:
        component: its name.
        mean: new less old instrument, averaged over plaques; positive: the new one reads higher. None where no plaque was read on both.
        u: standard uncertainty of the mean; None for fewer than two plaques.
        interval: for the true step; None as `u` is.
        limit: largest step that does not matter, either way, > 0.
        small: True when the whole interval lies within the limit.
        plaques_needed: how many plaques, all together, would show the step to be small, if it stays where it is and scatters as it does; None
            where it is small, where no number would, or where nothing tells.
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
    """Whether a series may go on from an old instrument to a new one; `reasons` say why not, in sentences, and are empty when it may."""

    bridged: bool
    plaques: int
    steps: tuple[Step, ...]
    reasons: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.bridged == bool(self.reasons):
            raise ValueError("a series is bridged exactly when nothing speaks against it")


def bridge(
    plaques: Sequence[Pair],
    limits: Mapping[str, float],
    noise: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> Bridge:
    """Returns whether retained plaques read on both instruments show the step between them to be small.

    Args:
        plaques: one per plaque, with readings on both.
        limits: component -> largest step that does not matter, > 0, in the component's unit. All of them must be kept.
        noise: component -> standard deviation of one plaque's difference that repeatability alone makes, >= 0; plaques are not taken to
            scatter less, which they seem to where few digits are shown. Components left out have none.
        confidence: of the steps' intervals, 0 < confidence < 1.

    Returns:
        Not bridged with fewer than three plaques, where a component was not read, or where any interval reaches beyond its limit: a step not
        shown to be small is not small. The step is never applied to a reading.

    Raises:
        ValueError: no limit, one that is no number above 0, a noise below 0, or a plaque that came twice.

    Notes:
        Student's t over plaques, since a new instrument may read some surfaces otherwise than others. At 95 % a step as large as its limit is
        called small in 2.5 % of cases at most; all components must pass, which makes a false pass of the whole no likelier.

    Reference:
        Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657-680 (two one-sided tests, which this is at twice the risk of each); Berger 1982,
        Technometrics 24, 295-300 (tests that must all pass). That only plaques read on both tie a series is common practice, no source.

    Example:
        >>> read = [Pair(code, {"b": 1.5}, {"b": 1.5 + step}) for code, step in (("P1", 0.04), ("P2", 0.05), ("P3", 0.06))]
        >>> bridge(read, {"b": 0.2}).bridged, bridge(read[:2], {"b": 0.2}).reasons
        (True, ('3 plaques must be read on both instruments; 2 were, so 1 more is needed.',))
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
            f"{LEAST_PLAQUES} plaques must be read on both instruments; {n} {plural(n, 'was', 'were')},"
            f" so {more} more {plural(more, 'is', 'are')} needed."
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
    # The interval narrows with every plaque, so the first number that shows it is found by halving.
    numbers = range(max(offset.n + 1, LEAST_PLAQUES), OUT_OF_REACH + 1)
    first = bisect_left(numbers, True, key=shown)
    needed = None if small or first == len(numbers) else numbers[first]
    return Step(component, offset.mean, sd / math.sqrt(offset.n), interval(offset.n), most, small, needed)


def _reason(step: Step, n: int) -> str:
    """Why a component stands against it."""
    if step.mean is None or step.interval is None:
        return f"{step.component} was not read on both instruments for every plaque."
    seen = f"The step in {step.component} is {step.mean:+.3g}, between {step.interval.low:.3g} and {step.interval.high:.3g}"
    if not Limit(-step.limit, step.limit).allows(step.mean):
        return f"{seen}: it is larger than {step.limit:g} itself."
    if step.plaques_needed is None:
        return f"{seen}: it may be larger than {step.limit:g}, and more plaques would not show otherwise."
    more = step.plaques_needed - n
    return f"{seen}: it may be larger than {step.limit:g}; about {more} more {plural(more, 'plaque')} like these would tell."
