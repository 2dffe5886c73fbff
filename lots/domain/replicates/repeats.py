"""Repeat readings: which figures of a reading can be held against those of its like, how they scatter, and how many more decide a finding."""

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
from lots.domain.conformity.limits import Limit
from lots.domain.replicates.outliers import Outliers, extreme_deviates, free_values, most_to_look_for
from lots.domain.replicates.scatter import Replicates, Scatter, for_decision, pooled_scatter
from lots.domain.statistics.quantiles import student
from lots.domain.words import plural

# Probability of flagging anything among the readings of one kind where nothing stands apart; its figures share it.
ALPHA = 0.05
CONFIDENCE = 0.95
# A lot's own repeats speak for its scatter from so many degrees of freedom on; before, those of the grade's other lots help. This
# project's rule: with 5, Student's t asks for 1.7 times as many readings as if the scatter were known, with fewer for twice as many and more.
LEAST_DF = 5


# What may have caused a reading that stands apart, in the words of whoever says so. A plain slip of typing is voided instead.
CAUSES = {
    "instrument": "the instrument",
    "operator": "the person who read it",
    "plaque": "the plaque, coupon or bar",
    "position": "the place that was read",
}


@dataclass(frozen=True, slots=True)
class Repeat:
    """One figure of one reading.

    Args:
        figure: a key of REPEATED.
        value: in its unit.
        group: what it must share with others to be a repeat of theirs, beside the spool.
        reading: number of the reading.
        spool: code of the spool.
        instrument: code of the instrument, "" when none was named.
        counts: False for a reading that was excluded: it is tested with the others, and is no part of their scatter.
        per_unit: how much of `value` one unit of what the instrument reads makes, > 0.
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
        """Equal for readings that repeat each other: of one figure and spool, with one instrument."""
        return (self.figure, self.spool, self.instrument, *self.group)


def outliers_among(repeats: Sequence[Repeat], alpha: float, repeatability: float) -> Outliers:
    """Returns which of the readings stand apart from their like; indices are those of `repeats`.

    Args:
        repeats: of one figure, excluded ones among them, so that leaving one out never makes the next one strange.
        alpha: probability of flagging anything where nothing stands apart.
        repeatability: of the instrument, in the figure's unit, >= 0.

    Reference:
        See lots.domain.replicates.outliers.extreme_deviates; how many are looked for: most_to_look_for.
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
    """How one reading of a figure scatters, and whose readings tell: "lot", "grade" or "instrument"; both None when nothing tells."""

    scatter: Scatter | None
    source: str | None


def scatter_of(own: Sequence[Repeat], grade: Sequence[Repeat], repeatability: float) -> Scattered:
    """Returns the scatter of one reading of a figure about the mean of its like.

    Args:
        own: of the lot, of one figure.
        grade: of the grade's other lots; they are taken in when the lot's own have fewer than LEAST_DF degrees of freedom.
        repeatability: of the instrument, in the figure's unit, >= 0: the least that is believed.

    Notes:
        Readings that were excluded are left out. Near black the noise of L* is larger, and shows here because the readings themselves do.
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
    """Returns whether the readings of a lot, of one figure, tell their scatter without those of the grade's other lots."""
    return sum(len(group) - 1 for group in _groups(own)) >= LEAST_DF


def _groups(repeats: Sequence[Repeat]) -> list[list[float]]:
    found: dict[tuple[Any, ...], list[float]] = {}
    for one in repeats:
        if one.counts:
            found.setdefault(one.kin, []).append(one.value)
    return list(found.values())


