"""Declaration of interlayer strength: readings, limits, findings, figures, form and labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.characteristics.bond.lot_bond import (
    BondLimits,
    BondSummary,
    BondTest,
    doubt_stress,
    judge_bond,
    printed_together,
    stress_mpa,
    summarise,
)
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
from lots.domain.characteristics.declaring.neighbours import Far, within_factor
from lots.domain.characteristics.declaring.origin import of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt, doubt_area
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.uncertainty.budget import total
from lots.domain.words import counted, plural


def _assess(case: Case) -> Part:
    own, limits = case.of("bond")
    tests = [*own, *case.controls.get("bond", ())]
    by_build = case.rules > SECOND
    summary = summarise(tests, by_build, case.estimate)
    findings = judge_bond(summary, limits, case.rule, case.estimate) if limits else ()
    notes = _notes(summary, limits) if by_build and summary else ()
    return Part(findings=findings, figures=_figures(summary, by_build), notes=notes)


def _figures(summary: BondSummary | None, by_build: bool) -> dict[str, Figure]:
    if summary is None:
        return {}
    spools = by_spool(summary.bars).values()
    single = [mean([bar.stress_mpa for bar in group]) for group in spools]
    ss = sum_of_squares(single)
    figures = {"bond.mean": Figure(summary.mean_mpa, len(single), ss, total(summary.uncertainty))}
    if summary.control_ratio is None:
        return figures
    if by_build:
        ratios = [one for group in spools if (one := _mean_ratio(group, summary.control_means)) is not None]
        figure = Figure(summary.control_ratio, len(ratios), sum_of_squares(ratios), total(summary.ratio_uncertainty))
    else:
        scale = summary.control_ratio / summary.mean_mpa
        figure = Figure(summary.control_ratio, len(single), ss * scale**2, total(summary.ratio_uncertainty))
    return {**figures, "bond.control_ratio": figure}


def _mean_ratio(bars: Sequence[BondTest], beside: Mapping[str | None, float]) -> float | None:
    """Returns the mean ratio of a spool's specimens to the control specimens of their builds; None without controls."""
    keyed = ((bar.stress_mpa, printed_together(bar)) for bar in bars)
    ratios = [stress / beside[key] for stress, key in keyed if key in beside]
    return mean(ratios) if ratios else None


def _notes(summary: BondSummary, limits: BondLimits | None) -> list[str]:
    if not summary.control_elsewhere or limits is None or limits.control_ratio_min is None:
        return []
    does = plural(summary.control_elsewhere, "does", "do")
    left = counted(summary.control_elsewhere, "control specimen")
    return [f"{left} {does} not count, since no specimen of the lot is from the same build."]


def _reading(taken: Taken) -> BondTest:
    stress, control = taken.values["stress_mpa"], taken.values["control"]
    return BondTest(taken.spool, stress, control, taken.uncertainty, taken.resolution, taken.origin)


def _says(values: Values) -> str:
    force = f" ({values['break_force_n']:g} N on {values['area_mm2']:g} mm2)" if values.get("break_force_n") else ""
    printer = f", printer {values['printer']}" if values.get("printer") else ""
    return f"{values['stress_mpa']:g} MPa{force}{', control specimen' if values.get('control') else ''}{printer}"


# Plausible sections, from a thin strip to 4 cm by 5 cm; ISO 527-2 has 40 mm2. Common practice, no source.
_SECTION_MM2 = (1.0, 2000.0)


def _doubts(values: Values, _: float) -> list[Doubt]:
    force, area, stress = values.get("break_force_n"), values.get("area_mm2"), values.get("stress_mpa")
    if stress is not None and (force is not None or area is not None):
        hint = "Give either the stress, or the force with the cross-section."
        return [Doubt("stress_mpa", "The stress is given twice.", hint)]
    if stress is None and force is None:
        hint = "Give the stress, or the force with the cross-section."
        return [Doubt("stress_mpa", "The breaking stress is missing.", hint)]
    if stress is None and area is None:
        lacking = "A breaking force needs the cross-section of the specimen."
        return [Doubt("area_mm2", lacking, "Give the cross-section of the specimen.")]
    if area is not None and (doubt := doubt_area("area_mm2", area, "mm²", *_SECTION_MM2, "a cross-section")):
        return [doubt]
    given = "break_force_n" if stress is None else "stress_mpa"
    return list(filter(None, [doubt_stress(given, stress or stress_mpa(force or 0.0, area or 0.0))]))


def _floor(least: float | None, unit: str) -> Limit | None:
    return None if least is None else Limit(least, None, unit)


_MORE_OR_LESS = ("stronger", "weaker")
_STRENGTH = ("break_force_n", "area_mm2", "stress_mpa")


