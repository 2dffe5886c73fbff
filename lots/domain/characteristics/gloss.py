"""Gloss in gloss units (GU) at 20, 60 and 85 degrees, assessed as the mean per spool and angle."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    BENCH,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    RepeatFigure,
    Repeats,
    Values,
)
from lots.domain.characteristics.declaring.estimate import OWN, Estimate
from lots.domain.characteristics.declaring.figures import of_units
from lots.domain.characteristics.declaring.limit_fields import FEWEST, LimitField, LimitsBlock, fewest
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin, of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.declaring.spool_means import SpoolMean, judge_means, spool_means
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage

# Degrees from the perpendicular (ISO 2813).
ANGLES = (20, 60, 85)
# Range of gloss at 60 degrees, ends included, for which 60 degrees is the best angle; below it is 85, above 20 (ISO 2813).
SEMI_GLOSS = (10.0, 70.0)
# Refractive index at 587.6 nm of polished black glass with 100 GU at every angle (ISO 2813).
GLASS_INDEX = 1.567
# Upper bound of the refractive index of common polymers (handbook values are 1.35 to 1.66), from memory.
_POLYMER_INDEX = 1.7
# Pearl and metal fillers add reflection. A reading above this multiple of the smooth surface is doubted. Common practice, no source.
_FILLER_FACTOR = 1.5


@cache
def smooth_gloss(angle_deg: int, index: float) -> float:
    """Returns the gloss of a perfectly smooth black surface, GU: its reflectance relative to the standard glass.

    Args:
        angle_deg: 20, 60 or 85.
        index: refractive index, > 1; infinity for a perfect mirror.

    Raises:
        ValueError: an argument out of its range.

    Reference:
        ISO 2813 (definition of the gloss value); Fresnel's equations for unpolarised light, any optics handbook.

    Example:
        >>> [round(smooth_gloss(angle, 1.4), 1) for angle in (20, 60, 85)]
        [57.0, 71.9, 96.6]
    """
    _check_angle(angle_deg)
    if not index > 1:
        raise ValueError(f"index is {index!r}; it must be above 1")
    return 100 * _reflectance(angle_deg, index) / _reflectance(angle_deg, GLASS_INDEX)


def _reflectance(angle_deg: int, index: float) -> float:
    if math.isinf(index):
        return 1.0
    straight, across = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    inside = math.sqrt(index * index - across * across)
    perpendicular = (straight - inside) / (straight + inside)
    parallel = (index * index * straight - inside) / (index * index * straight + inside)
    return (perpendicular * perpendicular + parallel * parallel) / 2


def _check_angle(angle_deg: int) -> None:
    if angle_deg not in ANGLES:
        raise ValueError(f"angle_deg is {angle_deg!r}; it must be 20, 60 or 85 degrees")


@dataclass(frozen=True, slots=True)
class GlossReading:
    """One gloss reading.

    Args:
        spool: code of the spool the plaque was printed from.
        angle_deg: 20, 60 or 85.
        gu: gloss units, from 0 to that of a perfect mirror: 2038 at 20 degrees, 999 at 60, 162 at 85.
        uncertainty: standard uncertainty of the glossmeter, GU, >= 0; None when unknown.
        resolution: smallest displayed step, GU, > 0; None when unknown.

    Raises:
        ValueError: a number out of its range; the message quotes field, value and range.

    Notes:
        Readings at different angles are on different scales and are never averaged or compared.

    Reference:
        ISO 2813; ASTM D523 has the same three geometries.
    """

    spool: str
    angle_deg: int
    gu: float
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN

    def __post_init__(self) -> None:
        _check_angle(self.angle_deg)
        mirror = smooth_gloss(self.angle_deg, math.inf)
        if not 0 <= self.gu <= mirror:
            raise ValueError(
                f"gu is {self.gu!r}; at {self.angle_deg} degrees it must be a number from 0 to {mirror:.0f}"
            )
        if self.uncertainty is not None and not (math.isfinite(self.uncertainty) and self.uncertainty >= 0):
            raise ValueError(f"uncertainty is {self.uncertainty!r}; it must be a number, 0 or more")


def geometry_for(gu_60: float) -> int:
    """Returns the best angle, degrees, for a surface with this gloss at 60 degrees.

    Args:
        gu_60: gloss at 60 degrees, GU, >= 0. Every surface is measured at 60 degrees first.

    Raises:
        ValueError: not a number of 0 or more.

    Reference:
        ISO 2813: 60 degrees for all, 85 for low gloss below 10 GU at 60 degrees, 20 for high gloss above 70 GU at 60 degrees.

    Example:
        >>> geometry_for(3.2), geometry_for(10), geometry_for(92)
        (85, 60, 20)
    """
    if not (math.isfinite(gu_60) and gu_60 >= 0):
        raise ValueError(f"gu_60 is {gu_60!r}; it must be a number, 0 or more")
    low, high = SEMI_GLOSS
    if gu_60 < low:
        return 85
    return 20 if gu_60 > high else 60


def doubt_gloss(angle_deg: int, gu: float) -> Doubt | None:
    """Returns a doubt when a gloss is not plausible for a printed plastic.

    Args:
        angle_deg: 20, 60 or 85.
        gu: as entered, GU.

    Raises:
        ValueError: the angle is not 20, 60 or 85.

    Notes:
        Doubted above 206 GU at 20 degrees, 180 at 60, 152 at 85: 1.5 times the gloss of the smoothest plastic of the highest refractive index.
        The factor is common practice, no source.

    Example:
        >>> doubt_gloss(60, 925.0).hint
        'The decimal point looks misplaced: did you mean 92.5?'
    """
    most = _FILLER_FACTOR * smooth_gloss(angle_deg, _POLYMER_INDEX)
    if 0 <= gu <= most:
        return None
    detail = f"{gu:g} GU is not a plausible gloss at {angle_deg} degrees. The plausible range of plastics is 0 to {most:.0f} GU."
    if most < gu <= 10 * most:
        return Doubt("gloss_gu", detail, f"The decimal point looks misplaced: did you mean {gu / 10:g}?")
    return Doubt("gloss_gu", detail, "Check the glossmeter on its black glass, and check the angle.")


def summarise(readings: Sequence[GlossReading], estimate: Estimate = OWN) -> dict[int, dict[str, SpoolMean]]:
    """Returns the mean gloss per angle and spool, GU; angles without readings are left out."""
    angles = sorted({reading.angle_deg for reading in readings})
    at = {angle: [reading for reading in readings if reading.angle_deg == angle] for angle in angles}
    return {angle: spool_means(some, lambda r: r.gu, f"gloss.gu_{angle}", estimate) for angle, some in at.items()}


@dataclass(frozen=True, slots=True)
class GlossLimits:
    """Limits on gloss.

    Args:
        gu: angle -> (least, most) in GU, either may be None; at least one angle.
        readings_per_spool_min: readings needed per spool and angle, >= 1.

    Raises:
        ValueError: no angle, an angle other than 20, 60 or 85, an end out of its range, or reversed ends.
    """

    gu: Mapping[int, tuple[float | None, float | None]]
    readings_per_spool_min: int = FEWEST

    def on(self, angle: int) -> Limit | None:
        """Returns the limit at an angle, GU; None without one."""
        low, high = self.gu.get(angle, (None, None))
        return None if angle not in self.gu else Limit(low, high, "GU")

    def __post_init__(self) -> None:
        if not self.gu:
            raise ValueError("gloss limits need an angle")
        if self.readings_per_spool_min < 1:
            raise ValueError(f"readings_per_spool_min is {self.readings_per_spool_min!r}; it must be at least 1")
        for angle, (low, high) in self.gu.items():
            _check_angle(angle)
            if any(end is not None and end < 0 for end in (low, high)):
                raise ValueError(f"gloss at {angle} degrees is 0 GU or more, got limits {low!r} and {high!r}")
            Limit(low, high, "GU")


def judge_gloss(
    summary: Mapping[int, Mapping[str, SpoolMean]], limits: GlossLimits, coverage: Coverage, rule: DecisionRule
) -> list[Finding]:
    """Returns the findings on gloss, one per angle with a limit, on the worst spool.

    Args:
        summary: per angle and spool, from `summarise`.
        limits: on gloss.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.

    Notes:
        Each spool is assessed, since a mean inside two ends could hide spools outside. One complete spool outside fails the lot. A finding at 60
        degrees recommends another angle where ISO 2813 does and the limits do not include it.

    Reference:
        ISO 2813 for the angles. Assessment of single spools is this project's rule, no source.
    """
    found = []
    for angle, (low, high) in sorted(limits.gu.items()):
        code, limit, least = f"gloss.gu_{angle}", Limit(low, high, "GU"), limits.readings_per_spool_min
        better = (lambda gu: _angle_advice(gu, limits)) if angle == 60 else (lambda _: "")
        means, what = summary.get(angle, {}), f"{angle}-degree gloss"
        found.append(judge_means(code, means, limit, least, what, coverage, rule, better))
    return found


def _angle_advice(gu_60: float, limits: GlossLimits) -> str:
    """Returns a sentence where the limits leave out the best angle, else ""."""
    best = geometry_for(gu_60)
    return "" if best in limits.gu else f"At this gloss, {best} degrees separates samples better (ISO 2813)."


def _assess(case: Case) -> Part:
    readings, limits = case.of("gloss")
    summary = summarise(readings, case.estimate)
    figures = {f"gloss.gu_{angle}": of_units([one.value for one in means.values()]) for angle, means in summary.items()}
    findings = judge_gloss(summary, limits, case.coverage, case.rule) if limits and case.judging else ()
    return Part(findings=findings, figures=figures)


def _reading(taken: Taken) -> GlossReading:
    values = taken.values
    known = (taken.uncertainty, taken.resolution, taken.origin)
    return GlossReading(taken.spool, values["geometry_deg"], values["gloss_gu"], *known)


def _doubts(values: Values, _: float) -> list[Doubt]:
    doubt = doubt_gloss(values["geometry_deg"], values["gloss_gu"])
    return [doubt] if doubt else []


def _limits(block: Values) -> GlossLimits:
    gu = {angle: (ends[0], ends[1]) for angle in ANGLES if (ends := block.get(f"deg_{angle}_gu"))}
    return GlossLimits(gu, block.get("readings_per_spool_min", FEWEST))


def _measure(angle: int) -> Measure:
    return Measure(
        f"gloss.gu_{angle}",
        f"Gloss at {angle} degrees",
        "GU",
        "glossier",
        "duller",
        decimals=1,
        limit=lambda limits, _: limits.on(angle),
        plausible=(0, _MOST_GU[angle]),
    )


def _repeated(angle: int) -> RepeatFigure:
    code = f"gloss.gu_{angle}"
    return RepeatFigure(code, f"gloss at {angle} degrees", "GU", settles=(code,), over="spool")


_TOGETHER = ("geometry_deg", "gloss_gu")
# Largest limit at each angle, GU: about the gloss of a perfect mirror (ISO 2813).
_MOST_GU = {20: 2000, 60: 1000, 85: 200}


def _at(angle: int, values: Values) -> float | None:
    return values["gloss_gu"] if values.get("geometry_deg") == angle else None


def _scales(limits: GlossLimits, _: float, __: object) -> list[Scale]:
    common: dict[str, Any] = {"of": ("gloss_gu",), "how": "computed", "holds_for": "the mean of a spool", "decimals": 1}
    found = [(angle, limit) for angle in limits.gu if (limit := limits.on(angle)) is not None]
    return [
        Scale(label=f"Gloss at {at} degrees", limit=limit, work_out=partial(_at, at), **common) for at, limit in found
    ]


GLOSS = Characteristic(
    name="gloss",
    title="Gloss",
    path="/gloss-readings",
    schema="Gloss",
    summary="Store gloss at 20, 60 or 85 degrees (ISO 2813).",
    about="Gloss of a printed plaque at one angle.",
    measured_by=BENCH,
    fields=(
        Field(
            "geometry_deg",
            "angle from the perpendicular",
            type="whole",
            answered="angle of gloss from the perpendicular, degrees",
            needed=True,
            low=20,
            high=85,
            words=ANGLES,
            only="Gloss is measured at 20, 60 or 85 degrees.",
            stand_in=60,
            together=_TOGETHER,
            said="the angle",
        ),
        Field(
            "gloss_gu",
            "gloss units",
            needed=True,
            low=0,
            example=42.5,
            stand_in=50.0,
            together=_TOGETHER,
            said="the gloss",
        ),
        *printed_fields("the plaque"),
    ),
    reading=_reading,
    says=lambda values: f"{values['gloss_gu']:g} GU at {values['geometry_deg']} degrees",
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    limits=LimitsBlock(
        about="Limits on gloss at each angle, in gloss units.",
        fields=(
            *(
                LimitField(
                    f"deg_{angle}_gu",
                    f"mean gloss at {angle} degrees, from lowest to highest",
                    label=f"Gloss at {angle} degrees, GU",
                    type="pair",
                    asks=True,
                    low=0,
                    high=_MOST_GU[angle],
                )
                for angle in ANGLES
            ),
            fewest("readings_per_spool_min", "fewest readings per spool and angle", "Fewest readings per spool", 3),
            by_test_print(),
        ),
        read=_limits,
    ),
    assess=_assess,
    judged=tuple(Judged(f"gloss.gu_{angle}", f"Gloss at {angle} degrees") for angle in ANGLES),
    measures=tuple(_measure(angle) for angle in ANGLES),
    # Readings of a lot differ by a few units. Common practice, no source.
    far=Far(
        of=lambda reading: [("the gloss", reading.gu, (reading.angle_deg,))],
        band=within(20.0),
        says="20 GU",
        unit="GU",
        field="gloss_gu",
    ),
    repeats=Repeats(
        figures=tuple(_repeated(angle) for angle in ANGLES),
        of=lambda reading: [(f"gloss.gu_{reading.angle_deg}", reading.gu, (), 1.0)],
    ),
    instruments=("gloss",),
    kinds=("glossmeter",),
    instrument_unit="GU",
    method="Gloss of printed plaques was measured at a fixed angle (ISO 2813) and averaged per spool. Each angle is a separate scale.",
    scales=_scales,
    form=Form(
        "Gloss",
        "Spot",
        5,
        (Entry("gloss_gu", "Gloss, GU", needed=True),),
        shared=(Entry("geometry_deg", "Angle: 20, 60 or 85 degrees", needed=True), *printed_entries()),
        about="Measure every plaque at 60 degrees first. Below 10 GU also measure at 85 degrees, above 70 GU at 20 degrees.",
    ),
)
