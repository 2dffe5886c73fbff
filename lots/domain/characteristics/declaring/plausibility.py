"""Plausibility checks of values, with hints where the error is recognisable.

Plausible ranges, here and in the characteristics, are far wider than any tolerance. They are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab

MM_PER_INCH = 25.4

# Plausible relative difference of a diameter from nominal: wider than any tolerance, narrower than from 1.75 to 2.85 mm.
# Common practice, no source.
_DIAMETER_BAND = 0.25
# Plausible difference in L*, a* or b* between readings of one plaque. Ageing is 0.01 to a few units. Common practice, no source.
FAR_OFF = 5.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """An implausible value: its field, the problem, and a hint at the probable error."""

    field: str
    detail: str
    hint: str = ""


def slip_of_length(value_mm: float, nominal_mm: float) -> str | None:
    """Returns a hint at the unit or decimal point that would explain an implausible length, or None."""
    for factor, unit in (
        (MM_PER_INCH, "inches"),
        (10.0, "centimetres"),
        (0.001, "micrometres"),
        (0.0254, "thousandths of an inch"),
    ):
        if near(value_mm * factor, nominal_mm):
            short = {"inches": "in", "centimetres": "cm", "micrometres": "um", "thousandths of an inch": "mil"}[unit]
            return f"This looks like {unit}: {value_mm:g} {short} is {value_mm * factor:.3f} mm. Enter millimetres."
    for places in (10.0, 100.0):
        if near(value_mm / places, nominal_mm):
            return f"The decimal point looks misplaced: did you mean {value_mm / places:g}?"
    return None


def doubt_repeat(field: str, value: float, middle: float, unit: str) -> Doubt | None:
    """Returns a doubt when a reading of a study is implausible against its repeats and the error is recognisable.

    Args:
        value: as entered, in the unit.
        middle: median of its repeats, or the reference value.
        unit: "mm" for a length; empty for a colour coordinate, which may be 0.

    Example:
        >>> doubt_repeat("value", 0.0689, 1.75, "mm").hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
        >>> doubt_repeat("value", 9.7, 97.0, "").hint
        'The decimal point looks misplaced: did you mean 97?'
    """
    if abs(value - middle) <= FAR_OFF if not unit else near(value, middle):
        return None
    slip = slip_of_length(value, middle) if unit else slip_of_point(value, middle)
    return (
        Doubt(field, f"{value:g}{f' {unit}' if unit else ''} is far from the expected {middle:g}.", slip)
        if slip
        else None
    )


# The most likely confusion first.
_MM2 = {"cm²": 1e2, "mm²": 1.0, "dm²": 1e4, "m²": 1e6}


def doubt_area(field: str, area: float, unit: str, low: float, high: float, of_what: str) -> Doubt | None:
    """Returns a doubt when an area is implausible, with the unit that was probably meant.

    Args:
        field: of the reading.
        area: as entered, in the unit, > 0.
        unit: mm², cm², dm² or m².
        low, high: plausible range, in the unit, ends included.
        of_what: such as "a first layer".

    Example:
        >>> doubt_area("area_dm2", 100, "dm²", 0.01, 20, "a first layer").hint
        'This looks like cm²: 100 cm² is 1 dm². Enter dm².'
    """
    if low <= area <= high:
        return None
    detail = f"{area:g} {unit} is not a plausible area of {of_what}."
    for other, mm2 in _MM2.items():
        meant = area * mm2 / _MM2[unit]
        if other != unit and low <= meant <= high:
            return Doubt(field, detail, f"This looks like {other}: {area:g} {other} is {meant:g} {unit}. Enter {unit}.")
    return Doubt(field, detail, f"Enter {unit}, {low:g} to {high:g}.")


def slip_of_point(value: float, middle: float) -> str | None:
    """Returns a hint at the decimal point that would explain an implausible colour coordinate, or None."""
    shifted = next((moved for moved in (10 * value, value / 10) if abs(moved - middle) <= FAR_OFF), None)
    return None if shifted is None else f"The decimal point looks misplaced: did you mean {shifted:g}?"


def near(value: float, nominal: float, band: float = _DIAMETER_BAND) -> bool:
    """Returns whether a length is within a relative band of its nominal value."""
    return abs(value - nominal) <= band * nominal + 1e-12


def doubt_lab(lab: Sequence[float], uv: str | None) -> Doubt | None:
    """Returns a doubt when three numbers are no plausible CIELAB colour of a plastic.

    L* above 100 needs fluorescence, so it is plausible only with UV included.

    Example:
        >>> doubt_lab([0.95, -0.8, 1.5], None) is None
        True
        >>> doubt_lab([950, -0.8, 1.5], None).field
        'lab'
    """
    try:
        color = Lab(*lab)
    except ValueError as wrong:
        said, _, ends = str(wrong).partition("; it must be a number ")
        name = said.partition(" ")[0]
        return Doubt("lab", f"{said}.", f"Enter {name} {ends}, as the instrument shows it, not RGB or XYZ.")
    if color.L > 100 and uv != "included":
        return Doubt(
            "lab",
            f"L* is {color.L:g}, above 100.",
            "Check the reading and the UV condition. Only a fluorescent sample with UV included exceeds 100.",
        )
    return None
