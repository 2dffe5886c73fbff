"""Limits held against the reference they are meant for: what the reference itself would not pass, no lot that matches it can."""

from __future__ import annotations

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.spectral_figures import whites_asked
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.registry import JUDGED
from lots.domain.conformity.findings import LABELS


def doubts_about_limits(limits: Limits, shade: ShadeRevision) -> list[Doubt]:
    """Returns what in these limits the reference does not pass, or leaves missing for every lot.

    A warning, not a refusal: the next revision of the reference may be the one that is meant.

    Args:
        limits: about to be set for a grade.
        shade: the reference its lots are compared with.

    Returns:
        Doubts whose `field` is a path into the limits, such as color/whiteness_min.
    """
    if limits.color is None:
        return []
    found = [*_metameric(limits.color, shade), *_white(limits.color, shade)]
    if limits.opacity is not None and shade.conditions.backing is None:
        detail = f"{_named(shade)} does not say what lay behind it, so a lot whose plaques are not opaque cannot pass on its colour."
        found.append(Doubt("opacity", detail, "Approve a revision whose conditions state backing."))
    return found


def _named(shade: ShadeRevision) -> str:
    return f"Revision {shade.revision} of {shade.name}"


def _metameric(limits: ColorLimits, shade: ShadeRevision) -> list[Doubt]:
    if limits.metamerism_max is None or shade.spectrum is not None:
        return []
    detail = f"{_named(shade)} was approved without a spectrum, so metamerism stays missing and no lot can pass."
    return [Doubt("color/metamerism_max", detail, "Approve a revision by its spectrum, or set no limit on metamerism.")]


_WITHOUT = "Leave this limit out."
_PASSED = "Set a limit that the reference passes with room for the lots, or leave it out."


def _white(limits: ColorLimits, shade: ShadeRevision) -> list[Doubt]:
    found = []
    for code, limit, figure, why_not in whites_asked(shade, limits):
        field = JUDGED[code].limited_by
        try:
            value, outside = figure(shade.lab), why_not(shade.lab)
        except ValueError as wrong:
            found.append(Doubt(f"color/{field}", f"It cannot be told of {_named(shade)}: {wrong}.", _WITHOUT))
            continue
        if not limit.allows(value):
            detail = f"{_named(shade)} does not pass this itself: {LABELS[code]} {value:.2f}, limit {limit}."
            found.append(Doubt(f"color/{field}", detail, _PASSED))
        elif outside:
            detail = (
                f"The formula does not apply to {_named(shade)} ({', '.join(outside)}), so no lot like it can pass."
            )
            found.append(Doubt(f"color/{field}", detail, _WITHOUT))
    return found
