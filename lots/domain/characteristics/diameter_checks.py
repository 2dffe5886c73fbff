"""Plausibility of diameters, and positions still to be measured along a spool."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.declaring.plausibility import Doubt, near, slip_of_length
from lots.domain.conformity.limits import BINARY_NOISE


def doubt_diameter(field: str, value_mm: float, nominal_mm: float) -> Doubt | None:
    """Returns a doubt when a diameter is not plausible for the nominal diameter.

    Args:
        value_mm: as entered, mm.
        nominal_mm: the grade's nominal diameter, mm.

    Example:
        >>> doubt_diameter("d1_mm", 0.0689, 1.75).hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
    """
    if near(value_mm, nominal_mm):
        return None
    detail = f"{value_mm:g} mm is not a plausible diameter for filament of nominal {nominal_mm:g} mm."
    if slip := slip_of_length(value_mm, nominal_mm):
        return Doubt(field, detail, slip)
    for size in (1.75, 2.85):
        if size != nominal_mm and near(value_mm, size, 0.1):
            return Doubt(
                field,
                detail,
                f"This looks like {size:g} mm filament. Check the spool and the nominal diameter of the grade.",
            )
    return Doubt(field, detail, "Measure again, away from dents and kinks.")


def doubt_turned(d1_mm: float, d2_mm: float, d_max_mm: float | None, d_min_mm: float | None) -> list[Doubt]:
    """Returns a doubt for each diameter by turning that contradicts the two fixed axes, all in mm.

    The largest diameter is not below either axis, the smallest not above.

    Example:
        >>> doubt_turned(1.75, 1.80, 1.78, 1.74)[0].detail
        'The largest diameter of 1.78 mm is below 1.8 mm, which was measured at the same position.'
        >>> doubt_turned(1.75, 1.75, 1.84, 1.66)
        []
    """
    found = []
    at = "which was measured at the same position."
    hint = "Turn the gauge around the filament and enter the largest and the smallest diameter, including d1 and d2."
    if d_max_mm is not None and d_max_mm < max(d1_mm, d2_mm) - BINARY_NOISE:
        detail = f"The largest diameter of {d_max_mm:g} mm is below {max(d1_mm, d2_mm):g} mm, {at}"
        found.append(Doubt("d_max_mm", detail, hint))
    if d_min_mm is not None and d_min_mm > min(d1_mm, d2_mm) + BINARY_NOISE:
        detail = f"The smallest diameter of {d_min_mm:g} mm is above {min(d1_mm, d2_mm):g} mm, {at}"
        found.append(Doubt("d_min_mm", detail, hint))
    return found


def positions(group: Sequence[DiameterReading]) -> list[float]:
    """Returns the different stated positions on a spool, m from the free end, in order."""
    return sorted({reading.position_m for reading in group if reading.position_m is not None})


def span_lacking(spools: Mapping[str, Sequence[DiameterReading]], span_min_m: float | None) -> str:
    """Returns the readings still needed over the required length of each spool, as actions; "" when complete.

    Diameter drifts over tens of metres, so readings at one end do not represent the spool. The first and the last position must be
    at least `span_min_m` apart.

    Args:
        spools: readings by spool; spools without readings are covered elsewhere.
        span_min_m: least distance between the first and the last position, m; None: no requirement.

    Reference:
        Common practice, no source.
    """
    if span_min_m is None:
        return ""
    parts = []
    for spool, group in sorted(spools.items()):
        stated = positions(group)
        if not stated:
            parts.append(f"measure diameters with positions on spool {spool}, over at least {span_min_m:g} m")
        elif stated[-1] - stated[0] < span_min_m - BINARY_NOISE:
            reached = stated[-1] - stated[0]
            parts.append(
                f"measure further along spool {spool} (its positions span {reached:g} m of at least {span_min_m:g} m)"
            )
    return "; ".join(parts)
