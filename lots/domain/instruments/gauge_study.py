"""Gauge repeatability and reproducibility: how much of the spread of readings is the instrument and those who use it, and how much the parts."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.statistics.proportions import Interval
from lots.domain.statistics.quantiles import f_p, variance_limits

# An interaction as likely as this by chance alone is taken for error.
POOL_ABOVE = 0.25
# A spread is six standard deviations wide: 99.7 % of a normal distribution.
SPREAD = 6.0
# Up to these percentages of the tolerance, or of the spread of all readings, a gauge is good, or usable: AIAG 2010 (see `gauge_study`),
# chapter II section D (chapter from memory), which leaves between them to what the reading is for.
GOOD_UP_TO, USABLE_UP_TO = 10.0, 30.0
# So many faults of a design are named; the rest are counted.
_NAMED = 5


@dataclass(frozen=True, slots=True)
class Trial:
    """One reading of a gauge study.

    Args:
        part: name of what was read: a part, a plaque, a spool.
        operator: name of who or what read it: a person, or an instrument where instruments are compared.
        value: the reading, any unit, the same throughout a study.

    Raises:
        ValueError: a name is blank, or the value is no finite number.
    """

    part: str
    operator: str
    value: float

    def __post_init__(self) -> None:
        if not self.part.strip() or not self.operator.strip():
            raise ValueError(f"part {self.part!r} and operator {self.operator!r} must both have a name")
        if not math.isfinite(self.value):
            raise ValueError(
                f"the reading of part {self.part!r} by {self.operator!r} is {self.value!r}; it must be a number"
            )


@dataclass(frozen=True, slots=True)
class Source:
    """One row of an analysis of variance: sum of squares, in the unit squared and >= 0, and its degrees of freedom, >= 1."""

    ss: float
    df: int

    @property
    def ms(self) -> float:
        """The mean square, in the unit squared."""
        return self.ss / self.df


@dataclass(frozen=True, slots=True)
class Anova:
    """Analysis of variance of a crossed study.

    Args:
        part, operator, interaction, error: its rows, before anything is pooled.
        f_interaction: mean square of the interaction over that of the error; None where repeats never differ.
        p_interaction: probability of such an F by chance, 0..1; 1 where neither scatters, 0 where only the interaction does.
    """

    part: Source
    operator: Source
    interaction: Source
    error: Source
    f_interaction: float | None
    p_interaction: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What a crossed study found. Variances are in the unit squared, standard deviations in the unit.

    Args:
        parts, operators, repeats: size of the study.
        anova: before pooling.
        pooled: True when the interaction was taken for error.
        repeatability: variance of repeats by one operator on one part (the equipment's variation, EV squared).
        operator: variance between operators.
        interaction: variance of how operators differ from part to part; 0 where pooled.
        part: variance between parts.
        cut_off: components whose estimate came out below 0 and was set to 0.
        gauge_df: degrees of freedom of the gauge variance by Satterthwaite; None where nothing scatters.
        repeatability_interval: for the variance of repeats, exact.
        gauge_interval: for the variance of the whole gauge. It belongs to the estimate as it was before anything was set to 0.
    """

    parts: int
    operators: int
    repeats: int
    anova: Anova
    pooled: bool
    repeatability: float
    operator: float
    interaction: float
    part: float
    cut_off: tuple[str, ...]
    gauge_df: float | None
    repeatability_interval: Interval
    gauge_interval: Interval

    def __post_init__(self) -> None:
        found = (self.repeatability, self.operator, self.interaction, self.part)
        if not all(math.isfinite(variance) and variance >= 0 for variance in found):
            raise ValueError(f"a variance must be a number >= 0: {found!r}")

    @property
    def reproducibility(self) -> float:
        """Variance that comes with who reads: between operators, and the interaction (the appraisers' variation, AV squared)."""
        return self.operator + self.interaction

    @property
    def gauge(self) -> float:
        """Variance of a reading of one part by any operator: repeatability and reproducibility (GRR squared)."""
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        """Variance of a reading of any part by any operator (TV squared)."""
        return self.gauge + self.part

    @property
    def standard_deviations(self) -> dict[str, float]:
        """Standard deviations by name, in the unit: repeatability, reproducibility, gauge, part, total."""
        names = ("repeatability", "reproducibility", "gauge", "part", "total")
        return {name: math.sqrt(getattr(self, name)) for name in names}

    @property
    def percent_of_total(self) -> float | None:
        """Standard deviation of the gauge as a percentage of the total one, 0..100 (%GRR); None where nothing scatters.

        It says how well the gauge tells these parts apart, so the parts must be as different as parts are.
        """
        return 100 * math.sqrt(self.gauge / self.total) if self.total else None

    def percent_of_tolerance(self, width: float) -> float:
        """Returns six standard deviations of the gauge as a percentage of a tolerance.

        Args:
            width: upper limit less lower limit, in the unit of the readings, > 0.

        Raises:
            ValueError: the width is no number above 0.
        """
        if not (math.isfinite(width) and width > 0):
            raise ValueError(f"the width of the tolerance is {width!r}; it must be a number above 0")
        return 100 * SPREAD * math.sqrt(self.gauge) / width

    def worth(self, width: float | None) -> tuple[str, float] | None:
        """Returns whether the gauge is "good", "usable" or "too coarse", and the percentage by which it is.

        Args:
            width: of the tolerance, > 0; None where nobody knows it, and then the spread of all readings stands in.

        Returns:
            None where repeats never differ: then the gauge shows too few digits to tell.
        """
        percent = self.percent_of_total if width is None else self.percent_of_tolerance(width)
        if percent is None or not self.anova.error.ss:
            return None
        if Limit(None, GOOD_UP_TO).allows(percent):
            return "good", percent
        return ("usable" if Limit(None, USABLE_UP_TO).allows(percent) else "too coarse"), percent

    @property
    def categories(self) -> int | None:
        """Number of distinct categories the gauge tells apart among these parts, cut off to a whole number.

        Common practice asks for 5. None where the gauge shows no scatter to divide by.
        """
        return math.floor(math.sqrt(2 * self.part / self.gauge)) if self.gauge else None

    @property
    def says(self) -> tuple[str, ...]:
        """What whoever reads the figures must know, in sentences; none where nothing is unusual."""
        notes = [f"The variance of {name} came out below 0 and was set to 0." for name in self.cut_off]
        if self.pooled:
            notes.append(
                f"Operators do not differ from part to part more than chance allows (p = {self.anova.p_interaction:.2f},"
                f" above {POOL_ABOVE}), so that was taken for error."
            )
        if not self.anova.error.ss:
            notes.append(
                "Repeats never differ: the instrument shows too few digits for this study, or repeats were not read anew."
            )
        if self.operators == 2:
            notes.append("Two operators say hardly anything about how operators differ: read the interval.")
        return tuple(notes)


