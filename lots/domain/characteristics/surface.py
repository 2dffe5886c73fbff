"""Surface: specks counted on first layers, and the exact bound that a count supports."""

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
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin, of_the_lot
from lots.domain.characteristics.declaring.poisson_rate import Count, Words, figure_of, judge_rate
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.words import counted


@dataclass(frozen=True, slots=True)
class SurfaceCheck:
    """Specks counted on one first layer of `area_dm2`."""

    spool: str
    specks: int
    area_dm2: float
    origin: Origin = UNKNOWN


def summarise(checks: Sequence[SurfaceCheck]) -> Count | None:
    """Returns specks and area, dm2, over all layers looked at; None without any."""
    if not checks:
        return None
    return Count(sum(c.specks for c in checks), math.fsum(c.area_dm2 for c in checks), len(checks))


@dataclass(frozen=True, slots=True)
class SurfaceLimits:
    """Most specks per dm2, and the area to look at before saying so."""

    specks_per_dm2_max: float
    area_dm2_min: float = 0.0


def judge_surface(summary: Count | None, limits: SurfaceLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on specks: the rate as counted, with its exact upper bound in words.

    Under simple acceptance the counted rate is judged. Under guarded acceptance the bound must be inside the limit too: a
    clean layer that is too small to prove anything is `near`.

    Notes:
        More specks than the whole area asked for may carry are enough to refuse before it has all been looked at.
    """
    if summary is None:
        asked = f"{limits.area_dm2_min:g} dm2 of" if limits.area_dm2_min else "a"
        lacking = f"specks on {asked} first layer"
    else:
        short = limits.area_dm2_min - summary.amount
        lacking = f"specks on {short:.3g} dm2 more of first layer" if short > 1e-9 else ""
    most, least = limits.specks_per_dm2_max, limits.area_dm2_min
    return [judge_rate("surface.specks", summary, most, least, lacking, _WORDS, rule)]


_WORDS = Words(
    ("speck", "specks"),
    "dm2",
    lambda area: f"on {area:g} dm2",
    ("layer", "layers"),
    "a larger area, until the bound on the rate is inside the limit",
)


def _assess(case: Case) -> Part:
    checks, limits = case.of("surface")
    summary = summarise(checks)
    figures = {"surface.specks": figure_of(summary)} if summary else {}
    return Part(findings=judge_surface(summary, limits, case.rule) if limits else (), figures=figures)


def _reading(taken: Taken) -> SurfaceCheck:
    return SurfaceCheck(taken.spool, taken.values["specks"], taken.values["area_dm2"], taken.origin)


def _says(values: Values) -> str:
    return f"{counted(values['specks'], 'speck')} on {values['area_dm2']:g} dm2"


def _terms(limits: SurfaceLimits, _: float) -> str:
    return f"Specks on {limits.area_dm2_min:g} dm2 of first layer or more." if limits.area_dm2_min else ""


SURFACE = Characteristic(
    name="surface",
    word="specks",
    title="Specks",
    path="/surface-checks",
    schema="Surface",
    summary="Store specks counted on first layers.",
    about="Specks counted on a first layer.",
    measured_by=QUALITY,
    fields=(
        Field("specks", "counted on the area", type="whole", needed=True, low=0, high=1_000_000, stand_in=0),
        Field("area_dm2", "first layer looked at, dm2", needed=True, above=0, high=1000, stand_in=1.0, said="the area"),
        *printed_fields("the first layer"),
    ),
    reading=_reading,
    says=_says,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Limit on specks of a first layer.",
        fields=(
            LimitField("specks_per_dm2_max", "most specks per dm2 of first layer", needed=True, low=0, high=10_000),
            LimitField("area_dm2_min", "least area looked at, dm2", low=0, high=1000, default=0.0),
            by_test_print(),
        ),
        read=lambda block: SurfaceLimits(**block),
        terms=_terms,
    ),
    assess=_assess,
    judged=(Judged("surface.specks", "Specks on the first layer"),),
    measures=(
        Measure(
            "surface.specks",
            "Specks on the first layer",
            "per dm2",
            "more specks",
            "fewer specks",
            limit=lambda limits, _: Limit(None, limits.specks_per_dm2_max, "per dm2"),
        ),
    ),
    repeats=Repeats(
        none="Specks are counts: how sure their rate is follows from the count itself, and more area makes it surer."
    ),
    method="Specks were counted on printed first layers: all specks seen over all the area looked at.",
    form=Form(
        "Surface",
        "First layer",
        3,
        (Entry("specks", "Specks", needed=True), Entry("area_dm2", "on an area of, dm²", needed=True)),
        shared=printed_entries(),
        about="1 dm² is 10 cm by 10 cm.",
    ),
)
