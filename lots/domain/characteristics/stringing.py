"""Stringing: hairs counted between the towers of a test print, with exact Poisson bounds.

It depends on the lot (moisture, flow, pigment) and is most visible on white. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    BENCH,
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
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.poisson_rate import Count, Words, figure_of, judge_rate
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.declaring.spool_rates import SpoolRates, judge_each, of_lot
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.words import counted, plural


@dataclass(frozen=True, slots=True)
class StringingCheck:
    """Hairs counted in the gaps between the towers of one test print; `gaps` is above 0."""

    spool: str
    hairs: int
    gaps: int
    origin: Origin = UNKNOWN


@dataclass(frozen=True, slots=True)
class StringingLimits:
    """Most hairs per gap, and the fewest gaps to count."""

    hairs_per_gap_max: float
    gaps_min: int = 0


def together(checks: Sequence[StringingCheck]) -> Count | None:
    """Returns the total of hairs and gaps over all test prints, None without any."""
    if not checks:
        return None
    return Count(sum(check.hairs for check in checks), sum(check.gaps for check in checks), len(checks))


def judge_stringing(found: Count | None, limits: StringingLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on hairs per gap.

    Args:
        found: all test prints together; None without any.
        limits: on stringing.
        rule: simple or guarded acceptance.

    Reference:
        Hairs are taken as rare and independent, so their count is Poisson (see poisson_rate.judge_rate). Common practice, no source.
    """
    most, least = limits.hairs_per_gap_max, float(limits.gaps_min)
    return [judge_rate("stringing.hairs", found, most, least, _lacking(found, limits), _WORDS, rule)]


def _lacking(found: Count | None, limits: StringingLimits) -> str:
    """Returns the next action, "" when complete."""
    short = limits.gaps_min - (found.amount if found else 0)
    if limits.gaps_min and short > 0:
        return f"count hairs in {short:g} {'more ' if found else ''}{plural(short, 'gap')} of a test print"
    return "count the hairs between the towers of a test print" if found is None else ""


def judge_spool_hairs(
    checks: Sequence[StringingCheck], limits: StringingLimits, rule: DecisionRule
) -> tuple[list[Finding], list[Finding]]:
    """Returns the findings on hairs of the lot and of its worst spool, and those on each spool (see spool_rates.judge_each)."""
    found = together(checks)
    rates = SpoolRates.of({spool: one for spool, group in by_spool(checks).items() if (one := together(group))})
    most, lacking = limits.hairs_per_gap_max, _lacking(found, limits)
    each = judge_each(_OF_SPOOL, rates, most, lacking, _WORDS, rule)
    pooled = [rates.noted(finding) for finding in judge_stringing(found, limits, rule)]
    return [*pooled, of_lot(_OF_SPOOL, each, most, lacking, _WORDS, rule)], each


_OF_SPOOL = "stringing.spool_hairs"


# Most hairs in one gap that can be counted. Common practice, no source.
_MOST_IN_A_GAP = 100
_WORDS = Words(
    ("hair", "hairs"),
    "gap",
    lambda gaps: f"in {counted(int(gaps), 'gap')}",
    ("print", "prints"),
    "count more gaps until the upper bound of the rate is inside the limit",
)


def _assess(case: Case) -> Part:
    checks, limits = case.of("stringing")
    found = together(checks)
    figures = {"stringing.hairs": figure_of(found)} if found else {}
    if not limits:
        return Part(figures=figures)
    if case.rules <= SECOND:
        return Part(findings=judge_stringing(found, limits, case.rule), figures=figures)
    findings, each = judge_spool_hairs(checks, limits, case.rule)
    return Part(findings=findings, each=each, measured=frozenset(check.spool for check in checks), figures=figures)


def _reading(taken: Taken) -> StringingCheck:
    return StringingCheck(taken.spool, taken.values["hairs"], taken.values["gaps"], taken.origin)


def _doubts(values: Values, _: float) -> list[Doubt]:
    hairs, gaps = values["hairs"], values["gaps"]
    if hairs <= _MOST_IN_A_GAP * gaps:
        return []
    detail = f"{hairs} hairs in {counted(gaps, 'gap')} exceed the plausible maximum of {_MOST_IN_A_GAP} per gap."
    return [Doubt("hairs", detail, "Check whether hairs and gaps were swapped.")]


def _says(values: Values) -> str:
    return f"{counted(values['hairs'], 'hair')} in {counted(values['gaps'], 'gap')}"


def _scales(limits: StringingLimits, _: float, __: object) -> list[Scale]:
    scale = Scale(
        label="Hairs per gap",
        limit=Limit(None, limits.hairs_per_gap_max),
        of=("hairs", "gaps"),
        how="computed",
        work_out=lambda values: values["hairs"] / values["gaps"] if values.get("gaps") else None,
        holds_for="all test prints together",
        decimals=2,
    )
    return [scale]


STRINGING = Characteristic(
    name="stringing",
    title="Stringing",
    path="/stringing-checks",
    schema="Stringing",
    summary="Store hairs counted between the towers of test prints.",
    about="Hairs counted in the gaps between the towers of a test print.",
    measured_by=BENCH,
    fields=(
        Field("hairs", "hairs counted in all gaps", type="whole", needed=True, low=0, high=1_000_000, stand_in=0),
        Field("gaps", "gaps between towers inspected", type="whole", needed=True, low=1, high=100_000, stand_in=10),
        *printed_fields("the towers"),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Limit on hairs between the towers of a test print.",
        fields=(
            LimitField(
                "hairs_per_gap_max",
                "most hairs per gap between two towers",
                label="Hairs per gap, at most",
                needed=True,
                low=0,
                high=1000,
            ),
            LimitField(
                "gaps_min",
                "fewest gaps to inspect",
                label="Fewest gaps",
                type="whole",
                low=0,
                high=100_000,
                default=0,
            ),
            by_test_print(),
        ),
        read=lambda block: StringingLimits(**block),
        terms=lambda limits, _: f"Hairs in {counted(limits.gaps_min, 'gap')} or more." if limits.gaps_min else "",
    ),
    assess=_assess,
    judged=(
        Judged("stringing.hairs", "Hairs between towers"),
        Judged("stringing.spool_hairs", "Hairs of the worst spool", of_spool=True, since=SECOND + 1),
    ),
    measures=(
        Measure(
            "stringing.hairs",
            "Hairs between towers",
            "per gap",
            "more stringing",
            "less stringing",
            limit=lambda limits, _: Limit(None, limits.hairs_per_gap_max, "per gap"),
            plausible=(0, 1000),
        ),
    ),
    repeats=Repeats(
        none="Hairs are counts. The uncertainty of their rate follows from the count, and more gaps reduce it."
    ),
    method="A test print of towers was made from the spool, and the hairs between its towers were counted.",
    scales=_scales,
    form=Form(
        "Stringing",
        "Test print",
        3,
        (Entry("hairs", "Hairs", needed=True), Entry("gaps", "Gaps inspected", needed=True)),
        shared=printed_entries(),
        about="Count the hairs in each gap between two towers, by eye and in good light.",
    ),
)
