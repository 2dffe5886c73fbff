"""Interlayer strength: breaking stress across the layers, alone and relative to control specimens of the same build."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import stdev

from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.figures import by_spool
from lots.domain.characteristics.declaring.limit_fields import FEWEST
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.conformity.findings import Finding, shown, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.uncertainty.budget import Uncertainty, combined, estimated
from lots.domain.words import counted, plural


@dataclass(frozen=True, slots=True)
class BondTest:
    """One specimen broken across its layers: stress in MPa; `control` for a control specimen.

    `uncertainty` and `resolution` are those of the testing machine, MPa, None when unknown.
    """

    spool: str
    stress_mpa: float
    control: bool = False
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN


def stress_mpa(force_n: float, area_mm2: float) -> float:
    """Returns the breaking stress, force over cross-section, MPa (N/mm2).

    Args:
        force_n: N, > 0.
        area_mm2: mm2, > 0.

    Reference:
        ISO 527-1, 10.1 (from memory).

    Example:
        >>> stress_mpa(480, 40)
        12.0
    """
    return force_n / area_mm2


@dataclass(frozen=True, slots=True)
class BuildRatio:
    """The ratio of one build's specimens to its control specimens.

    Args:
        key: of the build.
        says: the build in words; "" without one.
        n, control_n: number of specimens of the lot and of the control, >= 1 each.
        control_mpa: mean stress of the control, MPa.
        ratio: mean stress of the lot over that of the control.
        uncertainty: of the ratio, None when unknown.
    """

    key: str | None
    says: str
    n: int
    control_n: int
    control_mpa: float
    ratio: float
    uncertainty: Uncertainty | None


@dataclass(frozen=True, slots=True)
class BondSummary:
    """The lot's specimens with their mean and coefficient of variation, and the ratio to control specimens, None without any.

    `builds` has the ratio of each build with control specimens, `without_control` names the other builds. `control_elsewhere` counts control
    specimens of builds without specimens of the lot. All three are empty where builds are pooled.
    """

    bars: tuple[BondTest, ...]
    mean_mpa: float
    variation: float | None
    uncertainty: Uncertainty | None
    control_ratio: float | None
    control_n: int
    ratio_uncertainty: Uncertainty | None
    builds: tuple[BuildRatio, ...] = ()
    without_control: tuple[str, ...] = ()
    control_elsewhere: int = 0

    @property
    def n(self) -> int:
        """The number of specimens of the lot."""
        return len(self.bars)

    @property
    def weakest_mpa(self) -> float:
        """The least breaking stress of the lot, MPa."""
        return min(bar.stress_mpa for bar in self.bars)

    @property
    def ratio_n(self) -> int:
        """The number of the lot's specimens in the ratio."""
        return sum(one.n for one in self.builds) if self.builds else self.n

    @property
    def control_means(self) -> dict[str | None, float]:
        """Mean stress of the control specimens by build, MPa."""
        return {one.key: one.control_mpa for one in self.builds}


def summarise(tests: Sequence[BondTest], by_build: bool = True, estimate: Estimate = OWN) -> BondSummary | None:
    """Returns the summary of a lot's specimens, or None without a specimen of the lot.

    The ratio to control specimens of the same build cancels effects of the printer and the day. So it is taken within each build and averaged
    over the builds (`by_builds`).

    Args:
        tests: specimens of the lot and of the control.
        by_build: False pools all control specimens, as rules before version 3 do.
        estimate: method and earlier data for the uncertainty.

    Example:
        >>> lot = [BondTest("S", s) for s in (12.1, 10.4, 13.0, 9.2, 11.8)]
        >>> found = summarise(lot + [BondTest("S", 29.5, control=True)])
        >>> round(found.mean_mpa, 2), found.weakest_mpa, round(found.control_ratio, 2)
        (11.3, 9.2, 0.38)
    """
    own = [t for t in tests if not t.control]
    control = [t for t in tests if t.control]
    if not own:
        return None
    stresses = [t.stress_mpa for t in own]
    mean = math.fsum(stresses) / len(own)
    u = _of_mean(own, estimate)
    variation = stdev(stresses) / mean if len(own) > 1 else None
    if not by_build:
        ratio = ratio_u = None
        if control:
            ratio, ratio_u, _ = _ratio(own, control, estimate)
        return BondSummary(tuple(own), mean, variation, u, ratio, len(control), ratio_u)
    builds, without, elsewhere = by_builds(own, control, estimate)
    ratio, ratio_u = _mean_of_builds(builds)
    n = sum(one.control_n for one in builds)
    return BondSummary(tuple(own), mean, variation, u, ratio, n, ratio_u, builds, without, elsewhere)


