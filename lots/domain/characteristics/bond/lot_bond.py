"""Bond between layers: breaking stress of bars pulled across the layers, alone and against control bars of their build."""

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
    """One bar broken across its layers: stress in MPa; `control` for a bar of the control material from the same build.

    `uncertainty` and `resolution` of the testing machine in MPa, None when unknown.
    """

    spool: str
    stress_mpa: float
    control: bool = False
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN


def stress_mpa(force_n: float, area_mm2: float) -> float:
    """Returns breaking stress, force over cross-section, in MPa (N/mm2).

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
    """The bars of one build against its control bars.

    Args:
        key: of the build, None for bars and control bars without one.
        says: the build in words; "" without one.
        n, control_n: bars of the lot and control bars, >= 1 each.
        control_mpa: mean stress of the control bars, MPa.
        ratio: mean of the lot's bars by that.
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
    """The lot's bars, their mean, weakest and scatter (coefficient of variation); ratio to the control bars, None without any.

    `builds` has the ratio of each build that has control bars, `without_control` the other builds in words. `control_elsewhere` counts control bars of
    builds that have no bar of the lot. All three stay empty where builds are not told apart.
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
        """Bars of the lot itself."""
        return len(self.bars)

    @property
    def weakest_mpa(self) -> float:
        """Least stress at which a bar of the lot broke, MPa."""
        return min(bar.stress_mpa for bar in self.bars)

    @property
    def ratio_n(self) -> int:
        """Bars of the lot that the ratio rests on."""
        return sum(one.n for one in self.builds) if self.builds else self.n

    @property
    def control_means(self) -> dict[str | None, float]:
        """Build -> mean stress of its control bars, MPa."""
        return {one.key: one.control_mpa for one in self.builds}


def summarise(tests: Sequence[BondTest], by_build: bool = True, estimate: Estimate = OWN) -> BondSummary | None:
    """Returns what the bars of a lot say, or None when no bar of the lot itself was broken.

    A ratio to control bars printed beside them cancels what the printer and the day add; it is sturdier than the MPa. So the ratio is taken within each
    build and averaged over the builds (`by_builds`).

    Args:
        tests: bars of the lot and control bars.
        by_build: False puts all control bars together, as the rules before version 3 do.
        estimate: what else tells how bars scatter.

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
    """The uncertainty of the mean stress of bars of a lot."""
    groups = [[[test.stress_mpa] for test in some] for some in by_spool(own).values()]
    found = estimate.of_lot(("bond.stress",), groups, Instrument.of(own), by_reading=True)
    return found[0] if found else None


def _ratio(
    own: Sequence[BondTest], control: Sequence[BondTest], estimate: Estimate
) -> tuple[float, Uncertainty | None, float]:
    """Mean of bars by the mean of control bars, its uncertainty, and the mean of the control bars in MPa."""
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
    """Returns the ratio within each build, the builds without control bars in words, and how many control bars are of other builds.

    A control bar speaks for its own build only: another printer, or another day of the same printer, bonds layers otherwise. A build is one printer's.
    Bars without a build and control bars of the same printer without one belong together, since nobody said otherwise.

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
        says = _build_said(mine[0].origin)
        if not beside:
            without.append(f"{'in' if mine[0].origin.build else 'on'} {says}" if says else "")
            continue
        ratio, u, control_mpa = _ratio(mine, beside, estimate)
        found.append(BuildRatio(key, says, len(mine), len(beside), control_mpa, ratio, u))
    return tuple(found), tuple(without), sum(printed_together(t) not in keys for t in control)


def printed_together(test: BondTest) -> str:
    """Returns a key that bars of one build and recipe share."""
    return f"{test.origin.together}\t{test.origin.test_print or ''}"


def _build_said(origin: Origin) -> str:
    if origin.build is None:
        return f"printer {origin.printer}" if origin.printer else ""
    return f"build {origin.build}" + (f" on {origin.printer}" if origin.printer else "")


def _mean_of_builds(builds: Sequence[BuildRatio]) -> tuple[float | None, Uncertainty | None]:
    """The mean ratio over builds and its uncertainty: the larger of what the builds' own make of it, and of their scatter."""
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
    """Floors that a grade's limits set on bond; None sets none."""

    mean_min_mpa: float | None = None
    single_min_mpa: float | None = None
    control_ratio_min: float | None = None
    tests_min: int = FEWEST


