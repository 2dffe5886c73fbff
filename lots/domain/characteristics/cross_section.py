"""The cross-section of filament: its area, the flow factor that corrects for it, and the length that a mass makes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lots.domain.characteristics.diameter import DiameterReading


def area_mm2(d1_mm: float, d2_mm: float) -> float:
    """Returns the cross-section of an ellipse with axes `d1_mm` and `d2_mm`, in mm2.

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
    """Returns nominal cross-section over measured: what to multiply the slicer's flow by. Above 1 for thin filament.

    Args:
        readings: at least one.
        nominal_mm: diameter the slicer was told, mm, > 0.

    Reference:
        Equal volume per length fed; area of an ellipse, averaged over the positions.

    Example:
        >>> from lots.domain.characteristics.diameter import DiameterReading
        >>> round(flow_factor([DiameterReading("S", 1.8, 1.65)], 1.75), 6)
        1.031145
    """
    measured = math.fsum(area_mm2(r.d1_mm, r.d2_mm) for r in readings) / len(readings)
    return area_mm2(nominal_mm, nominal_mm) / measured


def length_m(mass_g: float, density_g_cm3: float, d1_mm: float, d2_mm: float | None = None) -> float:
    """Returns the length of filament in `mass_g`, in m.

    Args:
        mass_g: net mass, g, >= 0.
        density_g_cm3: g/cm3, > 0.
        d1_mm, d2_mm: diameters, mm; a round section when only one is given.

    Notes:
        mm2 times g/cm3 is g/m, so no factor is needed.

    Example:
        >>> round(length_m(1000, 1.24, 1.75), 3)
        335.284
    """
    return mass_g / (density_g_cm3 * area_mm2(d1_mm, d1_mm if d2_mm is None else d2_mm))