def gauge_study(trials: Sequence[Trial], confidence: float = 0.95) -> GaugeStudy:
    """Returns the variance components of a crossed study: every part read equally often, at least twice, by every operator.

    Args:
        trials: in any order; at least two parts, two operators and two repeats.
        confidence: of the intervals, 0 < confidence < 1.

    Raises:
        ValueError: the design is too small or not complete; the message names the cells.

    Notes:
        Two-way analysis of variance with interaction, parts and operators both taken as drawn at random, normal distributions. Where the F
        test of the interaction gives p > 0.25, its sum of squares and degrees of freedom are pooled with those of the error. No interval allows
        for that choice; simulated over true interactions from none to as large as the error, the 95 % interval of the gauge variance held 94 to
        97 % for 10 parts, 3 operators and 2 repeats.

        The gauge variance is a sum of mean squares with positive weights, so its interval is the modified large-sample one. With two or three
        operators its upper end is far off: that is what so few can tell.

    Reference:
        AIAG 2010, Measurement Systems Analysis, 4th edition, chapter III section B (ANOVA method, categories; chapter from memory).
        Bozivich, Bancroft and Hartley 1956, Ann. Math. Stat. 27, 1017-1043 (pooling at 0.25; from memory). Burdick, Borror and Montgomery
        2003, J. Quality Technology 35, 342-354, and 2005, Design and Analysis of Gauge R&R Studies, chapter 3, after Graybill and Wang 1980, J. Am.
        Stat. Assoc. 75, 869-873 (interval; chapter from memory). Satterthwaite 1946, Biometrics Bulletin 2, 110-114.

    Example:
        >>> read = {("P", "ann"): (1.0, 1.2), ("P", "bo"): (1.1, 1.3), ("Q", "ann"): (2.0, 2.2), ("Q", "bo"): (2.1, 2.3)}
        >>> found = gauge_study([Trial(part, who, value) for (part, who), values in read.items() for value in values])
        >>> round(found.anova.error.ms, 3), found.pooled, found.cut_off, found.categories
        (0.02, True, (), 7)
    """
    cells = _cells(trials)
    parts, operators = _names(trials)
    anova = _anova(cells, parts, operators)
    p, o, r = len(parts), len(operators), len(cells[parts[0], operators[0]])
    pooled = anova.p_interaction > POOL_ABOVE
    both = Source(anova.interaction.ss + anova.error.ss, anova.interaction.df + anova.error.df)
    error, between = (both, both) if pooled else (anova.error, anova.interaction)
    estimates = {
        "operators": (anova.operator.ms - between.ms) / (p * r),
        "the interaction of parts and operators": 0.0 if pooled else (between.ms - error.ms) / r,
        "parts": (anova.part.ms - between.ms) / (o * r),
    }
    # Weights of the mean squares whose sum is the gauge variance.
    terms = [(1 / (p * r), anova.operator)]
    terms += [(1 - 1 / (p * r), both)] if pooled else [((p - 1) / (p * r), between), ((r - 1) / r, error)]
    operator, interaction, part = (max(0.0, estimate) for estimate in estimates.values())
    low, high = variance_limits(error.df, confidence)
    return GaugeStudy(
        parts=p,
        operators=o,
        repeats=r,
        anova=anova,
        pooled=pooled,
        repeatability=error.ms,
        operator=operator,
        interaction=interaction,
        part=part,
        cut_off=tuple(name for name, estimate in estimates.items() if estimate < 0),
        gauge_df=_satterthwaite(terms),
        repeatability_interval=Interval(low * error.ms, high * error.ms, confidence),
        gauge_interval=_sum_interval(terms, confidence),
    )


