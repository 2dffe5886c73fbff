"""Repeat readings: outliers among them, their standard deviation, and how many more settle a finding."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.color.limits_block import COORDINATES
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.uncertainty import delta_e_uncertainty
from lots.domain.characteristics.registry import REPEATED
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import LABELS, Finding
from lots.domain.conformity.guard import OUT_OF_REACH
from lots.domain.conformity.limits import Limit
from lots.domain.replicates.outliers import Outliers, extreme_deviates, free_values, most_to_look_for
from lots.domain.replicates.scatter import Replicates, Scatter, for_decision, pooled_scatter
from lots.domain.statistics.quantiles import student
from lots.domain.words import counted, plural

# Probability of a false outlier among the readings of one characteristic; its figures share it.
ALPHA = 0.05
CONFIDENCE = 0.95
# Below this many degrees of freedom, readings of the grade's other lots are pooled in. This project's rule, no source: with 5, Student's t
# requires 1.7 times as many readings as a known standard deviation would, with fewer at least twice as many.
LEAST_DF = 5


# Causes for excluding an outlier. A typing error is voided instead.
CAUSES = {
    "instrument": "the instrument",
    "operator": "the person who measured",
    "plaque": "the plaque, coupon or specimen",
    "position": "the measuring position",
}


@dataclass(frozen=True, slots=True)
class Repeat:
    """One figure of one reading.

    Args:
        figure: a key of REPEATED.
        value: in its unit.
        group: further properties that repeats must share.
        reading: number of the reading.
        spool: code of the spool.
        instrument: code of the instrument, "" when none was named.
        counts: False for an excluded reading, which is tested for outliers but left out of the standard deviation.
        per_unit: change of `value` per unit of the instrument's reading, > 0.
    """

    figure: str
    value: float
    group: tuple[Any, ...]
    reading: int
    spool: str
    instrument: str = ""
    counts: bool = True
    per_unit: float = 1.0

    @property
    def kin(self) -> tuple[Any, ...]:
        """A key that repeats share: figure, spool, instrument and group."""
        return (self.figure, self.spool, self.instrument, *self.group)


def outliers_among(repeats: Sequence[Repeat], alpha: float, repeatability: float) -> Outliers:
    """Returns the outliers among repeat readings; indices are those of `repeats`.

    Args:
        repeats: of one figure, including excluded ones, so that excluding one never flags the next.
        alpha: probability of flagging anything when there is no outlier.
        repeatability: of the instrument, in the figure's unit, >= 0.

    Reference:
        See lots.domain.replicates.outliers.extreme_deviates and most_to_look_for.
    """
    sizes: dict[tuple[Any, ...], int] = {}
    for one in repeats:
        sizes[one.kin] = sizes.get(one.kin, 0) + 1
    enough = [size for size in sizes.values() if size > 2]
    most = most_to_look_for(free_values(sum(enough), len(enough)))
    kin = [one.kin for one in repeats]
    return extreme_deviates([one.value for one in repeats], most, alpha, repeatability, kin)


@dataclass(frozen=True, slots=True)
class Scattered:
    """The standard deviation of one reading and its source: "lot", "grade" or "instrument". Both are None when unknown."""

    scatter: Scatter | None
    source: str | None


def scatter_of(own: Sequence[Repeat], grade: Sequence[Repeat], repeatability: float) -> Scattered:
    """Returns the standard deviation of one reading about the mean of its repeats.

    Args:
        own: of the lot, of one figure.
        grade: of the grade's other lots; used when the lot's own have fewer than LEAST_DF degrees of freedom.
        repeatability: of the instrument, in the figure's unit, >= 0; the least standard deviation returned.

    Notes:
        Excluded readings are left out. The noise of L* is larger near black; the readings themselves show it.
    """
    mine = _groups(own)
    together = [*mine, *_groups(grade)]
    for groups, source in ((mine, "lot"), (together, "grade")):
        df = sum(len(group) - 1 for group in groups)
        if df and (df >= LEAST_DF or groups is together):
            found = pooled_scatter(groups, repeatability)
            known_only = found is not None and found.df is None
            return Scattered(found, None if found is None else "instrument" if known_only else source)
    found = pooled_scatter([], repeatability)
    return Scattered(found, None if found is None else "instrument")


def speaks_for_itself(own: Sequence[Repeat]) -> bool:
    """Returns whether a lot's readings of one figure are enough for their standard deviation without other lots."""
    return sum(len(group) - 1 for group in _groups(own)) >= LEAST_DF


