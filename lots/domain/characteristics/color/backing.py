"""Backing of plaques that are not opaque: which colours are comparable, and the next action for others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.opacity.lot_opacity import OPAQUE_DELTA_E, Opacity, latest
from lots.domain.colorimetry.color_values import Conditions


def backing_problem(found: Opacity, said: Conditions, asked: Conditions | None) -> tuple[str, str] | None:
    """Returns why a colour is not comparable because of its backing, and a hint; None where it is comparable.

    A plaque that is not opaque needs the backing of the reference.

    Args:
        found: opacity of the lot's plaques.
        said: conditions of the colour.
        asked: conditions of the reference; None without one, and then the backing must at least be stated.

    Example:
        >>> from lots.domain.characteristics.opacity.lot_opacity import opacity
        >>> from lots.domain.colorimetry.color_values import Lab
        >>> thin = opacity(Lab(93.0, -0.9, 1.0), Lab(95.0, -0.8, 1.5))
        >>> backing_problem(thin, Conditions("D65", 10, "d/8", "SCI", backing="white"), None) is None
        True
    """
    if found.opaque:
        return None
    why = (
        "Plaques of this lot are not opaque, so they need the backing of the reference. Black and white backing differ by "
        f"{found.delta_e:.2f} ({found.formula}), more than {OPAQUE_DELTA_E:g}."
    )
    if said.backing is None:
        return f"{why} This reading does not state its backing.", "State the backing, or print a thicker plaque."
    if asked is not None and asked.backing is None:
        hint = "Ask quality to approve a revision that states its backing, or print a thicker plaque."
        return f"{why} The reference does not state its backing.", hint
    if asked is not None and said.backing != asked.backing:
        hint = f"Measure again over {asked.backing}, or print a thicker plaque."
        return f"{why} The backing of the reference is {asked.backing}, that of this plaque {said.backing}.", hint
    return None


def backing_action(found: Opacity | None, asked: Conditions | None) -> str:
    """Returns the action needed before any colour of the lot is comparable; "" where none is needed.

    Args:
        found: newest opacity of the lot's plaques, None when not measured.
        asked: conditions of the reference; None without one.

    Example:
        >>> from lots.domain.characteristics.opacity.lot_opacity import opacity
        >>> from lots.domain.colorimetry.color_values import Lab
        >>> thin = opacity(Lab(93.0, -0.9, 1.0), Lab(95.0, -0.8, 1.5))
        >>> backing_action(thin, Conditions("D65", 10, "d/8", "SCI", backing="white"))
        ''
    """
    if found is None or found.opaque or (asked is not None and asked.backing is not None):
        return ""
    since = f"(not opaque, {found.formula} {found.delta_e:.2f} between black and white)"
    if asked is None:
        return f"ask quality to approve a shade revision that states its backing {since}"
    return f"ask quality for a shade revision with a backing and a reassessment, or print thicker plaques {since}"


def color_wanted(found: Opacity | None, asked: Conditions | None) -> str:
    """Returns the name of a colour reading in the next actions, with its backing where that matters.

    Example:
        >>> from lots.domain.characteristics.opacity.lot_opacity import opacity
        >>> from lots.domain.colorimetry.color_values import Lab
        >>> thin = opacity(Lab(93.0, -0.9, 1.0), Lab(95.0, -0.8, 1.5))
        >>> color_wanted(thin, Conditions("D65", 10, "d/8", "SCI", backing="white"))
        'colour (backing: white)'
    """
    backing = asked.backing if asked is not None else None
    if found is None or found.opaque or backing is None:
        return "colour"
    # A semicolon separates actions.
    return f"colour (backing: {backing.replace(';', ',')})"


def on_another_backing(reading: Any, beside: Mapping[str, Sequence[Any]], shade: ShadeRevision | None) -> str:
    """Returns why a colour can fail its lot but not pass it because of its backing, else ""."""
    newest, asked = latest(beside.get("opacity", ())), shade.conditions if shade else None
    problem = backing_problem(newest.found, reading.conditions, asked) if newest else None
    return " ".join(problem) if problem else ""


def on_its_backing(readings: list[Any], plaque: Opacity | None, shade: ShadeRevision | None) -> list[Any]:
    """Returns the colours with a comparable backing, for the lot's mean and its series."""
    if plaque is None:
        return readings
    asked = shade.conditions if shade else None
    return [reading for reading in readings if backing_problem(plaque, reading.conditions, asked) is None]
