"""Surface: specks counted on first layers, with exact Poisson bounds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    QUALITY,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    Repeats,
    Values,
)
from lots.domain.characteristics.declaring.figures import by_spool
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin, of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt, doubt_area
from lots.domain.characteristics.declaring.poisson_rate import Count, Words, figure_of, judge_rate
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.declaring.spool_rates import SpoolRates, judge_each, of_lot
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, ToDo, judge
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.receiving.coverage import named
from lots.domain.words import counted, plural


@dataclass(frozen=True, slots=True)
class SurfaceCheck:
    """Specks counted on one first layer of `area_dm2`, and the size of the largest, mm, None where not stated.

    `uncertainty` is the standard uncertainty of that size, mm.
    """

    spool: str
    specks: int
    area_dm2: float
    largest_mm: float | None = None
    uncertainty: float | None = None
    origin: Origin = UNKNOWN


def summarise(checks: Sequence[SurfaceCheck]) -> Count | None:
    """Returns the total of specks and area, dm2, over all layers; None without any."""
    if not checks:
        return None
    return Count(sum(c.specks for c in checks), math.fsum(c.area_dm2 for c in checks), len(checks))


@dataclass(frozen=True, slots=True)
class SurfaceLimits:
    """Most specks per dm², the least area to inspect, dm², and the largest speck, mm."""

    specks_per_dm2_max: float
    area_dm2_min: float = 0.0
    largest_max_mm: float | None = None


def judge_surface(summary: Count | None, limits: SurfaceLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on the rate of specks (see poisson_rate.judge_rate)."""
    most, least = limits.specks_per_dm2_max, limits.area_dm2_min
    return [judge_rate("surface.specks", summary, most, least, _lacking(summary, limits), _WORDS, rule)]


def _lacking(summary: Count | None, limits: SurfaceLimits) -> str:
    """Returns the next action, "" when complete."""
    if summary is None:
        asked = f"{limits.area_dm2_min:g} dm² of the" if limits.area_dm2_min else "a"
        return f"count specks on {asked} first layer"
    short = limits.area_dm2_min - summary.amount
    return f"count specks on {short:.3g} dm² more of the first layer" if short > 1e-9 else ""


def judge_spool_specks(
    checks: Sequence[SurfaceCheck], limits: SurfaceLimits, rule: DecisionRule
) -> tuple[list[Finding], list[Finding]]:
    """Returns the findings on specks of the lot and of its worst spool, and those on each spool (see spool_rates.judge_each)."""
    summary = summarise(checks)
    rates = SpoolRates.of({spool: one for spool, group in by_spool(checks).items() if (one := summarise(group))})
    most, lacking = limits.specks_per_dm2_max, _lacking(summary, limits)
    each = judge_each(_OF_SPOOL, rates, most, lacking, _WORDS, rule)
    pooled = [rates.noted(finding) for finding in judge_surface(summary, limits, rule)]
    return [*pooled, of_lot(_OF_SPOOL, each, most, lacking, _WORDS, rule)], each