def _names(trials: Sequence[Trial]) -> tuple[list[str], list[str]]:
    """Parts and operators, each once, in the order of their names: so the order of the trials cannot show in the last bits."""
    return sorted({trial.part for trial in trials}), sorted({trial.operator for trial in trials})


def _cells(trials: Sequence[Trial]) -> dict[tuple[str, str], list[float]]:
    """The readings of each part by each operator, all equally many, two at least."""
    parts, operators = _names(trials)
    for what, names in (("part", parts), ("operator", operators)):
        if len(names) < 2:
            raise ValueError(
                f"a gauge study needs at least two {what}s, got {len(names)}: {', '.join(names) or 'none'}"
            )
    cells: dict[tuple[str, str], list[float]] = {(part, who): [] for part in parts for who in operators}
    for trial in trials:
        cells[trial.part, trial.operator].append(trial.value)
    counts = Counter(map(len, cells.values()))
    repeats = max(counts, key=lambda size: (counts[size], size))
    if repeats < 2:
        raise ValueError(
            "a gauge study needs every part read at least twice by every operator: once tells nothing of repeatability"
        )
    faults = [
        f"part {part!r} was {f'read {len(values)} times' if values else 'not read'} by {who!r}"
        for (part, who), values in cells.items()
        if len(values) != repeats
    ]
    if faults:
        more = f", and {len(faults) - _NAMED} more" if len(faults) > _NAMED else ""
        raise ValueError(
            f"every part must be read {repeats} times by every operator, but {', '.join(faults[:_NAMED])}{more}"
        )
    return cells


def _anova(cells: dict[tuple[str, str], list[float]], parts: list[str], operators: list[str]) -> Anova:
    p, o, r = len(parts), len(operators), len(cells[parts[0], operators[0]])
    # Readings of a diameter near 1.75 that differ by 0.001 lose no digits when they are taken from one of them.
    origin = cells[parts[0], operators[0]][0]
    means = {cell: fmean(value - origin for value in values) for cell, values in cells.items()}
    of_part = {part: fmean(means[part, who] for who in operators) for part in parts}
    of_operator = {who: fmean(means[part, who] for part in parts) for who in operators}
    grand = fmean(of_part.values())
    part = o * r * math.fsum((mean - grand) ** 2 for mean in of_part.values())
    operator = p * r * math.fsum((mean - grand) ** 2 for mean in of_operator.values())
    crossed = r * math.fsum(
        (mean - of_part[name] - of_operator[who] + grand) ** 2 for (name, who), mean in means.items()
    )
    error = math.fsum((value - origin - means[cell]) ** 2 for cell, values in cells.items() for value in values)
    return _tested(
        _source(part, p - 1),
        _source(operator, o - 1),
        _source(crossed, (p - 1) * (o - 1)),
        _source(error, p * o * (r - 1)),
    )


def _source(ss: float, df: int) -> Source:
    """A row, without the last bits that readings all alike leave behind."""
    return Source(ss if ss > df * BINARY_NOISE**2 else 0.0, df)


def _tested(part: Source, operator: Source, interaction: Source, error: Source) -> Anova:
    """The table with its test of the interaction."""
    if not error.ss:
        return Anova(part, operator, interaction, error, None, 0.0 if interaction.ss else 1.0)
    f = interaction.ms / error.ms
    return Anova(part, operator, interaction, error, f, f_p(f, interaction.df, error.df))


def _satterthwaite(terms: Sequence[tuple[float, Source]]) -> float | None:
    """The degrees of freedom of a weighted sum of mean squares; shares, since squares of very small variances are zero."""
    total = math.fsum(weight * source.ms for weight, source in terms)
    if not total:
        return None
    return 1 / math.fsum((weight * source.ms / total) ** 2 / source.df for weight, source in terms)


def _sum_interval(terms: Sequence[tuple[float, Source]], confidence: float) -> Interval:
    """The modified large-sample interval for a sum of variances: how far each one's exact limits lie from it, as a root of squares."""
    total = math.fsum(weight * source.ms for weight, source in terms)
    limits = [(weight * source.ms, variance_limits(source.df, confidence)) for weight, source in terms]
    below = math.hypot(*((1 - low) * size for size, (low, _) in limits))
    above = math.hypot(*((high - 1) * size for size, (_, high) in limits))
    return Interval(max(0.0, total - below), total + above, confidence)