def _scales(limits: BondLimits, _: float, __: object) -> list[Scale]:
    if limits.single_min_mpa is None:
        return []
    floor = Limit(limits.single_min_mpa, None, "MPa")
    return [Scale(label="Breaking stress of one specimen", limit=floor, of=("stress_mpa",), decimals=1)]


BOND = Characteristic(
    name="bond",
    word="interlayer strength",
    title="Interlayer strength",
    path="/bond-tests",
    schema="Bond",
    summary="Store breaking stresses across the layers, of the lot and of control specimens.",
    about="A specimen broken across its layers: `stress_mpa`, or `break_force_n` with `area_mm2`.",
    measured_by=QUALITY,
    fields=(
        Field("break_force_n", "force at break, N", above=0, high=1_000_000, together=_STRENGTH, said="the force"),
        Field(
            "area_mm2",
            "cross-section of the specimen, mm2",
            above=0,
            high=10_000,
            together=_STRENGTH,
            said="the section",
        ),
        Field(
            "stress_mpa",
            "breaking force over cross-section, MPa",
            above=0,
            stand_in=20.0,
            together=_STRENGTH,
            said="the stress",
        ),
        Field(
            "control",
            "true for a control specimen from the same build",
            type="truth",
            answered="true for a control specimen",
            default=False,
            stand_in=False,
        ),
        *printed_fields("the specimen", control=False),
    ),
    worked_out=(WorkedOut("stress_mpa", ("break_force_n", "area_mm2"), stress_mpa),),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Lower limits on interlayer strength.",
        fields=(
            LimitField(
                "mean_min_mpa",
                "least mean breaking stress across the layers",
                label="Mean breaking stress, at least, MPa",
                proposal=20,
                asks=True,
                above=0,
                high=500,
            ),
            LimitField(
                "single_min_mpa",
                "least breaking stress of the weakest specimen",
                label="Each specimen, at least, MPa",
                proposal=14,
                asks=True,
                above=0,
                high=500,
            ),
            LimitField(
                "control_ratio_min",
                "least ratio of the mean to that of control specimens of the same build",
                label="Ratio to control specimens, at least",
                proposal=0.7,
                asks=True,
                above=0,
                high=10,
            ),
            fewest("tests_min", "fewest specimens of the lot", "Fewest specimens", 5),
            by_test_print(),
        ),
        read=lambda block: BondLimits(**block),
        terms=lambda limits, _: f"Interlayer strength from {counted(limits.tests_min, 'specimen')} or more of the lot.",
    ),
    assess=_assess,
    spools_min=1,
    judged=(
        Judged("bond.mean", "Mean interlayer strength", covered=True),
        Judged("bond.single", "Weakest specimen"),
        Judged("bond.control_ratio", "Interlayer strength relative to the control", covered=True),
    ),
    measures=(
        Measure(
            "bond.mean",
            "Mean interlayer strength",
            "MPa",
            *_MORE_OR_LESS,
            limit=lambda limits, _: _floor(limits.mean_min_mpa, "MPa"),
            plausible=(0, 500),
            level=True,
            forecast=True,
        ),
        Measure(
            "bond.control_ratio",
            "Interlayer strength relative to the control",
            "",
            *_MORE_OR_LESS,
            decimals=3,
            limit=lambda limits, _: _floor(limits.control_ratio_min, ""),
            plausible=(0, 10),
            level=True,
            forecast=True,
        ),
    ),
    # Interlayer strength varies much, but not threefold. Common practice, no source.
    far=Far(
        of=lambda test: [("the stress", test.stress_mpa, (test.control,))],
        band=within_factor(3.0),
        says="a factor of 3",
        unit="MPa",
        field="stress_mpa",
    ),
    # Control specimens are no repeats of the lot's.
    repeats=Repeats(
        figures=(RepeatFigure("bond.stress", "breaking stress", "MPa", settles=("bond.mean",)),),
        of=lambda test: [("bond.stress", test.stress_mpa, (test.control,), 1.0)],
    ),
    instruments=("tensile",),
    kinds=("tensile tester",),
    instrument_unit="MPa",
    method="Printed specimens were pulled across their layers until they broke. The stress is force over cross-section (ISO 527-1).",
    uses=("load_bearing", "flexing"),
    scales=_scales,
    form=Form(
        "Interlayer strength",
        "Specimen",
        5,
        (
            Entry("break_force_n", "Breaking force, N"),
            Entry("area_mm2", "Cross-section, mm²"),
            Entry("stress_mpa", "Or breaking stress, MPa"),
            Entry("control", "Control specimen", form="tick"),
        ),
        shared=printed_entries(control=False),
        about="Give the force with the cross-section, or the stress. Wear eye protection, since specimens can splinter.",
    ),
)