def judge_largest(checks: Sequence[SurfaceCheck], limits: SurfaceLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on the largest speck, an empty list without such a limit.

    A check with specks but no size leaves the finding missing. A size beyond the limit fails in any case.

    Reference:
        Common practice, no source: few large specks are more visible than many fine ones.
    """
    if limits.largest_max_mm is None:
        return []
    limit, lacking = Limit(None, limits.largest_max_mm, "mm"), _lacking(summarise(checks), limits)
    silent = [check.spool for check in checks if check.specks and check.largest_mm is None]
    if silent:
        codes = sorted(set(silent))
        lacking = f"state the size of the largest speck ({plural(len(codes), 'spool')} {named(codes)})"
    sizes = [check for check in checks if check.largest_mm is not None]
    if not sizes:
        # Without specks the largest size is 0.
        none = 0.0 if checks and not silent else None
        return [
            judge(
                "surface.largest",
                Measured(none, len(checks), _layers(checks), guard=0.0),
                limit,
                rule,
                todo=ToDo(lacking),
            )
        ]
    largest = max(sizes, key=lambda check: check.largest_mm or 0.0)
    return [
        judge(
            "surface.largest",
            Measured(largest.largest_mm, len(checks), _layers(checks), uncertainty=largest.uncertainty, single=True),
            limit,
            rule,
            subject=f"spool {largest.spool}",
            todo=ToDo(lacking, conclusive=True),
        )
    ]


def _layers(checks: Sequence[SurfaceCheck]) -> str:
    return plural(len(checks), *_WORDS.piece)


_OF_SPOOL = "surface.spool_specks"


_WORDS = Words(
    ("speck", "specks"),
    "dm2",
    lambda area: f"on {area:g} dm²",
    ("layer", "layers"),
    "inspect a larger area until the upper bound of the rate is inside the limit",
)


def _assess(case: Case) -> Part:
    checks, limits = case.of("surface")
    summary = summarise(checks)
    figures = {"surface.specks": figure_of(summary)} if summary else {}
    if not limits:
        return Part(figures=figures)
    if case.rules <= SECOND:
        return Part(findings=judge_surface(summary, limits, case.rule), figures=figures)
    findings, each = judge_spool_specks(checks, limits, case.rule)
    findings += judge_largest(checks, limits, case.rule)
    return Part(findings=findings, each=each, measured=frozenset(check.spool for check in checks), figures=figures)


def _reading(taken: Taken) -> SurfaceCheck:
    values = taken.values
    size = values.get("largest_mm")
    return SurfaceCheck(taken.spool, values["specks"], values["area_dm2"], size, taken.uncertainty, taken.origin)


def _says(values: Values) -> str:
    size = f", the largest {values['largest_mm']:g} mm" if values.get("largest_mm") is not None else ""
    return f"{counted(values['specks'], 'speck')} on {values['area_dm2']:g} dm²{size}"


# Plausible areas, from a strip of 1 mm by 10 cm to four beds of 22 cm by 22 cm. Common practice, no source.
_AREA_DM2 = (0.01, 20.0)


def _doubts(values: Values, _: float) -> list[Doubt]:
    doubt = doubt_area("area_dm2", values["area_dm2"], "dm²", *_AREA_DM2, "a first layer")
    found = [doubt] if doubt else []
    if values.get("largest_mm") is not None and not values["specks"]:
        detail = "The largest speck has a size, but the count of specks is 0."
        found.append(Doubt("largest_mm", detail, "Correct the count, or leave out the size."))
    return found


def _terms(limits: SurfaceLimits, _: float) -> str:
    return f"Specks on {limits.area_dm2_min:g} dm² of the first layer or more." if limits.area_dm2_min else ""


def _scales(limits: SurfaceLimits, _: float, __: object) -> list[Scale]:
    found = [
        Scale(
            label="Specks per dm²",
            limit=Limit(None, limits.specks_per_dm2_max),
            of=("specks", "area_dm2"),
            how="computed",
            work_out=lambda values: values["specks"] / values["area_dm2"] if values.get("area_dm2") else None,
            holds_for="all first layers together",
            decimals=2,
        )
    ]
    if limits.largest_max_mm is not None:
        found.append(Scale(label="Largest speck", limit=Limit(None, limits.largest_max_mm, "mm"), of=("largest_mm",)))
    return found


SURFACE = Characteristic(
    name="surface",
    word="specks",
    title="Specks",
    path="/surface-checks",
    schema="Surface",
    summary="Store counts of specks on first layers.",
    about="Specks counted on a first layer.",
    measured_by=QUALITY,
    fields=(
        Field("specks", "specks counted on the area", type="whole", needed=True, low=0, high=1_000_000, stand_in=0),
        Field(
            "area_dm2",
            "inspected area of the first layer, dm²",
            needed=True,
            above=0,
            high=1000,
            stand_in=1.0,
            said="the area",
        ),
        Field("largest_mm", "across the largest speck, mm", low=0.01, high=10, said="the size of the largest speck"),
        *printed_fields("the first layer"),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Limit on specks of a first layer.",
        fields=(
            LimitField(
                "specks_per_dm2_max",
                "most specks per dm² of the first layer",
                label="Specks per dm², at most",
                proposal=2,
                needed=True,
                low=0,
                high=10_000,
            ),
            LimitField(
                "area_dm2_min",
                "least area to inspect",
                label="Area, at least, dm²",
                proposal=2,
                low=0,
                high=1000,
                default=0.0,
            ),
            LimitField(
                "largest_max_mm", "largest speck, measured across", label="Largest speck, at most, mm", above=0, high=10
            ),
            by_test_print(),
        ),
        read=lambda block: SurfaceLimits(**block),
        terms=_terms,
    ),
    assess=_assess,
    judged=(
        Judged("surface.specks", "Specks on the first layer"),
        Judged("surface.spool_specks", "Specks of the worst spool", of_spool=True, since=SECOND + 1),
        Judged("surface.largest", "Largest speck", limited_by="largest_max_mm", since=SECOND + 1),
    ),
    measures=(
        Measure(
            "surface.specks",
            "Specks on the first layer",
            "per dm2",
            "more specks",
            "fewer specks",
            limit=lambda limits, _: Limit(None, limits.specks_per_dm2_max, "per dm2"),
            plausible=(0, 10_000),
        ),
    ),
    repeats=Repeats(
        none="Specks are counts. The uncertainty of their rate follows from the count, and more area reduces it."
    ),
    method="Specks were counted on printed first layers. The rate is the total of specks over the total area.",
    scales=_scales,
    form=Form(
        "Surface",
        "First layer",
        3,
        (
            Entry("specks", "Specks", needed=True),
            Entry("area_dm2", "Area, dm²", needed=True),
            Entry("largest_mm", "Largest speck, mm"),
        ),
        shared=printed_entries(),
        about="1 dm² is 10 cm by 10 cm.",
    ),
)
