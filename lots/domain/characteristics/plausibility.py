"""Does a number make physical sense? Refusals with a hint where the slip is recognisable, warnings where it is only likely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from lots.domain.characteristics.shrinkage import shrinkage_percent
from lots.domain.colorimetry.color_values import Lab

MM_PER_INCH = 25.4

# How far from nominal a diameter can be and still be filament of that grade. Wider than any tolerance, narrower than 1.75 from 2.85.
_DIAMETER_BAND = 0.25
# Beyond these a printed coupon is not a shrunken coupon but a slip of the pen. Common practice, no source: prints lie within -2..5 %.
_SHRINK_BAND = (-5.0, 10.0)
_MOISTURE_MAX_PERCENT = 5.0
# 5 ppm: drier than any dryer leaves a polymer. A smaller number is a fraction.
_MOISTURE_LEAST_PERCENT = 0.0005
_STRESS_MPA = (0.1, 500.0)
# A reading this far in L* from what it is to match is another material, or a slip. Common practice, no source: lots differ by one or two.
FAR_FROM_REFERENCE_L = 20.0
# A plaque that reads further than this in L*, a* or b* from what it was approved with, or from its own readings of one session, is hardly
# that plaque: ageing is a hundredth to a few units. Common practice, no source.
FAR_OFF = 5.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """A field whose number makes no sense: `field`, what is wrong, and a hint at what probably happened."""

    field: str
    detail: str
    hint: str = ""


def doubt_diameter(field: str, value_mm: float, nominal_mm: float) -> Doubt | None:
    """Returns a doubt when a diameter cannot be filament of this nominal size.

    Args:
        value_mm: as entered, mm.
        nominal_mm: the grade's nominal diameter, mm.

    Example:
        >>> doubt_diameter("d1_mm", 0.0689, 1.75).hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
    """
    if _near(value_mm, nominal_mm):
        return None
    detail = f"{value_mm:g} mm is not a plausible diameter for filament of nominal {nominal_mm:g} mm."
    if slip := _slip_of_length(value_mm, nominal_mm):
        return Doubt(field, detail, slip)
    for size in (1.75, 2.85):
        if size != nominal_mm and _near(value_mm, size, 0.1):
            return Doubt(
                field,
                detail,
                f"This looks like {size:g} mm filament. Is it the right spool, and is the grade's nominal diameter right?",
            )
    return Doubt(field, detail, "Measure again; a dent or a kink is not the filament.")


def _slip_of_length(value_mm: float, nominal_mm: float) -> str | None:
    """What a length far from where it should be looks like: another unit, or a decimal point at the wrong place."""
    for factor, unit in (
        (MM_PER_INCH, "inches"),
        (10.0, "centimetres"),
        (0.001, "micrometres"),
        (0.0254, "thousandths of an inch"),
    ):
        if _near(value_mm * factor, nominal_mm):
            short = {"inches": "in", "centimetres": "cm", "micrometres": "um", "thousandths of an inch": "mil"}[unit]
            return f"This looks like {unit}: {value_mm:g} {short} is {value_mm * factor:.3f} mm. Enter millimetres."
    for places in (10.0, 100.0):
        if _near(value_mm / places, nominal_mm):
            return f"The decimal point looks misplaced: did you mean {value_mm / places:g}?"
    return None


def doubt_repeat(field: str, value: float, middle: float, unit: str) -> Doubt | None:
    """Returns a doubt when a reading of a study can hardly be of what its repeats are of.

    Args:
        value: as entered, in the unit.
        middle: median of its repeats, or the reference value of what was read.
        unit: "mm" for a length; empty for a coordinate of colour, which may be 0.

    Example:
        >>> doubt_repeat("value", 0.0689, 1.75, "mm").hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
        >>> doubt_repeat("value", 9.7, 97.0, "").hint
        'The decimal point looks misplaced: did you mean 97?'
    """
    if abs(value - middle) <= FAR_OFF if not unit else _near(value, middle):
        return None
    slip = _slip_of_length(value, middle) if unit else _slip_of_point(value, middle)
    return (
        Doubt(field, f"{value:g}{f' {unit}' if unit else ''} lies far from {middle:g}, where it belongs.", slip)
        if slip
        else None
    )


def _slip_of_point(value: float, middle: float) -> str | None:
    """What a coordinate of colour far from where it should be looks like: a decimal point at the wrong place."""
    shifted = next((moved for moved in (10 * value, value / 10) if abs(moved - middle) <= FAR_OFF), None)
    return None if shifted is None else f"The decimal point looks misplaced: did you mean {shifted:g}?"


def _near(value: float, nominal: float, band: float = _DIAMETER_BAND) -> bool:
    return abs(value - nominal) <= band * nominal + 1e-12


def doubt_shrinkage(designed_mm: float, measured_mm: float) -> Doubt | None:
    """Returns a doubt when two lengths cannot be a coupon and its model.

    Example:
        >>> doubt_shrinkage(100, 3.921).hint
        'This looks like inches: 3.921 in is 99.593 mm. Enter millimetres.'
    """
    low, high = _SHRINK_BAND
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
    return Doubt("measured_mm", detail, "Check both lengths, and that they belong to the same feature.")


def doubt_moisture(percent: float) -> Doubt | None:
    """Returns a doubt when a moisture cannot be % by mass of a polymer.

    Example:
        >>> doubt_moisture(250).hint
        'This looks like ppm: 250 ppm is 0.025 %. Enter percent by mass.'
    """
    if percent == 0 or _MOISTURE_LEAST_PERCENT <= percent <= _MOISTURE_MAX_PERCENT:
        return None
    detail = f"{percent:g} % is not a plausible moisture content."
    if 0 < percent < _MOISTURE_LEAST_PERCENT:
        return Doubt(
            "moisture_percent",
            detail,
            f"This looks like a fraction: {percent:g} is {100 * percent:g} %. Enter percent by mass.",
        )
    if percent > _MOISTURE_MAX_PERCENT and percent / 10_000 <= _MOISTURE_MAX_PERCENT:
        return Doubt(
            "moisture_percent",
            detail,
            f"This looks like ppm: {percent:g} ppm is {percent / 10_000:g} %. Enter percent by mass.",
        )
    return Doubt("moisture_percent", detail, "Enter percent by mass, 0 to 5.")


def doubt_stress(field: str, stress_mpa: float) -> Doubt | None:
    """Returns a doubt when a breaking stress across layers cannot be that of a printed polymer.

    Example:
        >>> doubt_stress("stress_mpa", 12_100_000.0).hint
        'This looks like pascals: 12.1 MPa. Enter megapascals.'
    """
    low, high = _STRESS_MPA
    if low <= stress_mpa <= high:
        return None
    detail = f"{stress_mpa:g} MPa is not a plausible breaking stress of a printed bar."
    if field == "break_force_n":
        return Doubt(
            field, detail, "Check that the force is in newtons (1 kgf is 9.81 N) and the area in square millimetres."
        )
    if low <= stress_mpa / 1e6 <= high and stress_mpa >= 1e5:
        return Doubt(field, detail, f"This looks like pascals: {stress_mpa / 1e6:g} MPa. Enter megapascals.")
    if low <= stress_mpa / 145.038 <= high:
        return Doubt(field, detail, f"This looks like psi: {stress_mpa / 145.038:.1f} MPa. Enter megapascals.")
    return Doubt(field, detail, "Enter megapascals (N/mm2).")


def doubt_lab(lab: Sequence[float], uv: str | None) -> Doubt | None:
    """Returns a doubt when three numbers cannot be a CIELAB colour of a plastic.

    L* above 100 needs fluorescence, so it is believed only where UV was in the beam.

    Example:
        >>> doubt_lab([0.95, -0.8, 1.5], None) is None
        True
        >>> doubt_lab([950, -0.8, 1.5], None).field
        'lab'
    """
    try:
        color = Lab(*lab)
    except ValueError as wrong:
        return Doubt("lab", f"{wrong}.", "Give [L*, a*, b*] as the instrument shows them, not RGB and not XYZ.")
    if color.L > 100 and uv != "included":
        return Doubt(
            "lab",
            f"L* is {color.L:g}, above 100.",
            "Only a fluorescent sample read with UV included can exceed 100; check the reading and the UV condition.",
        )
    return None


def suspect_master(read: Lab, approved: Lab) -> str | None:
    """Returns a warning when a master reads so far from what was approved that it can hardly be that plaque, else None.

    Args:
        read: mean of its readings now, under the conditions of the approval.
        approved: its values.

    Example:
        >>> suspect_master(Lab(95, -0.8, 9.0), Lab(95, -0.8, 1.5))
        'The master reads L* +0.00, a* +0.00, b* +7.50 from its approved values, L* 95.00, a* -0.80, b* 1.50'
    """
    apart = [mine - theirs for mine, theirs in zip(read.as_list(), approved.as_list(), strict=True)]
    if all(abs(one) <= FAR_OFF for one in apart):
        return None
    lightness, a, b = apart
    values = f"L* {approved.L:.2f}, a* {approved.a:.2f}, b* {approved.b:.2f}"
    return f"The master reads L* {lightness:+.2f}, a* {a:+.2f}, b* {b:+.2f} from its approved values, {values}"


def suspect_repeat(colors: Sequence[Lab]) -> tuple[int, str, str] | None:
    """Returns which reading of one plaque lies so far from the others that it was hardly read there, in words and with a hint, else None.

    Args:
        colors: readings of one plaque in one session, each against the median of all.

    Example:
        >>> suspect_repeat([Lab(97, 0, 0.4), Lab(9.7, 0, 0.4), Lab(97.1, 0, 0.4)])[2]
        'The decimal point looks misplaced: did you mean 97?'
    """
    middles = [median(axis) for axis in zip(*(color.as_list() for color in colors), strict=True)]
    for index, color in enumerate(colors):
        for name, value, middle in zip(("L*", "a*", "b*"), color.as_list(), middles, strict=True):
            if abs(value - middle) > FAR_OFF:
                slip = _slip_of_point(value, middle) if len(colors) > 2 else None
                hint = slip or "Read it again, and look whether it is the right plaque."
                return index, f"{name} {value:g} lies {abs(value - middle):.3g} from the middle of its readings", hint
    return None


def suspect_lab(lab: Lab, others: Lab) -> str | None:
    """Returns a warning when a colour would agree with its lot if a* and b* were swapped or had another sign.

    A warning, not a refusal: the reading may be right.

    Args:
        lab: the reading.
        others: mean of the lot's other readings.

    Returns:
        What it looks like, or None. A swap or a lost sign is suspected when undoing it brings the reading at least three times nearer to the
        others, and it was at least 1.0 away (CIE76). This project's own choice.

    Example:
        >>> suspect_lab(Lab(95, 0.8, 1.5), Lab(95, -0.8, 1.5))
        'a* may have lost its minus sign: the other readings of this lot average L* 95.00, a* -0.80, b* 1.50'
    """
    away = math.dist(lab.as_list(), others.as_list())
    if away < 1.0:
        return None
    tries = {
        f"a* may have {_sign_slip(lab.a)}": (-lab.a, lab.b),
        f"b* may have {_sign_slip(lab.b)}": (lab.a, -lab.b),
        "a* and b* may be swapped": (lab.b, lab.a),
        "a* and b* may both have the wrong sign": (-lab.a, -lab.b),
    }
    slip, (a, b) = min(tries.items(), key=lambda entry: math.dist((lab.L, *entry[1]), others.as_list()))
    if math.dist((lab.L, a, b), others.as_list()) > away / 3:
        return None
    return f"{slip}: the other readings of this lot average L* {others.L:.2f}, a* {others.a:.2f}, b* {others.b:.2f}"


def far_from_reference(lab: Lab, reference: Lab, *, by_spectrum: bool) -> tuple[str, str] | None:
    """Returns a warning and a hint when a colour lies too far from its reference to be that of the same material.

    A warning, not a refusal: the reading may be right.

    Args:
        lab: the reading.
        reference: what it is compared with.
        by_spectrum: True when it was computed from a spectrum, whose unit may have been taken for another.

    Example:
        >>> far_from_reference(Lab(96, 0, 0), Lab(24.5, 0, 0), by_spectrum=True)[0]
        'L* is 96.00 and that of the reference 24.50, farther apart than lots of one shade ever are.'
    """
    if abs(lab.L - reference.L) <= FAR_FROM_REFERENCE_L:
        return None
    detail = (
        f"L* is {lab.L:.2f} and that of the reference {reference.L:.2f}, farther apart than lots of one shade ever are."
    )
    slip = "Is it the right spool, and were L*, a*, b* given in this order?"
    if by_spectrum and lab.L > reference.L:
        slip = "The values look like percent: 0.9 % is 0.009."
    elif by_spectrum:
        slip = "Is it the right spool, and are the values reflectance factors, 1 being the perfect white?"
    return detail, slip


def _sign_slip(value: float) -> str:
    return "lost its minus sign" if value > 0 else "gained a minus sign"
