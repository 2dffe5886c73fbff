"""Plausibility of coupon lengths, with hints at the probable error."""

from __future__ import annotations

from lots.domain.characteristics.declaring.plausibility import MM_PER_INCH, Doubt
from lots.domain.characteristics.shrinkage.lot_shrinkage import shrinkage_percent

# Plausible shrinkage, %. Prints are within -2..5 %. Common practice, no source.
SHRINK_BAND = (-5.0, 10.0)


def doubt_shrinkage(designed_mm: float, measured_mm: float) -> Doubt | None:
    """Returns a doubt when two lengths are not plausible for a coupon and its model.

    Example:
        >>> doubt_shrinkage(100, 3.921).hint
        'This looks like inches: 3.921 in is 99.593 mm. Enter millimetres.'
    """
    low, high = SHRINK_BAND
    percent = shrinkage_percent(designed_mm, measured_mm)
    if low <= percent <= high:
        return None
    detail = f"{measured_mm:g} mm measured on {designed_mm:g} mm designed would be a shrinkage of {percent:.2f} %."
    for factor, unit, short in ((MM_PER_INCH, "inches", "in"), (10.0, "centimetres", "cm")):
        if low <= shrinkage_percent(designed_mm, measured_mm * factor) <= high:
            return Doubt(
                "measured_mm",
                detail,
                f"This looks like {unit}: {measured_mm:g} {short} is {measured_mm * factor:.3f} mm. Enter millimetres.",
            )
        if low <= shrinkage_percent(designed_mm * factor, measured_mm) <= high:
            return Doubt(
                "designed_mm",
                detail,
                f"The designed length looks like {unit}: {designed_mm:g} {short} is {designed_mm * factor:.3f} mm. Enter millimetres.",
            )
    if 0 <= measured_mm < 0.2 * designed_mm:
        return Doubt("measured_mm", detail, "Enter the measured length itself, not the shrinkage.")
    return Doubt("measured_mm", detail, "Check both lengths, and check that they belong to the same feature.")