def _groups(repeats: Sequence[Repeat]) -> list[list[float]]:
    found: dict[tuple[Any, ...], list[float]] = {}
    for one in repeats:
        if one.counts:
            found.setdefault(one.kin, []).append(one.value)
    return list(found.values())


@dataclass(frozen=True, slots=True)
class Deciding:
    """The number of readings that settles one finding.

    Args:
        finding: the finding; its value is a mean of readings.
        spools: number of spool means in the value; 1 where one spool, or all specimens together, are assessed.
        readings: number of readings of the spool with the fewest.
        needed: total number of readings per spool.
        own_known: False where the instrument's own uncertainty is unknown and not included.
        first: numbers of the outliers that count; they must be checked before the number can be trusted.
    """

    finding: Finding
    spools: int
    readings: int
    needed: Replicates
    own_known: bool
    first: tuple[int, ...] = ()

    @property
    def more(self) -> int | None:
        """The number of further readings per spool, None where no number is known to be enough."""
        return None if self.needed.n is None else max(0, self.needed.n - self.readings)

    @property
    def says(self) -> str:
        """The answer in one or two sentences."""
        if self.first:
            return f"{LABELS[self.finding.code]}: check {numbered(self.first)} first.{self._with_them}"
        told = "" if self.own_known else " The instrument's own uncertainty is unknown and not included."
        return f"{LABELS[self.finding.code]}: {self._answer}{told}"

    @property
    def _with_them(self) -> str:
        return f" While {plural(len(self.first), 'it counts', 'they count')}, {self._answer}" if self.more else ""

    @property
    def _answer(self) -> str:
        if self.more is None:
            return self.needed.says
        of = f" of each of the {self.spools} spools" if self.spools > 1 else _of(self.finding.subject)
        sure, doubt = self.needed.sure, ""
        if sure is None or sure - self.readings > self.more:
            most = f"more than {OUT_OF_REACH}" if sure is None else f"{sure - self.readings} more"
            doubt = f" ({most} if the standard deviation, itself an estimate, is larger)"
        if not self.more:
            return f"the {counted(self.readings, 'reading')}{of} {plural(self.readings, 'is', 'are')} enough{doubt}."
        words = plural(self.more, "reading")
        return f"{self.more} more {words}{of} {plural(self.more, 'settles', 'settle')} it{doubt}."


def numbered(numbers: Sequence[int]) -> str:
    """Returns readings by their numbers: "reading 7", "readings 7 and 9"."""
    *some, last = map(str, numbers)
    return f"readings {', '.join(some)} and {last}" if some else f"reading {last}"


def _of(subject: str) -> str:
    return f" of {subject}" if subject else ""


@dataclass(frozen=True, slots=True)
class LotEvidence:
    """Statistics of a lot's readings, from which the number of further readings follows.

    Args:
        scatter: figure -> standard deviation of one reading.
        counts: (figure, spool) -> number of readings that count.
        own: figure -> standard uncertainty of the instrument, in the figure's unit; absent where unknown.
        colors: spool -> mean colour under the conditions of the reference.
        reference: colour of the approved shade revision.
        color: the limits on colour.
        one_length: figures whose readings are all repeats apart from the spool, such as coupons of one length and feature.
        apart: characteristic -> numbers of its outliers that count.
    """

    scatter: dict[str, Scatter | None]
    counts: dict[tuple[str, str], int]
    own: dict[str, float] = field(default_factory=dict)
    colors: dict[str, Lab] = field(default_factory=dict)
    reference: Lab | None = None
    color: ColorLimits | None = None
    one_length: tuple[str, ...] = ()
    apart: dict[str, tuple[int, ...]] = field(default_factory=dict)