def _of_mean(own: Sequence[BondTest], estimate: Estimate) -> Uncertainty | None:
    """Returns the uncertainty of the mean stress of a lot."""
    groups = [[[test.stress_mpa] for test in some] for some in by_spool(own).values()]
    found = estimate.of_lot(("bond.stress",), groups, Instrument.of(own), by_reading=True)
    return found[0] if found else None


def _ratio(
    own: Sequence[BondTest], control: Sequence[BondTest], estimate: Estimate
) -> tuple[float, Uncertainty | None, float]:
    """Returns the ratio of the mean to that of the control, its uncertainty, and the mean of the control, MPa."""
    mean = math.fsum(t.stress_mpa for t in own) / len(own)
    u = _of_mean(own, estimate)
    beside = [t.stress_mpa for t in control]
    control_mean = math.fsum(beside) / len(beside)
    ratio = mean / control_mean
    control_u = estimate.of_repeats([[stress] for stress in beside], Instrument.of(control))
    if u is None or control_u is None:
        return ratio, None, control_mean
    return ratio, u.scaled(ratio / mean).beside(control_u[0].scaled(ratio / control_mean)), control_mean


def by_builds(
    own: Sequence[BondTest], control: Sequence[BondTest], estimate: Estimate = OWN
) -> tuple[tuple[BuildRatio, ...], tuple[str, ...], int]:
    """Returns the ratio within each build, the builds without control specimens in words, and the number of controls in other builds.

    A control specimen represents its own build only, since interlayer strength depends on the printer and the day. Specimens and controls
    of one printer without a stated build are taken as one build.

    Reference:
        Common practice, no source.

    Example:
        >>> builds = [Origin(printer="P1", build=name) for name in ("B1", "B2")]
        >>> bars = [BondTest("S", 16.2, origin=builds[0])]
        >>> beside = [BondTest("S", mpa, True, origin=build) for mpa, build in zip((30.0, 14.0), builds)]
        >>> found, without, elsewhere = by_builds(bars, beside)
        >>> [round(one.ratio, 2) for one in found], without, elsewhere
        ([0.54], (), 1)
    """
    found, without = [], []
    keys = dict.fromkeys(printed_together(t) for t in own)
    for key in keys:
        mine = [t for t in own if printed_together(t) == key]
        beside = [t for t in control if printed_together(t) == key]
        says = _build_in_words(mine[0].origin)
        if not beside:
            without.append(f"{'in' if mine[0].origin.build else 'on'} {says}" if says else "")
            continue
        ratio, u, control_mpa = _ratio(mine, beside, estimate)
        found.append(BuildRatio(key, says, len(mine), len(beside), control_mpa, ratio, u))
    return tuple(found), tuple(without), sum(printed_together(t) not in keys for t in control)


def printed_together(test: BondTest) -> str:
    """Returns a key that specimens of one build and recipe share."""
    return f"{test.origin.together}\t{test.origin.test_print or ''}"


def _build_in_words(origin: Origin) -> str:
    if origin.build is None:
        return f"printer {origin.printer}" if origin.printer else ""
    return f"build {origin.build}" + (f" on {origin.printer}" if origin.printer else "")


def _mean_of_builds(builds: Sequence[BuildRatio]) -> tuple[float | None, Uncertainty | None]:
    """Returns the mean ratio over builds and its uncertainty: the larger of the propagated one and that from the spread of builds."""
    if not builds:
        return None, None
    ratios, n = [one.ratio for one in builds], len(builds)
    own = combined(one.uncertainty for one in builds)
    parts = [] if own is None else [own.scaled(1 / n)]
    if n > 1:
        parts.append(estimated(stdev(ratios) / math.sqrt(n), n - 1, "differences between builds"))
    return math.fsum(ratios) / n, max(parts, key=lambda one: one.band(DecisionRule().z), default=None)


@dataclass(frozen=True, slots=True)
class BondLimits:
    """Lower limits on interlayer strength; None: no limit."""

    mean_min_mpa: float | None = None
    single_min_mpa: float | None = None
    control_ratio_min: float | None = None
    tests_min: int = FEWEST


