"""Declaration of shrinkage: readings, limits, findings, figures, form and labels."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

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
    Studied,
    Values,
)
from lots.domain.characteristics.declaring.figures import Figure, by_spool, mean, sum_of_squares
from lots.domain.characteristics.declaring.limit_fields import FEWEST, LimitsBlock, Problem
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.origin import of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.printing import printed_entries, printed_fields
from lots.domain.characteristics.shrinkage.against_control import judge_against_control
from lots.domain.characteristics.shrinkage.doubts import SHRINK_BAND, doubt_shrinkage
from lots.domain.characteristics.shrinkage.judged_shrinkage import Start, judge_shrinkage, scales_along
from lots.domain.characteristics.shrinkage.limit_fields import LIMIT_FIELDS
from lots.domain.characteristics.shrinkage.lot_shrinkage import (
    AXES,
    AxisSummary,
    ShrinkageLimits,
    ShrinkTest,
    summarise,
)
from lots.domain.characteristics.shrinkage.separation import steps_alike
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.uncertainty.budget import total
from lots.domain.words import counted, plural


def _assess(case: Case) -> Part:
    recorded, limits = case.of("shrinkage")
    tests = [test for test in recorded if limits is None or limits.counts(test)]
    of_figure = case.rules > SECOND
    summary = summarise(tests, (limits or ShrinkageLimits({})).apart if of_figure else None, case.estimate)
    kept = {
        "shrinkage": {axis: found.percent for axis, found in summary.items()},
        "shrinkage_uncertainty": {
            axis: found.uncertainty.total for axis, found in summary.items() if found.uncertainty is not None
        },
    }
    basis = {axis: found.of for axis, found in summary.items() if of_figure}
    findings: list[Finding] = []
    notes = _notes(recorded, tests, limits) if limits else []
    if limits and case.judging:
        start, unlike = _start(case, tests, limits, basis)
        notes += unlike
        findings = judge_shrinkage(summary, limits, case.rule, start)
        controls = case.controls.get("shrinkage", ())
        findings += judge_against_control(tests, controls, limits, case.rule, case.estimate)
    freedom = _freedom(summary) if case.estimate.lengths else {}
    figures = _figures(tests, summary)
    return Part(findings=findings, kept=kept, figures=figures, notes=notes, basis=basis, freedom=freedom)


def _start(
    case: Case, tests: Sequence[ShrinkTest], limits: ShrinkageLimits, basis: Mapping[str, str]
) -> tuple[Start, list[str]]:
    """Returns the last accepted lot for steps, without axes that cannot be compared, and notes on those."""
    previous = case.previous
    before, notes = previous.shrinkage, _other_printers(case, tests, limits)
    if notes:
        before = {}
    elif case.rules > SECOND and limits.step_max_percent is not None:
        asked = {axis: percent for axis, percent in before.items() if axis in limits.percent}
        before, notes = steps_alike(basis, previous.basis.get("shrinkage") or {}, asked)
    freedom = previous.freedom.get("shrinkage") or {}
    return Start(before, previous.shrinkage_uncertainty, freedom, case.steps), notes


def _freedom(summary: Mapping[str, AxisSummary]) -> dict[str, float]:
    """Returns the degrees of freedom of each estimated uncertainty."""
    known = {axis: found.uncertainty.df for axis, found in summary.items() if found.uncertainty is not None}
    return {axis: df for axis, df in known.items() if not math.isinf(df)}


def _other_printers(case: Case, tests: Sequence[ShrinkTest], limits: ShrinkageLimits) -> list[str]:
    """Returns a note where both lots' printers are known and differ, so that no step is assessed; else an empty list.

    The scales of two printers differ by as much as lots do (`BETWEEN_PRINTERS`). From version 3 of the rules on.

    Reference:
        Common practice, no source.
    """
    now = {test.printer for test in tests if test.printer}
    before = case.previous.printers("shrinkage") if case.rules > SECOND and case.previous.shrinkage else set()
    if limits.step_max_percent is None or not now or not before or now == before:
        return []
    was, is_ = (" and ".join(sorted(some)) for some in (before, now))
    return [
        f"No shrinkage step is assessed, since the last accepted lot was printed on {was}, this lot on {is_}. Printers differ by 0.1 to 0.2 %."
    ]


def _by_print(tests: Sequence[ShrinkTest]) -> dict[str, list[float | None]]:
    """Returns shrinkage (%), standard uncertainty (%) and number of tests per axis, of one printer and recipe."""
    return {axis: [found.percent, total(found.uncertainty), found.n] for axis, found in summarise(tests).items()}


def _notes(recorded: Sequence[ShrinkTest], tests: Sequence[ShrinkTest], limits: ShrinkageLimits) -> list[str]:
    notes = []
    if left := sum(limits.of_age(test) and not limits.of_length(test) for test in recorded):
        was, does = plural(left, "specimen is", "specimens are"), plural(left, "does", "do")
        notes.append(f"{left} shrinkage {was} not of {limits.designed_mm:g} mm designed length and {does} not count.")
    if left := sum(not limits.of_age(test) for test in recorded):
        low, high = limits.age_h or (0, 0)
        was, does = plural(left, "specimen was", "specimens were"), plural(left, "does", "do")
        notes.append(f"{left} shrinkage {was} not measured {low:g} to {high:g} h after printing and {does} not count.")
    if len(printers := sorted({test.printer for test in tests if test.printer})) > 1:
        named = ", ".join(printers)
        notes.append(f"The shrinkage specimens are from several printers ({named}) with different scale errors.")
    return notes


def _figures(tests: Sequence[ShrinkTest], summary: Mapping[str, AxisSummary]) -> dict[str, Figure]:
    found = {}
    for axis, whole in summary.items():
        groups = by_spool(test for test in tests if test.axis == axis).values()
        single = [mean([_without_offset(test, whole.offset_mm or 0.0) for test in group]) for group in groups]
        found[f"shrinkage.{axis}"] = Figure(
            whole.percent, len(single), sum_of_squares(single), total(whole.uncertainty)
        )
    return found


def _without_offset(test: ShrinkTest, offset_mm: float) -> float:
    """Returns the shrinkage of one length without the bead offset, %, so that coupons of different lengths are comparable."""
    return test.percent + (1 if test.feature == "outside" else -1) * 100 * offset_mm / test.designed_mm


def _reading(taken: Taken) -> ShrinkTest:
    values = taken.values
    return ShrinkTest(
        taken.spool,
        values["axis"],
        values["feature"],
        values["designed_mm"],
        values["measured_mm"],
        values["age_h"],
        values.get("printer"),
        taken.uncertainty,
        taken.resolution,
        taken.origin,
    )


def _says(values: Values) -> str:
    printer = f", printer {values['printer']}" if values.get("printer") else ""
    lengths = f"{values['measured_mm']:g} mm of {values['designed_mm']:g} mm designed"
    return f"{values['axis'].upper()} {values['feature']}: {lengths}, {values['age_h']:g} h after printing{printer}"


def _doubts(values: Values, _: float) -> list[Doubt]:
    doubt = doubt_shrinkage(values["designed_mm"], values["measured_mm"])
    return [doubt] if doubt else []


def _limits(block: Values) -> ShrinkageLimits:
    percent = {axis: (float(ends[0]), float(ends[1])) for axis in AXES if (ends := block.get(f"{axis}_percent"))}
    age = block.get("age_h")
    least, step = block.get("tests_per_axis_min", FEWEST), block.get("step_max_percent")
    of = (block.get("basis"), block.get("designed_mm"), block.get("control_difference_max_percent"))
    return ShrinkageLimits(percent, step, least, (age[0], age[1]) if age else None, *of)


def _problems(block: Values) -> list[Problem]:
    found = []
    if block.get("designed_mm") is not None and block.get("basis") != "part":
        detail = "A designed length needs the basis part, since the shrinkage of one length includes the bead."
        found.append(("/designed_mm", detail, "Set basis to part, or leave out designed_mm."))
    for axis in AXES:
        ends = block.get(f"{axis}_percent")
        if ends and any(ends) and ends[0] <= ends[1] and max(abs(end) for end in ends) < 0.02:
            detail = f"A shrinkage of {ends[0]:g} to {ends[1]:g} % looks like a fraction."
            found.append((f"/{axis}_percent", detail, "Write percent, such as 0.3 for 0.3 %."))
    return found


def _terms(limits: ShrinkageLimits, _: float) -> str:
    aged = f", measured {limits.age_h[0]:g} to {limits.age_h[1]:g} h after printing" if limits.age_h else ""
    length = "" if limits.designed_mm is None else f" of {limits.designed_mm:g} mm"
    basis = {
        "part": f" The limits are on the part as measured{length}, which includes the bead.",
        "material": " The limits are on the material, without the bead.",
    }.get(limits.basis or "", "")
    return f"Shrinkage in % of the designed length, from {counted(limits.tests_per_axis_min, 'test')} or more per axis{aged}.{basis}"


def _measure(axis: str) -> Measure:
    along = f"along {axis.upper()}"
    return Measure(
        f"shrinkage.{axis}",
        f"Shrinkage {along}",
        "%",
        f"more shrinkage {along}",
        f"less shrinkage {along}",
        decimals=3,
        limit=lambda limits, _: limits.on(axis),
        spread=True,
        capable=True,
        forecast=True,
        plausible=SHRINK_BAND,
    )


def _repeated(axis: str) -> RepeatFigure:
    code = f"shrinkage.{axis}"
    label = f"shrinkage along {axis.upper()}"
    return RepeatFigure(code, label, "%", studied="shrinkage", settles=(code,), over="lot of one length")


_LENGTHS = ("designed_mm", "measured_mm")
SHRINKAGE = Characteristic(
    name="shrinkage",
    title="Shrinkage",
    path="/shrink-tests",
    schema="Shrink",
    summary="Store lengths of shrinkage coupons.",
    about="One length of one coupon. Axes are assessed separately.",
    measured_by=QUALITY,
    fields=(
        Field("axis", "axis of the printer", type="choice", longest=1, words=AXES, needed=True, stand_in="x"),
        Field(
            "feature",
            "outside: an outer length; inside: a hole or gap",
            type="choice",
            longest=7,
            words=("outside", "inside"),
            needed=True,
            stand_in="outside",
        ),
        Field(
            "designed_mm",
            "designed length, mm",
            needed=True,
            above=0,
            high=2000,
            stand_in=100.0,
            together=_LENGTHS,
            said="the designed length",
        ),
        Field(
            "measured_mm",
            "measured length, mm",
            needed=True,
            above=0,
            high=2000,
            stand_in=99.7,
            together=_LENGTHS,
            said="the measured length",
        ),
        Field(
            "age_h",
            "hours after printing",
            needed=True,
            low=0,
            high=100_000,
            stand_in=24.0,
            said="the hours since printing",
        ),
        *printed_fields("the coupon"),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    by_print=_by_print,
    comparable=lambda test, limits, _: test if limits is None or limits.counts(test) else None,
    not_comparable="not measured at the required age or on the required length",
    compared_by="age_h",
    limits=LimitsBlock(
        about="Limits on shrinkage along each axis, in %.",
        fields=LIMIT_FIELDS,
        read=_limits,
        problems=_problems,
        terms=_terms,
    ),
    assess=_assess,
    spools_min=1,
    judged=(
        *(Judged(f"shrinkage.{axis}", f"Shrinkage along {axis.upper()}", covered=True) for axis in AXES),
        *(
            Judged(f"shrinkage.step_{axis}", f"Step in {axis.upper()} shrinkage from the last accepted lot", step=True)
            for axis in AXES
        ),
        *(
            Judged(f"shrinkage.control_{axis}", f"{axis.upper()} shrinkage relative to the control", since=SECOND + 1)
            for axis in AXES
        ),
    ),
    # Limits on shrinkage and its steps are hundredths of a percent (common practice, no source).
    decimals=3,
    measures=tuple(_measure(axis) for axis in AXES),
    # Shrinkage of a lot varies by tenths of a percent. Common practice, no source.
    far=Far(
        of=lambda test: [("shrinkage", test.percent, (test.axis, test.feature, test.designed_mm))],
        band=within(1.0),
        says="1 % of the length",
        unit="%",
        field="measured_mm",
    ),
    # Coupons of another length or feature are no repeats of one another.
    repeats=Repeats(
        figures=tuple(_repeated(axis) for axis in AXES),
        of=lambda test: [
            (f"shrinkage.{test.axis}", test.percent, (test.feature, test.designed_mm), 100 / test.designed_mm)
        ],
    ),
    studied=(Studied("shrinkage", "length of coupons", "mm", 0, 2000),),
    instruments=("micromet", "caliper", "calliper", "laser"),
    kinds=("micrometer", "laser micrometer", "caliper"),
    instrument_unit="mm",
    method="Lengths of printed coupons were measured along each axis and compared with their design. With outside and inside lengths, or "
    "lengths of at least 5 : 1, the bead offset is separated from the shrinkage. Otherwise the shrinkage includes it.",
    uses=("fit",),
    carried=("shrinkage", "shrinkage_uncertainty"),
    step_terms=lambda block: [block[name] for name in ("basis", "designed_mm") if block.get(name) is not None],
    scales=scales_along,
    form=Form(
        "Shrinkage",
        "Length",
        6,
        (
            Entry("axis", "Axis", form="choice", options=tuple((axis, axis.upper()) for axis in AXES), preset=AXES),
            Entry("feature", "Feature", form="choice", options=(("outside", "outside"), ("inside", "inside"))),
            Entry("designed_mm", "Designed, mm", needed=True),
            Entry("measured_mm", "Measured, mm", needed=True),
        ),
        shared=(Entry("age_h", "Hours since printing", needed=True), *printed_entries()),
    ),
)