def deciding(findings: Sequence[Finding], known: LotEvidence, lot: Lab | None) -> list[Deciding]:
    """Returns the number of readings that settles each finding whose value is a mean of repeats.

    Args:
        findings: of a lot.
        known: statistics of its readings.
        lot: its mean colour; None when not measured.

    Notes:
        The number covers the measured spools only. Findings that are not means are left out: worst readings, spreads, steps, counts, newest
        readings, and shrinkage as a slope over two lengths.
    """
    found = []
    for finding in findings:
        about = None if finding.value is None else _about(finding, known, lot)
        if finding.value is None or about is None:
            continue
        spools, readings, scatter, own = about
        needed = _needed(finding.value, finding.limit, scatter, own or 0.0)
        first = known.apart.get(finding.characteristic, ())
        found.append(Deciding(finding, spools, readings, needed, own is not None, first))
    return found


def _needed(value: float, limit: Limit, scatter: Scatter | None, own: float) -> Replicates:
    needed = for_decision(value, limit, scatter, own, CONFIDENCE)
    if needed.n is None and needed.noise is None and student(math.inf, CONFIDENCE) * own >= abs(limit.margin(value)):
        return Replicates(None, None, None, f"{needed.says} Use a better instrument, or ask quality for a decision.")
    return needed


_About = tuple[int, int, Scatter | None, float | None]


def _about(finding: Finding, known: LotEvidence, lot: Lab | None) -> _About | None:
    """Returns spools, readings per spool, standard deviation of a reading over sqrt(spools), and the instrument's uncertainty."""
    if finding.characteristic == COLOR.name:
        return _about_color(finding, known, lot)
    figure = _SETTLED_BY.get(finding.code)
    if figure is None:
        return None
    readings = known.counts.get((figure.code, finding.spool), 0) if figure.over == "spool" else finding.n
    if not readings or (figure.over == "lot of one length" and figure.code not in known.one_length):
        return None
    return 1, readings, known.scatter.get(figure.code), known.own.get(figure.code)


# Code of a finding -> figure of the single readings in its mean.
_SETTLED_BY = {code: figure for figure in REPEATED.values() for code in figure.settles}


def _about_color(finding: Finding, known: LotEvidence, lot: Lab | None) -> _About | None:
    parts = [known.scatter.get(f"color.{name}") for name in COORDINATES]
    by_spool = finding.code == "color.spool_delta_e"
    spools = [finding.spool] if by_spool else list(known.colors)
    counts = [known.counts.get(("color.L", spool), 0) for spool in spools]
    if not counts or not min(counts):
        return None
    k, fewest = len(spools), min(counts)
    own = known.own.get("color.L")
    if finding.code in VECTOR:
        at = VECTOR.index(finding.code)
        return k, fewest, _over(parts[at], math.sqrt(k)), own
    sample = known.colors.get(finding.spool) if by_spool else lot
    if finding.code not in ("color.lot_delta_e", "color.spool_delta_e") or sample is None:
        return None
    if known.reference is None or known.color is None:
        return None
    vector = None if own is None else (own, own, own)
    of_instrument = delta_e_uncertainty(known.reference, sample, vector, known.color)
    return k, fewest, _difference(parts, sample, known, math.sqrt(k)), of_instrument


def _over(scatter: Scatter | None, root: float) -> Scatter | None:
    return scatter and Scatter(scatter.sd / root, scatter.df)


def _difference(parts: Sequence[Scatter | None], sample: Lab, known: LotEvidence, root: float) -> Scatter | None:
    """Returns the standard deviation of one reading as a colour difference, with the fewest degrees of freedom; None where one is unknown."""
    if known.reference is None or known.color is None:
        return None
    sds = tuple(part.sd / root for part in parts if part is not None)
    if len(sds) < len(parts):
        return None
    sd = delta_e_uncertainty(known.reference, sample, sds, known.color)
    dfs = [part.df for part in parts if part is not None and part.df is not None]
    return Scatter(sd, min(dfs, default=None)) if sd else None
