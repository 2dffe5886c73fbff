"""Gauge repeatability and reproducibility (gauge R&R) by analysis of variance of a crossed study."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.statistics.proportions import Interval
from lots.domain.statistics.quantiles import f_p, variance_limits
from lots.domain.words import counted

# An interaction with a p-value above this is pooled with the error.
POOL_ABOVE = 0.25
# Width of a spread in standard deviations: 99.7 % of a normal distribution.
SPREAD = 6.0
# Largest percentages of the tolerance, or of the total variation, for a good and for a usable gauge: AIAG 2010 (see `gauge_study`),
# chapter II section D (chapter from memory). Between them acceptance depends on the application.
GOOD_UP_TO, USABLE_UP_TO = 10.0, 30.0
# Most faults of a design named in a message.
_NAMED = 5


@dataclass(frozen=True, slots=True)
class Trial:
    """One reading of a gauge study.

    Args:
        part: name of the part, plaque or spool.
        operator: name of the person, or of the instrument where instruments are compared.
        value: the reading, any unit, the same throughout a study.

    Raises:
        ValueError: a name is blank, or the value is not a finite number.
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
        part, operator, interaction, error: its rows, before pooling.
        f_interaction: mean square of the interaction over that of the error; None where replicates never differ.
        p_interaction: p-value of the F test, 0..1; 1 where both mean squares are 0, 0 where only that of the error is.
    """

    part: Source
    operator: Source
    interaction: Source
    error: Source
    f_interaction: float | None
    p_interaction: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Result of a crossed study. Variances are in the unit squared, standard deviations in the unit.

    Args:
        parts, operators, repeats: size of the study.
        anova: before pooling.
        pooled: True when the interaction was pooled with the error.
        repeatability: variance of replicates by one operator on one part (equipment variation, EV squared).
        operator: variance between operators.
        interaction: variance of the operator by part interaction; 0 where pooled.
        part: variance between parts.
        cut_off: components with a negative estimate, set to 0.
        gauge_df: degrees of freedom of the gauge variance by Satterthwaite; None where all readings are equal.
        repeatability_interval: for the variance of replicates, exact.
        gauge_interval: for the gauge variance, from the estimate before truncation at 0.
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
        """Variance between operators and of the interaction (appraiser variation, AV squared)."""
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
        """Standard deviation of the gauge as a percentage of the total one, 0..100 (%GRR); None where all readings are equal.

        It depends on the parts of the study, so they must represent the usual variation between parts.
        """
        return 100 * math.sqrt(self.gauge / self.total) if self.total else None

    def percent_of_tolerance(self, width: float) -> float:
        """Returns six standard deviations of the gauge as a percentage of a tolerance.

        Args:
            width: upper limit minus lower limit, in the unit of the readings, > 0.

        Raises:
            ValueError: the width is not a number above 0.
        """
        if not (math.isfinite(width) and width > 0):
            raise ValueError(f"the width of the tolerance is {width!r}; it must be a number above 0")
        return 100 * SPREAD * math.sqrt(self.gauge) / width

    def worth(self, width: float | None) -> tuple[str, float] | None:
        """Returns the rating "good", "usable" or "too coarse" of the gauge, and its percentage.

        Args:
            width: of the tolerance, > 0; None to use the total variation instead.

        Returns:
            None where replicates never differ, because the resolution is too coarse for a rating.
        """
        percent = self.percent_of_total if width is None else self.percent_of_tolerance(width)
        if percent is None or not self.anova.error.ss:
            return None
        if Limit(None, GOOD_UP_TO).allows(percent):
            return "good", percent
        return ("usable" if Limit(None, USABLE_UP_TO).allows(percent) else "too coarse"), percent

    @property
    def categories(self) -> int | None:
        """Number of distinct categories (ndc) among these parts, truncated to a whole number.

        At least 5 is common practice. None where the gauge variance is 0.
        """
        return math.floor(math.sqrt(2 * self.part / self.gauge)) if self.gauge else None

    @property
    def says(self) -> tuple[str, ...]:
        """Remarks on unusual results, in sentences; empty without any."""
        notes = [f"The estimated variance of {name} was negative and was set to 0." for name in self.cut_off]
        if self.pooled:
            notes.append(
                f"The interaction of parts and operators is not significant and was pooled with the error "
                f"(p = {self.anova.p_interaction:.2f} > {POOL_ABOVE})."
            )
        if not self.anova.error.ss:
            notes.append(
                "Replicates never differ. The resolution is too coarse for this study, or replicates were copied."
            )
        if self.operators == 2:
            notes.append("With two operators the variance between operators is very uncertain. See the interval.")
        return tuple(notes)


def gauge_study(trials: Sequence[Trial], confidence: float = 0.95) -> GaugeStudy:
    """Returns the variance components of a crossed study: every operator measures every part equally often, at least twice.

    Args:
        trials: in any order; at least two parts, two operators and two replicates.
        confidence: of the intervals, 0 < confidence < 1.

    Raises:
        ValueError: the design is too small or not complete; the message names the cells.

    Notes:
        Two-way random-effects analysis of variance with interaction, normal distributions. Where the F test of the interaction gives p > 0.25,
        it is pooled with the error. The intervals do not account for this choice. Simulated over true interactions from none to as large as the
        error, the 95 % interval of the gauge variance covered 94 to 97 % for 10 parts, 3 operators and 2 replicates.

        The gauge variance is a sum of mean squares with positive weights, so its interval is the modified large-sample one. With two or three
        operators its upper limit is very large.

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
    """Returns parts and operators without duplicates, sorted, so that the result does not depend on the order of the trials."""
    return sorted({trial.part for trial in trials}), sorted({trial.operator for trial in trials})


