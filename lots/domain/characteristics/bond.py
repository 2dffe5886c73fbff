"""Bond between layers: breaking stress of bars pulled across the layers, alone and against control bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import stdev

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    QUALITY,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    RepeatFigure,
    Repeats,
    Values,
    WorkedOut,
)
from lots.domain.characteristics.declaring.figures import Figure, by_spool, mean, sum_of_squares
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, fewest
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin, of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.conformity.findings import Finding, judge, worst
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.statistics.summaries import mean_uncertainty, nested_uncertainty, worst_known
from lots.domain.words import counted


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
class BondSummary:
    """The lot's bars, their mean, weakest and scatter (coefficient of variation); ratio to the control bars, None without any."""

    bars: tuple[BondTest, ...]
    mean_mpa: float
    variation: float | None
    uncertainty: float | None
    control_ratio: float | None
    control_n: int
    ratio_uncertainty: float | None
    scatter: float | None = None

    @property
    def n(self) -> int:
        """Bars of the lot itself."""
        return len(self.bars)

    @property
    def weakest_mpa(self) -> float:
        """Least stress at which a bar of the lot broke, MPa."""
        return min(bar.stress_mpa for bar in self.bars)


def summarise(tests: Sequence[BondTest]) -> BondSummary | None:
    """Returns what the bars of a lot say, or None when no bar of the lot itself was broken.

    A ratio to control bars printed beside them cancels what the printer and the day add; it is sturdier than the MPa.

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
    u, scatter = nested_uncertainty(_per_spool(own), _machine(own), _step(own))
    ratio = ratio_u = None
    if control:
        beside = [t.stress_mpa for t in control]
        control_mean = math.fsum(beside) / len(beside)
        ratio = mean / control_mean
        control_u = mean_uncertainty(beside, _machine(control), _step(control))
        if u is not None and control_u is not None:
            ratio_u = ratio * math.hypot(u / mean, control_u / control_mean)
    variation = stdev(stresses) / mean if len(own) > 1 else None
    return BondSummary(tuple(own), mean, variation, u, ratio, len(control), ratio_u, scatter)


def _per_spool(tests: Sequence[BondTest]) -> list[list[float]]:
    groups: dict[str, list[float]] = {}
    for test in tests:
        groups.setdefault(test.spool, []).append(test.stress_mpa)
    return list(groups.values())


def _machine(tests: Sequence[BondTest]) -> float | None:
    return worst_known(t.uncertainty for t in tests)


def _step(tests: Sequence[BondTest]) -> float | None:
    return worst_known(t.resolution for t in tests)


@dataclass(frozen=True, slots=True)
class BondLimits:
    """Floors that a grade's limits set on bond; None sets none."""

    mean_min_mpa: float | None = None
    single_min_mpa: float | None = None
    control_ratio_min: float | None = None
    tests_min: int = 1