@dataclass(frozen=True, slots=True)
class Deciding:
    """How many readings decide one finding.

    Args:
        finding: the finding; its value is a mean of readings.
        spools: how many spools' means the value is a mean of; 1 where one spool, or all bars and coupons together, are judged.
        readings: those it has, of each of the spools: the fewest.
        needed: readings of each in all.
        own_known: False where nothing tells the instrument's own uncertainty, and so none was counted.
        first: numbers of the readings of its characteristic that count and stand apart: until they are looked at, no number is to be trusted.
    """

    finding: Finding
    spools: int
    readings: int
    needed: Replicates
    own_known: bool
    first: tuple[int, ...] = ()

    @property
    def more(self) -> int | None:
        """How many readings are lacking, of each spool; None where no number is known to be enough."""
        return None if self.needed.n is None else max(0, self.needed.n - self.readings)

    @property
    def says(self) -> str:
        """The answer in a sentence or two; while a reading stands apart, nothing is laid to the instrument."""
        if self.first:
            return f"{LABELS[self.finding.code]}: look at {numbered(self.first)} first.{self._with_them}"
        told = "" if self.own_known else " The instrument's own uncertainty is not known, and not counted."
        return f"{LABELS[self.finding.code]}: {self._answer}{told}"

    @property
    def _with_them(self) -> str:
        return f" As long as {plural(len(self.first), 'it counts', 'they count')}, {self._answer}" if self.more else ""

    @property
    def _answer(self) -> str:
        if self.more is None:
            return self.needed.says
        of = f" of each of the {self.spools} spools" if self.spools > 1 else _of(self.finding.subject)
        sure, doubt = self.needed.sure, ""
        if sure is None or sure - self.readings > self.more:
            most = "more than anybody takes" if sure is None else f"{sure - self.readings} more"
            doubt = f" ({most} to be sure, since the scatter is itself an estimate)"
        if not self.more:
            return f"the {self.readings} readings{of} decide it already{doubt}."
        words = plural(self.more, "reading")
        return f"{self.more} more {words}{of} {plural(self.more, 'decides', 'decide')} it{doubt}."


def numbered(numbers: Sequence[int]) -> str:
    """Returns readings by their numbers: "reading 7", "readings 7 and 9"."""
    *some, last = map(str, numbers)
    return f"readings {', '.join(some)} and {last}" if some else f"reading {last}"


def _of(subject: str) -> str:
    return f" of {subject}" if subject else ""


@dataclass(frozen=True, slots=True)
class LotEvidence:
    """What is known of the readings of a lot, for deciding its findings.

    Args:
        scatter: figure -> how one reading scatters.
        counts: (figure, spool) -> readings that count.
        own: figure -> standard uncertainty of the instrument, in the figure's unit; absent where nothing tells it.
        colors: spool -> mean colour, under the reference's light.
        reference: colour of the approved shade revision.
        color: the limits on colour.
        one_length: figures whose readings all repeat each other but for the spool, as coupons of one length and feature do.
        apart: characteristic -> numbers of its readings that count and stand apart.
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
    """Returns for each finding that is a mean of repeat readings how many of them would leave no doubt about it.

    Args:
        findings: of a lot.
        known: of its readings.
        lot: its mean colour; None when there is none.

    Notes:
        The number speaks of the spools that were measured: of others only measuring them tells, as the finding itself says. A worst single
        reading, a spread, a step, a count and a newest reading are no means, and a shrinkage found from two lengths is a slope: they are not among them.
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
        return Replicates(None, None, None, f"{needed.says} Only a finer instrument can, or quality decides.")
    return needed


_About = tuple[int, int, Scatter | None, float | None]


def _about(finding: Finding, known: LotEvidence, lot: Lab | None) -> _About | None:
    """What a finding rests on: spools, readings of each, scatter of one reading over the root of the spools, the instrument's own."""
    if finding.characteristic == COLOR.name:
        return _about_color(finding, known, lot)
    figure = _SETTLED_BY.get(finding.code)
    if figure is None:
        return None
    readings = known.counts.get((figure.code, finding.spool), 0) if figure.over == "spool" else finding.n
    if not readings or (figure.over == "lot of one length" and figure.code not in known.one_length):
        return None
    return 1, readings, known.scatter.get(figure.code), known.own.get(figure.code)


# Code of a finding -> the figure of single readings that it is a mean of.
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
    """Scatter of one reading as a colour difference from the reference; None where a coordinate's is not known. The least known of the three counts."""
    if known.reference is None or known.color is None:
        return None
    sds = tuple(part.sd / root for part in parts if part is not None)
    if len(sds) < len(parts):
        return None
    sd = delta_e_uncertainty(known.reference, sample, sds, known.color)
    dfs = [part.df for part in parts if part is not None and part.df is not None]
    return Scatter(sd, min(dfs, default=None)) if sd else None
