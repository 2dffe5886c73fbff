"""Check of limits against their reference: a limit that the reference fails cannot be passed by a lot that matches it."""

from __future__ import annotations

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.spectral_figures import whites_asked
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.registry import JUDGED
from lots.domain.conformity.findings import LABELS


def doubts_about_limits(limits: Limits, shade: ShadeRevision) -> list[Doubt]:
    """Returns the limits that the reference fails, or that no lot can be assessed against.

    They are warnings, since a later revision of the reference may be meant.

    Args:
        limits: new limits for a grade.
        shade: the reference of its lots.

    Returns:
        Doubts whose `field` is a path into the limits, such as color/whiteness_min.
    """
    if limits.color is None:
        return []
    found = [*_metameric(limits.color, shade), *_white(limits.color, shade)]
    if limits.opacity is not None and shade.conditions.backing is None:
        detail = f"{_named(shade)} does not state its backing, so lots with plaques that are not opaque cannot pass on colour."
        found.append(Doubt("opacity", detail, "Approve a revision whose conditions state backing."))
    return found


def _named(shade: ShadeRevision) -> str:
    return f"Revision {shade.revision} of {shade.name}"


def _metameric(limits: ColorLimits, shade: ShadeRevision) -> list[Doubt]:
    if limits.metamerism_max is None or shade.spectrum is not None:
        return []
    detail = f"{_named(shade)} has no spectrum, so metamerism stays missing and no lot can pass."
    return [Doubt("color/metamerism_max", detail, "Approve a revision with a spectrum, or remove this limit.")]


_WITHOUT = "Remove this limit."
_PASSED = "Set a limit that the reference passes with a margin, or remove it."


def _white(limits: ColorLimits, shade: ShadeRevision) -> list[Doubt]:
    found = []
    for code, limit, figure, why_not in whites_asked(shade, limits):
        field = JUDGED[code].limited_by
        try:
            value, outside = figure(shade.lab), why_not(shade.lab)
        except ValueError as wrong:
            found.append(Doubt(f"color/{field}", f"It is not defined for {_named(shade)}: {wrong}.", _WITHOUT))
            continue
        if not limit.allows(value):
            detail = f"{_named(shade)} itself fails this limit: {LABELS[code]} {value:z.2f}, limit {limit}."
            found.append(Doubt(f"color/{field}", detail, _PASSED))
        elif outside:
            detail = f"No similar lot can pass. The formula does not apply to {_named(shade)} ({', '.join(outside)})."
            found.append(Doubt(f"color/{field}", detail, _WITHOUT))
    return found