def judge_bond(
    summary: BondSummary | None, limits: BondLimits, rule: DecisionRule, estimate: Estimate = OWN
) -> list[Finding]:
    """Returns the findings on interlayer strength: the mean, the weakest specimen (one fails the lot), the ratio to the control.

    Args:
        summary: None without a specimen of the lot.
        limits: on interlayer strength.
        rule: simple or guarded acceptance.
        estimate: method and earlier data for the uncertainty of means.

    Notes:
        A limit met here describes the material in a test specimen. It does not show that a part is safe.
    """
    n = summary.n if summary else 0
    short = limits.tests_min - n
    lacking = f"break {short} {'more ' if n else ''}{plural(short, 'specimen')} across the layers" if short > 0 else ""
    counted = plural(n, "specimen")
    found = []
    if limits.mean_min_mpa is not None:
        varies = (
            ""
            if summary is None or summary.variation is None
            else f"The standard deviation is {100 * summary.variation:.0f} % of the mean."
        )
        found.append(
            judge(
                "bond.mean",
                Measured(
                    summary.mean_mpa if summary else None,
                    n,
                    counted,
                    uncertainty=summary.uncertainty if summary else None,
                    detail=varies,
                ),
                Limit(limits.mean_min_mpa, None, "MPa"),
                rule,
                todo=ToDo(lacking),
            )
        )
    if limits.single_min_mpa is not None:
        found.append(_worst_bar(summary, Limit(limits.single_min_mpa, None, "MPa"), rule, lacking, estimate))
    if limits.control_ratio_min is not None:
        found.append(_judge_ratio(summary, Limit(limits.control_ratio_min, None, target=1.0), rule, lacking))
    return found


def _judge_ratio(summary: BondSummary | None, limit: Limit, rule: DecisionRule, lacking: str) -> Finding:
    """Returns the finding on the ratio to the control; a build without control specimens leaves it missing."""
    n = summary.ratio_n if summary else 0
    return judge(
        "bond.control_ratio",
        Measured(
            summary.control_ratio if summary else None,
            n,
            plural(n, "specimen"),
            uncertainty=summary.ratio_uncertainty if summary else None,
            detail=_controls_in_words(summary) if summary and summary.control_n else "",
        ),
        limit,
        rule,
        todo=ToDo("; ".join(part for part in (lacking, _control_lacking(summary)) if part)),
    )


_CONTROLS_NEEDED = "print and break control specimens in the same build, and mark them as control"


def _control_lacking(summary: BondSummary | None) -> str:
    if summary is None or (not summary.control_n and not summary.without_control):
        return _CONTROLS_NEEDED
    asked = [
        f"print and break control specimens {where}" if where else _CONTROLS_NEEDED for where in summary.without_control
    ]
    return "; ".join(asked)


def _controls_in_words(summary: BondSummary) -> str:
    """Returns the control specimens in words, by build where there are several."""
    if len(summary.builds) > 1:
        each = (
            f"{shown(one.ratio)} relative to {counted(one.control_n, 'control specimen')} of {one.says or 'no stated build'}."
            for one in summary.builds
        )
        return " ".join(each)
    says = summary.builds[0].says if summary.builds else ""
    return f"The control is {counted(summary.control_n, 'control specimen')}{f' of {says}' if says else ''}."


def _worst_bar(
    summary: BondSummary | None, limit: Limit, rule: DecisionRule, lacking: str, estimate: Estimate
) -> Finding:
    """Returns the finding on the worst specimen. With guard bands, it need not be the weakest one."""
    if summary is None:
        return unmeasured("bond.single", limit, rule, lacking, "specimens")
    counted = plural(summary.n, "specimen")
    return worst(
        [
            judge(
                "bond.single",
                Measured(
                    bar.stress_mpa,
                    summary.n,
                    counted,
                    uncertainty=estimate.single(Instrument(bar.uncertainty, bar.resolution)),
                    looked_at=summary.n,
                    single=True,
                ),
                limit,
                rule,
                subject=f"spool {bar.spool}",
                todo=ToDo(lacking, conclusive=True),
            )
            for bar in summary.bars
        ]
    )


# Plausible breaking stresses across the layers, MPa. Common practice, no source.
_STRESS_MPA = (0.1, 500.0)


def doubt_stress(field: str, stress_mpa: float) -> Doubt | None:
    """Returns a doubt when a breaking stress across the layers is not plausible for a printed polymer.

    Example:
        >>> doubt_stress("stress_mpa", 12_100_000.0).hint
        'This looks like pascals: 12.1 MPa. Enter megapascals.'
    """
    low, high = _STRESS_MPA
    if low <= stress_mpa <= high:
        return None
    detail = f"{stress_mpa:g} MPa is not a plausible breaking stress of a printed specimen."
    if field == "break_force_n":
        return Doubt(
            field, detail, "Check that the force is in newtons (1 kgf is 9.81 N) and the area in square millimetres."
        )
    if low <= stress_mpa / 1e6 <= high and stress_mpa >= 1e5:
        return Doubt(field, detail, f"This looks like pascals: {stress_mpa / 1e6:g} MPa. Enter megapascals.")
    if low <= stress_mpa / 145.038 <= high:
        return Doubt(field, detail, f"This looks like psi: {stress_mpa / 145.038:.1f} MPa. Enter megapascals.")
    return Doubt(field, detail, "Enter megapascals (N/mm2).")
