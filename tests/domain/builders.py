"""Builders of readings and limits, so that a test states only its subject, and access to the reference files."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from lots.domain.assessment.assessment import Assessment, Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.bond.lot_bond import BondLimits, BondTest
from lots.domain.characteristics.color.lot_color import ColorLimits, ColorReading
from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.declaring.case import Previous, ShadeRevision
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.gloss import GlossLimits, GlossReading
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits, MoistureReading
from lots.domain.characteristics.opacity.lot_opacity import OpacityLimits, OpacityReading
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits, ShrinkTest
from lots.domain.characteristics.stringing import StringingCheck, StringingLimits
from lots.domain.characteristics.surface import SurfaceCheck, SurfaceLimits
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, ToDo, judge
from lots.domain.conformity.limits import DecisionRule
from lots.domain.receiving.coverage import Coverage

REFERENCE = Path(__file__).parent.parent / "reference"

# An invented white and an invented matte black, and the conditions both were approved under.
WHITE = Lab(95.0, -0.8, 1.5)
BLACK = Lab(18.0, 0.1, -0.4)
APPROVED_UNDER = Conditions("D65", 10, "d/8", "included", uv="excluded")
SHADE = ShadeRevision("Harbour White", 1, WHITE, APPROVED_UNDER)

SIMPLE = DecisionRule()
GUARDED = DecisionRule(guarded=True)
MONDAY = datetime(2025, 3, 3, 8, 0, tzinfo=UTC)


def reference_csv(name: str) -> list[dict[str, str]]:
    """Rows of a reference table, as printed."""
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def reference_json(name: str) -> dict[str, Any]:
    """A reference file in JSON."""
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


def color(spool: str, *lab: float, u: float | None = None, under: Conditions = APPROVED_UNDER) -> ColorReading:
    """A colour reading."""
    return ColorReading(spool, Lab(*lab), under, u)


def gauge(spool: str, d1_mm: float, d2_mm: float, u: float | None = None, at: float | None = None) -> DiameterReading:
    """A diameter reading."""
    return DiameterReading(spool, d1_mm, d2_mm, at, u)


def coupon(
    percent: float,
    axis: str = "x",
    designed_mm: float = 100.0,
    feature: str = "outside",
    offset_mm: float = 0.0,
    age_h: float = 24.0,
    u: float | None = None,
    printer: str | None = None,
) -> ShrinkTest:
    """A coupon with a shrinkage of `percent` and a bead too wide by `offset_mm`."""
    sign = 1 if feature == "outside" else -1
    measured = designed_mm * (1 - percent / 100) + sign * offset_mm
    return ShrinkTest("A", axis, feature, designed_mm, measured, age_h, printer, u)


def bar(stress_mpa: float, u: float | None = None) -> BondTest:
    """A specimen of the lot broken across its layers."""
    return BondTest("A", stress_mpa, uncertainty=u)


def control(stress_mpa: float, u: float | None = None) -> BondTest:
    """A control specimen from the same build."""
    return BondTest("control", stress_mpa, control=True, uncertainty=u, origin=Origin(control=True))


def wet(spool: str, percent: float, hours: float = 0.0, u: float | None = None) -> MoistureReading:
    """A moisture reading some hours after Monday morning."""
    return MoistureReading(spool, percent, MONDAY + timedelta(hours=hours), u)


def shiny(spool: str, gu: float, angle_deg: int = 60, u: float | None = None) -> GlossReading:
    """A gloss reading."""
    return GlossReading(spool, angle_deg, gu, u)


def plaque(
    spool: str, over_black: float, over_white: float = 95.0, hours: float = 0.0, u: float | None = None
) -> OpacityReading:
    """A grey plaque of these L* over black and over white, measured some hours after Monday morning."""
    black, white = Lab(over_black, 0.0, 0.0), Lab(over_white, 0.0, 0.0)
    return OpacityReading(spool, black, white, MONDAY + timedelta(hours=hours), u)


GOOD = Evidence(
    color=(color("A", 95.1, -0.8, 1.5, u=0.03), color("B", 94.9, -0.75, 1.6, u=0.03)),
    diameter=(gauge("A", 1.75, 1.76, u=0.002), gauge("B", 1.74, 1.75, u=0.002)),
    shrinkage=(coupon(0.30, u=0.01), coupon(0.34, u=0.01)),
    bond=(bar(24.0, u=0.2), bar(25.0, u=0.2), control(29.0, u=0.2), control(30.0, u=0.2)),
    surface=(SurfaceCheck("A", 0, 5.0), SurfaceCheck("B", 1, 5.0)),
    moisture=(wet("A", 0.02, u=0.001), wet("B", 0.03, u=0.001)),
    gloss=tuple(shiny(spool, gu, angle, u=0.2) for spool in "AB" for angle, gu in ((20, 12.0), (60, 40.0), (85, 70.0))),
    opacity=(plaque("A", 94.95, u=0.02),),
    stringing=(StringingCheck("A", 0, 10), StringingCheck("B", 1, 10)),
)
# The basis of the shrinkage of GOOD.
ON_100_MM = {"shrinkage": {"x": "outside 100 mm"}}
BEFORE = Previous(Lab(95.0, -0.8, 1.45), {"x": 0.30}, basis=ON_100_MM)
COLOR_LIMITS = ColorLimits(
    lot_max=1.0, spool_max=1.2, spread_max=0.6, step_max=0.5, components_max={"L": 0.8, "a": 0.4, "b": 0.6}
)
EVERY_LIMIT = Limits(
    color=COLOR_LIMITS,
    diameter=DiameterLimits(mean_tolerance_mm=0.03, reading_tolerance_mm=0.05, ovality_max_mm=0.05),
    shrinkage=ShrinkageLimits({"x": (0.1, 0.5)}, step_max_percent=0.15),
    bond=BondLimits(mean_min_mpa=20.0, single_min_mpa=15.0, control_ratio_min=0.7),
    surface=SurfaceLimits(1.0),
    moisture=MoistureLimits(0.05),
    gloss=GlossLimits({60: (30.0, 50.0)}),
    opacity=OpacityLimits(0.98),
    stringing=StringingLimits(0.5),
)
TWO_OF_TEN = Coverage.of(10, 2, ("A", "B"))


def assessed(
    evidence: Evidence = GOOD,
    limits: Limits | None = EVERY_LIMIT,
    shade: ShadeRevision | None = SHADE,
    coverage: Coverage = TWO_OF_TEN,
    previous: Previous | None = BEFORE,
) -> Assessment:
    """The assessment of a lot of 1.75 mm filament, a good one by default."""
    return assess(evidence, coverage, Criteria(limits, shade, 1.75, previous))


def by_code(findings: list[Finding] | tuple[Finding, ...]) -> dict[str, Finding]:
    """Findings by code, each code once."""
    found = {finding.code: finding for finding in findings}
    assert len(findings) == len(found), "one finding per code"
    return found


def judged(code, value, limit, rule, n=3, subject="", spool="", **given):
    """The finding on a value, from the fields of `Measured` and `ToDo`."""
    todo = {
        name: given.pop(name)
        for name in ("lacking", "conclusive", "hold", "settled_by", "more_spools")
        if name in given
    }
    return judge(code, Measured(value, n, **given), limit, rule, subject=subject, spool=spool, todo=ToDo(**todo))
