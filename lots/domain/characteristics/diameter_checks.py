"""What cannot be right of diameters, and which positions along a spool are still lacking."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.declaring.plausibility import Doubt, near, slip_of_length
from lots.domain.conformity.limits import BINARY_NOISE


def doubt_diameter(field: str, value_mm: float, nominal_mm: float) -> Doubt | None:
    """Returns a doubt when a diameter cannot be filament of this nominal size.

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
                f"This looks like {size:g} mm filament. Is it the right spool, and is the grade's nominal diameter right?",
            )
    return Doubt(field, detail, "Measure again; a dent or a kink is not the filament.")


def doubt_turned(d1_mm: float, d2_mm: float, d_max_mm: float | None, d_min_mm: float | None) -> list[Doubt]:
    """Returns a doubt for each diameter found by turning that the two fixed axes contradict, all in mm.

    The largest diameter of a position is at least both axes, the smallest at most both.

    Example:
        >>> doubt_turned(1.75, 1.80, 1.78, 1.74)[0].detail
        'The largest diameter of 1.78 mm is below 1.8 mm, which was read at the same position.'
        >>> doubt_turned(1.75, 1.75, 1.84, 1.66)
        []
    """
    found = []
    at = "which was read at the same position."
    hint = "Turn the gauge around the filament and enter the largest and the smallest diameter you see, d1 and d2 included."
    if d_max_mm is not None and d_max_mm < max(d1_mm, d2_mm) - BINARY_NOISE:
        detail = f"The largest diameter of {d_max_mm:g} mm is below {max(d1_mm, d2_mm):g} mm, {at}"
        found.append(Doubt("d_max_mm", detail, hint))
    if d_min_mm is not None and d_min_mm > min(d1_mm, d2_mm) + BINARY_NOISE:
        detail = f"The smallest diameter of {d_min_mm:g} mm is above {min(d1_mm, d2_mm):g} mm, {at}"
        found.append(Doubt("d_min_mm", detail, hint))
    return found


def positions(group: Sequence[DiameterReading]) -> list[float]:
    """Returns the different positions that were stated of a spool, in m from the free end, in order."""
    return sorted({reading.position_m for reading in group if reading.position_m is not None})


def span_lacking(spools: Mapping[str, Sequence[DiameterReading]], span_min_m: float | None) -> str:
    """Returns in words what is still needed until each spool was read over the length that is asked for; "" when it was.

    Diameters at one end say little of the rest: extrusion walks over tens of metres. So the positions of a spool must be stated, and its
    first and last must lie at least `span_min_m` apart along what can be reached.

    Args:
        spools: readings by spool; one without any is told elsewhere.
        span_min_m: least distance between the first and the last position, m; None asks nothing.

    Reference:
        Common practice, no source.
    """
    if span_min_m is None:
        return ""
    parts = []
    for spool, group in sorted(spools.items()):
        stated = positions(group)
        if not stated:
            parts.append(f"diameters with their positions on spool {spool}, over at least {span_min_m:g} m")
        elif stated[-1] - stated[0] < span_min_m - BINARY_NOISE:
            reached = stated[-1] - stated[0]
            parts.append(
                f"diameters further along spool {spool}: its positions span {reached:g} m of at least {span_min_m:g} m"
            )
    return "; ".join(parts)
