"""The cross-section of filament: diameter readings, area, flow factor and length of a mass."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.conformity.rule_versions import CURRENT, SECOND
from lots.domain.statistics.summaries import mean_uncertainty, worst_known


@dataclass(frozen=True, slots=True)
class DiameterReading:
    """Two perpendicular diameters (mm) at one position (m from the free end, None if not stated).

    `uncertainty` and `resolution` are those of the gauge, mm. `d_max_mm` and `d_min_mm` are the largest and the smallest diameter found by
    turning, None if not measured.
    """

    spool: str
    d1_mm: float
    d2_mm: float
    position_m: float | None = None
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN
    d_max_mm: float | None = None
    d_min_mm: float | None = None

    @property
    def diameters(self) -> tuple[float, ...]:
        """Every diameter measured at this position, mm."""
        return tuple(d for d in (self.d1_mm, self.d2_mm, self.d_max_mm, self.d_min_mm) if d is not None)

    @property
    def mean_mm(self) -> float:
        """The mean of the two axes, mm."""
        return (self.d1_mm + self.d2_mm) / 2

    @property
    def ovality_mm(self) -> float:
        """The largest less the smallest diameter, mm, >= 0.

        A mean hides ovality: 1.84 and 1.66 average to 1.75. Two axes at 45 degrees to those of the oval hide it too.
        """
        return max(self.diameters) - min(self.diameters)

    @property
    def where(self) -> str:
        """The spool and the position in words."""
        return f"spool {self.spool}" + ("" if self.position_m is None else f" at {self.position_m:g} m")


def area_mm2(d1_mm: float, d2_mm: float) -> float:
    """Returns the area of an ellipse with axes `d1_mm` and `d2_mm`, mm2.

    Args:
        d1_mm, d2_mm: perpendicular diameters, mm, > 0.

    Reference:
        Area of an ellipse, pi d1 d2 / 4.

    Example:
        >>> round(area_mm2(1.75, 1.75), 6)
        2.405282
    """
    return math.pi * d1_mm * d2_mm / 4


def flow_factor(readings: Sequence[DiameterReading], nominal_mm: float) -> float:
    """Returns the nominal over the measured cross-section, a multiplier for the slicer's flow, above 1 for thin filament.

    Args:
        readings: at least one.
        nominal_mm: diameter set in the slicer, mm, > 0.

    Reference:
        Equal volume per length fed; area of an ellipse, averaged over the positions.

    Example:
        >>> round(flow_factor([DiameterReading("S", 1.8, 1.65)], 1.75), 6)
        1.031145
    """
    measured = math.fsum(area_mm2(r.d1_mm, r.d2_mm) for r in readings) / len(readings)
    return area_mm2(nominal_mm, nominal_mm) / measured


# Positions closer than this count as one, m. Common practice, no source.
_ONE_PLACE_M = 0.1


def positions_read(readings: Sequence[DiameterReading], rules: int = CURRENT) -> int:
    """Returns the number of different positions measured on a spool. A reading without a position counts as one.

    Five readings at one position do not represent the rest of the spool. Before version 3 of the rules each reading counted.

    Args:
        readings: of one spool.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.

    Reference:
        Common practice, no source.

    Example:
        >>> positions_read([DiameterReading("S", 1.75, 1.75, at) for at in (2.0, 2.0, 5.0, None, None)])
        4
    """
    if rules <= SECOND:
        return len(readings)
    found, last = sum(r.position_m is None for r in readings), -math.inf
    for at in sorted(r.position_m for r in readings if r.position_m is not None):
        if at - last >= _ONE_PLACE_M:
            found, last = found + 1, at
    return found


def flow_uncertainty(readings: Sequence[DiameterReading], flow: float) -> float | None:
    """Returns the standard uncertainty of a spool's flow factor, None without a second reading or a gauge uncertainty.

    The factor depends on the square of the diameter, so its relative uncertainty is twice that of the mean diameter. That combines the
    standard error of the readings with the uncertainty of the gauge.

    Args:
        readings: of one spool, at least one.
        flow: its flow factor.

    Reference:
        JCGM 100:2008 (GUM), 5.1.6 (powers).

    Example:
        >>> round(flow_uncertainty([DiameterReading("S", 1.75, 1.75, uncertainty=0.00875)], 1.0), 6)
        0.01
    """
    means = [(r.d1_mm + r.d2_mm) / 2 for r in readings]
    u = mean_uncertainty(
        means, worst_known(r.uncertainty for r in readings), worst_known(r.resolution for r in readings)
    )
    # Equal readings give no uncertainty.
    return flow * 2 * u * len(means) / math.fsum(means) if u else None


def lot_flow_uncertainty(spools: Mapping[str, Sequence[DiameterReading]], flows: Mapping[str, float]) -> float | None:
    """Returns the standard uncertainty of a lot's flow factor from its only spool, or from the spread of spools and the gauge.

    Args:
        spools: spool -> its readings, at least one spool.
        flows: spool -> its flow factor.

    Reference:
        JCGM 100:2008 (GUM), 4.2.3 and 5.1.6.
    """
    if len(spools) == 1:
        ((code, readings),) = spools.items()
        return flow_uncertainty(readings, flows[code])
    every = [reading for readings in spools.values() for reading in readings]
    gauge = worst_known(reading.uncertainty for reading in every)
    mean_mm = math.fsum(r.d1_mm + r.d2_mm for r in every) / (2 * len(every))
    mean = math.fsum(flows.values()) / len(flows)
    return mean_uncertainty(list(flows.values()), None if gauge is None else 2 * mean * gauge / mean_mm) or None


def flow_uncertainties(spools: Mapping[str, Sequence[DiameterReading]], flows: Mapping[str, float]) -> dict[str, Any]:
    """Returns the standard uncertainties of flow factors as stored: of the lot, and of each spool where known."""
    each = {code: flow_uncertainty(group, flows[code]) for code, group in spools.items()}
    return {
        "flow_uncertainty": lot_flow_uncertainty(spools, flows),
        "spool_flow_uncertainty": {code: u for code, u in each.items() if u is not None},
    }


def length_m(mass_g: float, density_g_cm3: float, d1_mm: float, d2_mm: float | None = None) -> float:
    """Returns the length of a mass of filament, m.

    Args:
        mass_g: net mass, g, >= 0.
        density_g_cm3: g/cm3, > 0.
        d1_mm, d2_mm: diameters, mm; a round section with one alone.

    Notes:
        mm2 times g/cm3 is g/m, so no factor is needed.

    Reference:
        Geometry: mass over density and the section of a circle or an ellipse.

    Example:
        >>> round(length_m(1000, 1.24, 1.75), 3)
        335.284
    """
    return mass_g / (density_g_cm3 * area_mm2(d1_mm, d1_mm if d2_mm is None else d2_mm))
