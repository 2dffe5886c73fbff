"""The limit that a lot's figure must keep to."""

from __future__ import annotations

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.diameter import around
from lots.domain.conformity.limits import Limit


def limit_on(measure: str, limits: Limits | None, nominal_mm: float) -> Limit | None:
    """Returns the limit that a lot's figure must keep to, or None where the limits set none.

    Args:
        measure: a key of MEASURES.
        limits: the limits revision, None when the grade has none.
        nominal_mm: the grade's nominal diameter, mm.
    """
    if limits is None:
        return None
    kind, _, what = measure.partition(".")
    if kind == "color" and limits.color:
        most = (limits.color.components_max or {}).get(
            {"component_l": "L", "component_a": "a", "component_b": "b"}.get(what, "")
        )
        if what == "lot_delta_e":
            return None if limits.color.lot_max is None else Limit(None, limits.color.lot_max)
        return None if most is None else Limit(-most, most)
    if kind == "diameter" and limits.diameter:
        tolerance, oval = limits.diameter.mean_tolerance_mm, limits.diameter.ovality_max_mm
        if what == "mean_ovality":
            return None if oval is None else Limit(None, oval, "mm")
        return None if tolerance is None else around(nominal_mm, tolerance)
    if kind == "shrinkage" and limits.shrinkage and what in limits.shrinkage.percent:
        return Limit(*limits.shrinkage.percent[what], "%")
    if kind == "bond" and limits.bond:
        floor = limits.bond.mean_min_mpa if what == "mean" else limits.bond.control_ratio_min
        return None if floor is None else Limit(floor, None, "MPa" if what == "mean" else "")
    if kind == "surface" and limits.surface:
        return Limit(None, limits.surface.specks_per_dm2_max, "per dm2")
    if kind == "gloss" and limits.gloss:
        ends = limits.gloss.gu.get(int(what.removeprefix("gu_")))
        return Limit(*ends, "GU") if ends else None
    if kind == "opacity" and limits.opacity:
        return Limit(limits.opacity.contrast_ratio_min, None)
    return Limit(None, limits.moisture.max_percent, "%") if kind == "moisture" and limits.moisture else None
