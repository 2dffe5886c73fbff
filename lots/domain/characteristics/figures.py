"""What one lot adds to a series over lots: one figure per measure, with what it rests on. Kept beside the lot, so no series reads readings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from lots.domain.characteristics import bond, gloss, moisture, opacity, shrinkage, surface
from lots.domain.characteristics.color.lot_color import ColorLimits, ColorSummary
from lots.domain.characteristics.diameter import DiameterSummary
from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab

# Below this chroma a hue angle is noise: near grey, a reading's own scatter turns it all the way round. Common practice, no source.
LEAST_CHROMA = 2.0


@dataclass(frozen=True, slots=True)
class Measure:
    """A figure that is followed over lots: its name, its unit, and what its growth and its fall are called."""

    label: str
    unit: str
    more: str
    less: str
    decimals: int = 2


MEASURES: Mapping[str, Measure] = {
    "color.component_l": Measure("Lightness difference dL*", "", "lighter", "darker"),
    "color.component_a": Measure("Red-green difference da*", "", "redder", "greener"),
    "color.component_b": Measure("Yellow-blue difference db*", "", "yellower", "bluer"),
    "color.hue": Measure(
        "Hue angle difference", "degrees", "towards larger hue angles", "towards smaller hue angles", 1
    ),
    "color.lot_delta_e": Measure("Colour difference", "", "further from the reference", "nearer to the reference"),
    "diameter.mean": Measure("Mean diameter", "mm", "thicker", "thinner", 4),
    "diameter.mean_ovality": Measure("Mean ovality", "mm", "more oval", "rounder", 4),
    "shrinkage.x": Measure("Shrinkage along X", "%", "shrinking more along X", "shrinking less along X", 3),
    "shrinkage.y": Measure("Shrinkage along Y", "%", "shrinking more along Y", "shrinking less along Y", 3),
    "shrinkage.z": Measure("Shrinkage along Z", "%", "shrinking more along Z", "shrinking less along Z", 3),
    "bond.mean": Measure("Mean layer bond", "MPa", "bonding more strongly", "bonding more weakly"),
    "bond.control_ratio": Measure("Bond against control bars", "", "bonding more strongly", "bonding more weakly", 3),
    "surface.specks": Measure("Specks on the first layer", "per dm2", "more specks", "fewer specks"),
    "moisture.percent": Measure("Moisture", "%", "wetter", "drier", 3),
    **{
        f"gloss.gu_{angle}": Measure(f"Gloss at {angle} degrees", "GU", "glossier", "duller", 1)
        for angle in gloss.ANGLES
    },
    "opacity.contrast_ratio": Measure("Contrast ratio", "", "more opaque", "more translucent", 4),
}


@dataclass(frozen=True, slots=True)
class Figure:
    """One measure of one lot.

    `value` is what is charted. `n` counts the sampling units behind it, spools wherever spools were told apart; `ss` is the sum of
    squares of their values about their mean. `uncertainty` is a standard uncertainty, None where unknown.
    """

    value: float
    n: int
    ss: float
    uncertainty: float | None = None

    def as_list(self) -> list[float | int | None]:
        """As it is kept: [value, n, ss, uncertainty]."""
        return [self.value, self.n, self.ss, self.uncertainty]


def figures_of(
    colors: ColorSummary | None,
    reference: Lab | None,
    rule: ColorLimits | None,
    diameters: DiameterSummary | None,
    shrink_tests: Sequence[shrinkage.ShrinkTest],
    bond_tests: Sequence[bond.BondTest],
    checks: Sequence[surface.SurfaceCheck],
    wet: Sequence[moisture.MoistureReading],
    glosses: Mapping[int, Mapping[str, gloss.GlossMean]],
    plaques: Sequence[opacity.OpacityReading],
) -> dict[str, Figure]:
    """Returns the figures of a lot, by measure; a measure without readings has none.

    Args:
        colors: of readings comparable with the reference; None without any.
        reference: the approved colour; None when there is none, and then there is no colour figure.
        rule: the formula to take colour differences in; CIEDE2000 when None.
        diameters: None when nothing was measured.
        shrink_tests: of an age that counts.
        glosses: means per angle and spool.
    """
    found = _colors(colors, reference, rule or ColorLimits()) if colors and reference else {}
    if diameters:
        ovality = [[r.ovality_mm for r in group] for group in diameters.spools.values()]
        found["diameter.mean"] = _of_units([diameters.mean_mm(spool) for spool in diameters.spools])
        found["diameter.mean_ovality"] = _of_units([_mean(group) for group in ovality])
    for axis, whole in shrinkage.summarise(shrink_tests).items():
        by_spool = _grouped([t for t in shrink_tests if t.axis == axis])
        single = [_mean([_without_offset(t, whole.offset_mm or 0.0) for t in group]) for group in by_spool]
        found[f"shrinkage.{axis}"] = Figure(whole.percent, len(single), _ss(single), whole.uncertainty)
    if bars := bond.summarise(bond_tests):
        single = [_mean([t.stress_mpa for t in group]) for group in _grouped(bars.bars)]
        found["bond.mean"] = Figure(bars.mean_mpa, len(single), _ss(single), bars.uncertainty)
        if bars.control_ratio is not None:
            scale = bars.control_ratio / bars.mean_mpa
            found["bond.control_ratio"] = Figure(
                bars.control_ratio, len(single), _ss(single) * scale**2, bars.ratio_uncertainty
            )
    if looked := surface.summarise(checks):
        # The root of a count is its standard uncertainty, but none seen is not none for certain.
        found["surface.specks"] = Figure(looked.per_dm2, 1, 0.0, math.sqrt(looked.specks) / looked.area_dm2 or None)
    if latest := moisture.latest_per_spool(wet):
        found["moisture.percent"] = _of_units([reading.percent for reading in latest.values()])
    for angle, means in glosses.items():
        found[f"gloss.gu_{angle}"] = _of_units([mean.gu for mean in means.values()])
    if plaques:
        single = [_mean([plaque.found.ratio for plaque in group]) for group in _grouped(plaques)]
        found["opacity.contrast_ratio"] = _of_units(single)
    return found


def _colors(colors: ColorSummary, reference: Lab, rule: ColorLimits) -> dict[str, Figure]:
    apart = [components(reference, mean) for mean, _ in colors.spools.values()]
    lot, u = components(reference, colors.lot), colors.lot_uncertainty.total or (None, None, None)
    found = {
        "color.component_l": Figure(lot.dL, len(apart), _ss([part.dL for part in apart]), u[0]),
        "color.component_a": Figure(lot.da, len(apart), _ss([part.da for part in apart]), u[1]),
        "color.component_b": Figure(lot.db, len(apart), _ss([part.db for part in apart]), u[2]),
    }
    each = [rule.delta_e(reference, mean) for mean, _ in colors.spools.values()]
    found["color.lot_delta_e"] = Figure(rule.delta_e(reference, colors.lot), len(each), _ss(each))
    if min(reference.chroma, colors.lot.chroma) >= LEAST_CHROMA:
        turns = [_turn(reference, mean) for mean, _ in colors.spools.values()]
        found["color.hue"] = Figure(_turn(reference, colors.lot), len(turns), _ss(turns))
    return found


def _turn(reference: Lab, sample: Lab) -> float:
    """The angle from the reference's hue to the sample's, -180 to 180 degrees: never a difference of angles, which breaks at 360."""
    cross = reference.a * sample.b - reference.b * sample.a
    return math.degrees(math.atan2(cross, reference.a * sample.a + reference.b * sample.b))


def _without_offset(test: shrinkage.ShrinkTest, offset_mm: float) -> float:
    """Shrinkage by one length, %, the bead's offset taken out: spools whose coupons differ in length compare by it alone."""
    return test.percent + (1 if test.feature == "outside" else -1) * 100 * offset_mm / test.designed_mm


Test = TypeVar("Test", shrinkage.ShrinkTest, bond.BondTest, opacity.OpacityReading)


def _grouped(tests: Sequence[Test]) -> list[list[Test]]:
    groups: dict[str, list[Test]] = {}
    for test in tests:
        groups.setdefault(test.spool, []).append(test)
    return list(groups.values())


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _ss(values: Sequence[float]) -> float:
    middle = _mean(values)
    return math.fsum((value - middle) ** 2 for value in values)


def _of_units(values: Sequence[float]) -> Figure:
    ss, n = _ss(values), len(values)
    return Figure(_mean(values), n, ss, math.sqrt(ss / (n * (n - 1))) if n > 1 else None)