def judge_bond(summary: BondSummary | None, limits: BondLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the findings on bond: the mean, the worst single bar (one is enough to refuse), the ratio to the control bars.

    Args:
        summary: None when no bar of the lot was broken.

    Notes:
        A floor met here speaks of the material as printed in a test bar. It never says that a part is safe.
    """
    n = summary.n if summary else 0
    short = limits.tests_min - n
    lacking = (
        f"{short} {'more ' if n else ''}bond {'test' if short == 1 else 'tests'} across the layers" if short > 0 else ""
    )
    counted = "bar" if n == 1 else "bars"
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
                summary.mean_mpa if summary else None,
                Limit(limits.mean_min_mpa, None, "MPa"),
                rule,
                n=n,
                counted=counted,
                uncertainty=summary.uncertainty if summary else None,
                scatter=summary.scatter if summary else None,
                detail=varies,
                lacking=lacking,
            )
        )
    if limits.single_min_mpa is not None:
        found.append(_worst_bar(summary, Limit(limits.single_min_mpa, None, "MPa"), rule, counted, lacking))
    if limits.control_ratio_min is not None:
        no_control = (
            ""
            if summary and summary.control_n
            else "control bars printed in the same build and broken beside them, and marked as such"
        )
        found.append(
            judge(
                "bond.control_ratio",
                summary.control_ratio if summary else None,
                Limit(limits.control_ratio_min, None),
                rule,
                n=n,
                counted=counted,
                uncertainty=summary.ratio_uncertainty if summary else None,
                scatter=summary.ratio_uncertainty if summary else None,
                detail=f"Against {summary.control_n} control {'bar' if summary.control_n == 1 else 'bars'}."
                if summary and summary.control_n
                else "",
                lacking="; ".join(part for part in (lacking, no_control) if part),
            )
        )
    return found


def _worst_bar(summary: BondSummary | None, limit: Limit, rule: DecisionRule, counted: str, lacking: str) -> Finding:
    """Judges every bar by itself: under a guard band a bar broken on a coarse machine can be in more doubt than a weaker one."""
    if summary is None:
        return judge("bond.single", None, limit, rule, n=0, counted=counted, lacking=lacking)
    return worst(
        [
            judge(
                "bond.single",
                bar.stress_mpa,
                limit,
                rule,
                n=summary.n,
                counted=counted,
                uncertainty=bar.uncertainty,
                subject=f"spool {bar.spool}",
                lacking=lacking,
                conclusive=True,
                single=True,
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


def _assess(case: Case) -> Part:
    tests, limits = case.of("bond")
    tests = [*tests, *case.controls.get("bond", ())]
    summary, figures = summarise(tests), {}
    if summary:
        single = [mean([bar.stress_mpa for bar in group]) for group in by_spool(summary.bars).values()]
        ss = sum_of_squares(single)
        figures["bond.mean"] = Figure(summary.mean_mpa, len(single), ss, summary.uncertainty)
        if summary.control_ratio is not None:
            scale = summary.control_ratio / summary.mean_mpa
            ratio = Figure(summary.control_ratio, len(single), ss * scale**2, summary.ratio_uncertainty)
            figures["bond.control_ratio"] = ratio
    return Part(findings=judge_bond(summary, limits, case.rule) if limits else (), figures=figures)


def _reading(taken: Taken) -> BondTest:
    stress, control = taken.values["stress_mpa"], taken.values["control"]
    return BondTest(taken.spool, stress, control, taken.uncertainty, taken.resolution, taken.origin)


def _says(values: Values) -> str:
    force = f" ({values['break_force_n']:g} N on {values['area_mm2']:g} mm2)" if values.get("break_force_n") else ""
    printer = f", printer {values['printer']}" if values.get("printer") else ""
    return f"{values['stress_mpa']:g} MPa{force}{', control bar' if values.get('control') else ''}{printer}"


def _doubts(values: Values, _: float) -> list[Doubt]:
    force, area, stress = values.get("break_force_n"), values.get("area_mm2"), values.get("stress_mpa")
    if stress is not None and (force is not None or area is not None):
        hint = "Give either stress_mpa, or break_force_n with area_mm2."
        return [Doubt("stress_mpa", "The stress is given twice.", hint)]
    if stress is None and force is None:
        return [Doubt("stress_mpa", "What did the bar break at?", "Give stress_mpa, or break_force_n with area_mm2.")]
    if stress is None and area is None:
        lacking = "A force says nothing without the section it broke."
        return [Doubt("area_mm2", lacking, "Give area_mm2, the cross-section of the bar.")]
    given = "break_force_n" if stress is None else "stress_mpa"
    return list(filter(None, [doubt_stress(given, stress or stress_mpa(force or 0.0, area or 0.0))]))


def _floor(least: float | None, unit: str) -> Limit | None:
    return None if least is None else Limit(least, None, unit)


_MORE_OR_LESS = ("bonding more strongly", "bonding more weakly")
_STRENGTH = ("break_force_n", "area_mm2", "stress_mpa")
BOND = Characteristic(
    name="bond",
    title="Layer bond",
    path="/bond-tests",
    schema="Bond",
    summary="Store bars broken across their layers, and control bars.",
    about="A bar broken across its layers: `stress_mpa`, or `break_force_n` with `area_mm2`.",
    measured_by=QUALITY,
    fields=(
        Field("break_force_n", "force at break, N", above=0, high=1_000_000, together=_STRENGTH, said="the force"),
        Field(
            "area_mm2", "cross-section of the bar, mm2", above=0, high=10_000, together=_STRENGTH, said="the section"
        ),
        Field(
            "stress_mpa",
            "force at break by cross-section, MPa",
            above=0,
            stand_in=20.0,
            together=_STRENGTH,
            said="the stress",
        ),
        Field(
            "control",
            "true for a bar of the control material from the same build",
            type="truth",
            answered="true for a bar of the control material",
            default=False,
            stand_in=False,
        ),
        *printed_fields("the bar", control=False),
    ),
    worked_out=(WorkedOut("stress_mpa", ("break_force_n", "area_mm2"), stress_mpa),),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Floors on bond between layers.",
        fields=(
            LimitField("mean_min_mpa", "least mean breaking stress, MPa", asks=True, above=0, high=500),
            LimitField("single_min_mpa", "least breaking stress of any bar, MPa", asks=True, above=0, high=500),
            LimitField(
                "control_ratio_min", "least mean of the bars by that of the control bars", asks=True, above=0, high=10
            ),
            fewest("tests_min", "fewest bars broken"),
            by_test_print(),
        ),
        read=lambda block: BondLimits(**block),
        terms=lambda limits, _: f"Bond between layers from {counted(limits.tests_min, 'bar')} or more of the lot.",
    ),
    assess=_assess,
    spools_min=1,
    judged=(
        Judged("bond.mean", "Mean layer bond", covered=True),
        Judged("bond.single", "Worst bond specimen"),
        Judged("bond.control_ratio", "Bond against the control bars", covered=True),
    ),
    measures=(
        Measure(
            "bond.mean",
            "Mean layer bond",
            "MPa",
            *_MORE_OR_LESS,
            limit=lambda limits, _: _floor(limits.mean_min_mpa, "MPa"),
            level=True,
            forecast=True,
        ),
        Measure(
            "bond.control_ratio",
            "Bond against control bars",
            "",
            *_MORE_OR_LESS,
            decimals=3,
            limit=lambda limits, _: _floor(limits.control_ratio_min, ""),
            level=True,
            forecast=True,
        ),
    ),
    # Bars of the control material are no repeats of the lot's.
    repeats=Repeats(
        figures=(RepeatFigure("bond.stress", "breaking stress", "MPa", settles=("bond.mean",)),),
        of=lambda test: [("bond.stress", test.stress_mpa, (test.control,), 1.0)],
    ),
    instruments=("tensile",),
    instrument_unit="MPa",
    method="Printed bars were pulled across their layers until they broke. The stress is force over cross-section (ISO 527-1).",
    uses=("load_bearing", "flexing"),
    form=Form(
        "Bond",
        "Bar",
        5,
        (
            Entry("break_force_n", "Broke at, N"),
            Entry("area_mm2", "Section, mm²"),
            Entry("stress_mpa", "or stress, MPa"),
            Entry("control", "Control bar", form="tick"),
        ),
        shared=printed_entries(control=False),
        about="Give the force with the section, or the stress.",
    ),
)
