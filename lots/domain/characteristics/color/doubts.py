"""Plausibility of colours, with hints at the probable error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import Any

from lots.domain.characteristics.declaring.plausibility import FAR_OFF, slip_of_point
from lots.domain.colorimetry.color_values import Lab

# Plausible difference in L* from the reference. Lots differ by one or two units. Common practice, no source.
FAR_FROM_REFERENCE_L = 20.0


def coordinates_of(reading: Any) -> list[tuple[str, float, tuple[Any, ...]]]:
    """Returns the coordinates of a colour reading, each with its conditions, which neighbours share."""
    return [(f"{name}*", x, (reading.conditions,)) for name, x in zip("Lab", reading.lab.as_list(), strict=True)]


def suspect_master(read: Lab, approved: Lab) -> str | None:
    """Returns a warning when a master differs too much from its approved values to be the same plaque, else None.

    Args:
        read: mean of its present readings, under the conditions of the approval.
        approved: its approved values.

    Example:
        >>> suspect_master(Lab(95, -0.8, 9.0), Lab(95, -0.8, 1.5))
        'The master differs by L* +0.00, a* +0.00, b* +7.50 from its approved values (L* 95.00, a* -0.80, b* 1.50)'
    """
    apart = [mine - theirs for mine, theirs in zip(read.as_list(), approved.as_list(), strict=True)]
    if all(abs(one) <= FAR_OFF for one in apart):
        return None
    by = ", ".join(f"{name}* {one:+z.2f}" for name, one in zip("Lab", apart, strict=True))
    return f"The master differs by {by} from its approved values ({_said(approved)})"


def suspect_repeat(colors: Sequence[Lab]) -> tuple[int, str, str] | None:
    """Returns the index of a reading that differs too much from the others of its plaque, with a warning and a hint, else None.

    Args:
        colors: readings of one plaque in one session, each compared with the median of all.

    Example:
        >>> suspect_repeat([Lab(97, 0, 0.4), Lab(9.7, 0, 0.4), Lab(97.1, 0, 0.4)])[2]
        'The decimal point looks misplaced: did you mean 97?'
    """
    middles = [median(axis) for axis in zip(*(color.as_list() for color in colors), strict=True)]
    for index, color in enumerate(colors):
        for name, value, middle in zip(("L*", "a*", "b*"), color.as_list(), middles, strict=True):
            if abs(value - middle) > FAR_OFF:
                slip = slip_of_point(value, middle) if len(colors) > 2 else None
                hint = slip or "Measure again, and check that it is the right plaque."
                return index, f"{name} {value:g} is {abs(value - middle):.3g} from the median of its readings", hint
    return None


def suspect_lab(lab: Lab, others: Lab) -> str | None:
    """Returns a warning when a colour would agree with its lot after a swap of two coordinates or a change of sign, else None.

    It is only a warning, since the reading may be right.

    Args:
        lab: the reading.
        others: mean of the lot's other readings.

    Returns:
        The probable error, or None. A swap or a lost sign is suspected when undoing it brings the reading at least three times nearer to the
        others, and it was at least 1.0 away (CIE76). This project's rule, no source.

    Example:
        >>> suspect_lab(Lab(95, 0.8, 1.5), Lab(95, -0.8, 1.5))
        'a* may have lost its minus sign: the other readings of this lot average L* 95.00, a* -0.80, b* 1.50'
    """
    away = math.dist(lab.as_list(), others.as_list())
    if away < 1.0:
        return None
    tries = {
        f"a* may have {_sign_slip(lab.a)}": (lab.L, -lab.a, lab.b),
        f"b* may have {_sign_slip(lab.b)}": (lab.L, lab.a, -lab.b),
        "a* and b* may be swapped": (lab.L, lab.b, lab.a),
        "a* and b* may both have the wrong sign": (lab.L, -lab.a, -lab.b),
        "L* and b* may be swapped": (lab.b, lab.a, lab.L),
    }
    slip, undone = min(tries.items(), key=lambda entry: math.dist(entry[1], others.as_list()))
    if math.dist(undone, others.as_list()) > away / 3:
        return None
    return f"{slip}: the other readings of this lot average {_said(others)}"


def far_from_reference(lab: Lab, reference: Lab, *, by_spectrum: bool) -> tuple[str, str] | None:
    """Returns a warning and a hint when a colour differs too much from its reference to be the same material, else None.

    It is only a warning, since the reading may be right.

    Args:
        lab: the reading.
        reference: the reference colour.
        by_spectrum: True when it was computed from a spectrum, whose unit may be wrong.

    Example:
        >>> far_from_reference(Lab(96, 0, 0), Lab(24.5, 0, 0), by_spectrum=True)[0]
        'L* is 96.00, and L* of the reference is 24.50. This difference is not plausible for lots of one shade.'
    """
    if abs(lab.L - reference.L) <= FAR_FROM_REFERENCE_L:
        return None
    detail = (
        f"L* is {lab.L:.2f}, and L* of the reference is {reference.L:.2f}. "
        "This difference is not plausible for lots of one shade."
    )
    slip = "Check the spool and the order of L*, a*, b*."
    turned = (lab.b, lab.a, lab.L)
    if math.dist(turned, reference.as_list()) <= math.dist(lab.as_list(), reference.as_list()) / 3:
        slip = f"L* and b* may be swapped: did you mean L* {lab.b:g} and b* {lab.L:g}?"
    if by_spectrum and lab.L > reference.L:
        slip = "The values look like percent: 0.9 % is 0.009."
    elif by_spectrum:
        slip = "Check the spool, and check that the values are reflectance factors from 0 to 1."
    return detail, slip


def _said(color: Lab) -> str:
    return ", ".join(f"{name}* {one:z.2f}" for name, one in zip("Lab", color.as_list(), strict=True))


def _sign_slip(value: float) -> str:
    return "lost its minus sign" if value > 0 else "gained a minus sign"
