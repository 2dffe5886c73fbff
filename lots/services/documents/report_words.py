"""The words of a report to a supplier: what was asked, how it was measured, and what a finding means for a claim."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.bond import BondLimits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.diameter import DiameterLimits
from lots.domain.characteristics.shrinkage import ShrinkageLimits
from lots.domain.characteristics.surface import SurfaceLimits
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS, WEIGHT_NAMES
from lots.domain.conformity.guard import COVERAGE
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Finding
from lots.domain.receiving.coverage import DEFAULT_FIXED, Sampling
from lots.domain.words import counted

# ISO/CIE 11664-4 writes a difference with a capital delta; which formula it is by stands behind it.
SYMBOLS = {"CIE76": "ΔE*ab", "CIE94": "ΔE*94", "CMC": "ΔE CMC", "CIEDE2000": "ΔE00"}
_COMPONENTS = {"color.component_l": "ΔL*", "color.component_a": "Δa*", "color.component_b": "Δb*"}

METHODS = {
    "color": "Printed plaques were read in CIELAB under the conditions of the reference. Readings were averaged per spool, and the spools' "
    "means over the lot. Differences are sample minus reference.",
    "diameter": "Two perpendicular diameters were read at each position along the filament. A single diameter and the ovality (the "
    "difference of the two) are judged position by position, a spool's mean over all its positions.",
    "shrinkage": "Lengths of printed coupons were measured along each axis and held against their design. Where two lengths differ "
    "enough, the width of the bead is told apart from the shrinkage.",
    "bond": "Printed bars were pulled across their layers until they broke. The stress is force over cross-section (ISO 527-1).",
    "surface": "Specks were counted on printed first layers: all specks seen over all the area looked at.",
    "moisture": "Moisture by mass. The newest reading of each spool counts.",
    "gloss": "Gloss of printed plaques was read at a fixed angle (ISO 2813) and averaged per spool; each angle is a scale of its own.",
    "opacity": "A printed plaque was read over black and over white at the same place. The contrast ratio is luminous reflectance over "
    "black by that over white (ISO 6504-3).",
}
# The unit of an instrument's standard uncertainty, by what it reads.
UNITS = {
    "color": "per coordinate",
    "diameter": "mm",
    "shrinkage": "mm",
    "bond": "MPa",
    "surface": "",
    "moisture": "%",
    "gloss": "GU",
    "opacity": "per coordinate",
}


def quantity(code: str, limits: Limits | None) -> str:
    """Returns the symbol of what a colour finding measures, such as ΔE00 or Δb*; "" for other findings."""
    if not code.startswith("color."):
        return ""
    formula = limits.color.formula if limits and limits.color else "CIEDE2000"
    return _COMPONENTS.get(code, SYMBOLS[formula])


def digits_for(size: float) -> int:
    """Returns the decimals that show an uncertainty with two significant digits: at least two, at most ten.

    Example:
        >>> digits_for(0.13), digits_for(0.0021)
        (2, 4)
    """
    return 2 if size <= BINARY_NOISE else min(10, max(2, 1 - math.floor(math.log10(size))))


def rule_words(rule: DecisionRule) -> str:
    """Returns the decision rule in words."""
    claim = (
        f"A value outside its limit by more than {rule.z:g} standard uncertainties is proved to be outside (ISO 14253-1); "
        "closer to it, neither is proved."
    )
    if rule.guarded:
        return (
            f"Guarded acceptance (JCGM 106:2012, 8.3): to pass, a value has to be inside its limit by {rule.z:g} standard "
            f"uncertainties. {claim}"
        )
    return f"Simple acceptance (JCGM 106:2012, 8.2): a value is taken as it is, and one on its limit passes. {claim}"


def sampling_words(sampling: Sampling) -> str:
    """Returns in words how many spools are measured."""
    if sampling.level is not None and sampling.aql is not None:
        return (
            f"Spools of each delivery are drawn at random by MIL-STD-105E, single sampling, level {sampling.level}, AQL "
            f"{sampling.aql:g} %. A spool that fails any characteristic of its own is nonconforming; more of them than the plan "
            "accepts refuse the lot."
        )
    n = sampling.fixed
    how_many = f"{DEFAULT_FIXED} spools (suggested)" if n is None else f"{n} {'spool' if n == 1 else 'spools'}"
    return f"Of each delivery {how_many}, or all when there are fewer, are drawn at random and measured."


def terms(characteristic: str, limits: Limits, nominal_mm: float) -> str:
    """Returns what the limits ask of a characteristic beside its numbers, in words; "" where that is nothing."""
    block = getattr(limits, characteristic)
    return _TERMS[characteristic](block, nominal_mm) if block is not None and characteristic in _TERMS else ""


def _color_terms(color: ColorLimits, _: float) -> str:
    weights = color.weights or DEFAULT_WEIGHTS[color.formula]
    named = ", ".join(f"{name} {w:g}" for name, w in zip(WEIGHT_NAMES[color.formula], weights, strict=True))
    weighted = f" with {named}" if named else ""
    least = color.readings_per_spool_min
    return (
        f"Colour differences {SYMBOLS[color.formula]} by {color.formula}{weighted}, at least {counted(least, 'reading')} per spool. "
        "Positive ΔL* is lighter, Δa* redder, Δb* yellower than the reference."
    )


def _diameter_terms(diameter: DiameterLimits, nominal_mm: float) -> str:
    least = counted(diameter.readings_per_spool_min, "position")
    return f"Diameter nominally {nominal_mm:g} mm, read at {least} or more per spool."


def _shrinkage_terms(shrinkage: ShrinkageLimits, _: float) -> str:
    aged = f", measured {shrinkage.age_h[0]:g} to {shrinkage.age_h[1]:g} h after printing" if shrinkage.age_h else ""
    return f"Shrinkage in % of the designed length, {counted(shrinkage.tests_per_axis_min, 'test')} or more per axis{aged}."


def _bond_terms(bond: BondLimits, _: float) -> str:
    return f"Bond between layers from {counted(bond.tests_min, 'bar')} or more of the lot."


def _surface_terms(surface: SurfaceLimits, _: float) -> str:
    return f"Specks on {surface.area_dm2_min:g} dm2 of first layer or more." if surface.area_dm2_min else ""


_TERMS: dict[str, Callable[[Any, float], str]] = {
    "color": _color_terms,
    "diameter": _diameter_terms,
    "shrinkage": _shrinkage_terms,
    "bond": _bond_terms,
    "surface": _surface_terms,
}


def claim_words(finding: Finding) -> str:
    """Returns whether a failing value is proved to be outside its limit, in words (ISO 14253-1)."""
    if finding.claimable is None and finding.characteristic == "sampling":
        return "A count is exact; whether each spool is beyond its own uncertainty stands beside it."
    if finding.claimable is None:
        return "The uncertainty of this value is not known, so whether it is proved to be outside cannot be told."
    band = "its guard band" if finding.guard is None else f"the guard band of {finding.guard:.2g}"
    if finding.claimable:
        return f"Proved: outside by more than {band} (ISO 14253-1)."
    return f"Not proved: outside, but not by more than {band} (ISO 14253-1)."


def expanded(uncertainty: float | None) -> float | None:
    """Returns the expanded uncertainty, k = 2 (JCGM 100:2008, 6.2), or None where the standard uncertainty is unknown."""
    return None if uncertainty is None else COVERAGE * uncertainty