def _cells(trials: Sequence[Trial]) -> dict[tuple[str, str], list[float]]:
    """Returns the readings of each part by each operator, after checking that the design is complete."""
    parts, operators = _names(trials)
    for what, names in (("part", parts), ("operator", operators)):
        if len(names) < 2:
            raise ValueError(
                f"a gauge study requires at least two {what}s, got {len(names)}: {', '.join(names) or 'none'}"
            )
    cells: dict[tuple[str, str], list[float]] = {(part, who): [] for part in parts for who in operators}
    for trial in trials:
        cells[trial.part, trial.operator].append(trial.value)
    counts = Counter(map(len, cells.values()))
    repeats = max(counts, key=lambda size: (counts[size], size))
    if repeats < 2:
        raise ValueError(
            "a gauge study requires at least two readings of every part by every operator, for the repeatability"
        )
    faults = [
        f"Part {part!r} was {_times(len(values))} by {who!r}."
        for (part, who), values in cells.items()
        if len(values) != repeats
    ]
    if faults:
        more = [f"There are {len(faults) - _NAMED} more."] if len(faults) > _NAMED else []
        said = " ".join((*faults[:_NAMED], *more)).removesuffix(".")
        raise ValueError(f"every part must be measured {repeats} times by every operator. {said}")
    return cells


def _times(n: int) -> str:
    return f"measured {counted(n, 'time')}" if n else "not measured"


def _anova(cells: dict[tuple[str, str], list[float]], parts: list[str], operators: list[str]) -> Anova:
    p, o, r = len(parts), len(operators), len(cells[parts[0], operators[0]])
    # Subtracting one reading keeps the digits of small differences.
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
    """Returns a row, with rounding noise of equal readings set to 0."""
    return Source(ss if ss > df * BINARY_NOISE**2 else 0.0, df)


def _tested(part: Source, operator: Source, interaction: Source, error: Source) -> Anova:
    """Returns the table with its F test of the interaction."""
    if not error.ss:
        return Anova(part, operator, interaction, error, None, 0.0 if interaction.ss else 1.0)
    f = interaction.ms / error.ms
    return Anova(part, operator, interaction, error, f, f_p(f, interaction.df, error.df))


def _satterthwaite(terms: Sequence[tuple[float, Source]]) -> float | None:
    """Returns Satterthwaite's degrees of freedom of a weighted sum of mean squares, from shares to avoid underflow."""
    total = math.fsum(weight * source.ms for weight, source in terms)
    if not total:
        return None
    return 1 / math.fsum((weight * source.ms / total) ** 2 / source.df for weight, source in terms)


def _sum_interval(terms: Sequence[tuple[float, Source]], confidence: float) -> Interval:
    """Returns the modified large-sample interval for a sum of variances: the distances of their exact limits, as a root sum of squares."""
    total = math.fsum(weight * source.ms for weight, source in terms)
    limits = [(weight * source.ms, variance_limits(source.df, confidence)) for weight, source in terms]
    below = math.hypot(*((1 - low) * size for size, (low, _) in limits))
    above = math.hypot(*((high - 1) * size for size, (_, high) in limits))
    return Interval(max(0.0, total - below), total + above, confidence)