def judge_bond(
    summary: BondSummary | None, limits: BondLimits, rule: DecisionRule, estimate: Estimate = OWN
) -> list[Finding]:
    """Returns the findings on bond: the mean, the worst single bar (one is enough to refuse), the ratio to the control bars.

    Args:
        summary: None when no bar of the lot was broken.

    Notes:
        A floor met here speaks of the material as printed in a test bar. It never says that a part is safe.
    """
    n = summary.n if summary else 0
    short = limits.tests_min - n
    lacking = f"{short} {'more ' if n else ''}bond {plural(short, 'test')} across the layers" if short > 0 else ""
    counted = plural(n, "bar")
    found = []
    if limits.mean_min_mpa is not None:
        varies = (
            ""
            if summary is None or summary.variation is None
            else f"Scatter {100 * summary.variation:.0f} % of the mean."
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
    """Judges the ratio to the control bars; bars of a build without control bars leave it missing."""
    n = summary.ratio_n if summary else 0
    return judge(
        "bond.control_ratio",
        Measured(
            summary.control_ratio if summary else None,
            n,
            plural(n, "bar"),
            uncertainty=summary.ratio_uncertainty if summary else None,
            detail=_against(summary) if summary and summary.control_n else "",
        ),
        limit,
        rule,
        todo=ToDo("; ".join(part for part in (lacking, _control_lacking(summary)) if part)),
    )


_UNSAID = "control bars printed in the same build and broken beside them, and marked as such"


def _control_lacking(summary: BondSummary | None) -> str:
    if summary is None or (not summary.control_n and not summary.without_control):
        return _UNSAID
    asked = [f"control bars printed {where}" if where else _UNSAID for where in summary.without_control]
    return "; ".join(asked)


def _against(summary: BondSummary) -> str:
    """The control bars in words, by build where builds are named."""
    if len(summary.builds) > 1:
        each = (
            f"{shown(one.ratio)} against {counted(one.control_n, 'control bar')} of {one.says or 'no stated build'}."
            for one in summary.builds
        )
        return " ".join(each)
    says = summary.builds[0].says if summary.builds else ""
    return f"Against {counted(summary.control_n, 'control bar')}{f' of {says}' if says else ''}."


def _worst_bar(
    summary: BondSummary | None, limit: Limit, rule: DecisionRule, lacking: str, estimate: Estimate
) -> Finding:
    """Judges every bar by itself: under a guard band a bar broken on a coarse machine can be in more doubt than a weaker one."""
    if summary is None:
        return unmeasured("bond.single", limit, rule, lacking, "bars")
    counted = plural(summary.n, "bar")
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


_STRESS_MPA = (0.1, 500.0)


def doubt_stress(field: str, stress_mpa: float) -> Doubt | None:
    """Returns a doubt when a breaking stress across layers cannot be that of a printed polymer.

    Example:
        >>> doubt_stress("stress_mpa", 12_100_000.0).hint
        'This looks like pascals: 12.1 MPa. Enter megapascals.'
    """
    low, high = _STRESS_MPA
    if low <= stress_mpa <= high:
        return None
    detail = f"{stress_mpa:g} MPa is not a plausible breaking stress of a printed bar."
    if field == "break_force_n":
        return Doubt(
            field, detail, "Check that the force is in newtons (1 kgf is 9.81 N) and the area in square millimetres."
        )
    if low <= stress_mpa / 1e6 <= high and stress_mpa >= 1e5:
        return Doubt(field, detail, f"This looks like pascals: {stress_mpa / 1e6:g} MPa. Enter megapascals.")
    if low <= stress_mpa / 145.038 <= high:
        return Doubt(field, detail, f"This looks like psi: {stress_mpa / 145.038:.1f} MPa. Enter megapascals.")
    return Doubt(field, detail, "Enter megapascals (N/mm2).")
