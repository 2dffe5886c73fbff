"""What lies behind a plaque that is not opaque: which colours of it can be compared, and what the others wait for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.opacity.lot_opacity import OPAQUE_DELTA_E, Opacity, latest
from lots.domain.colorimetry.color_values import Conditions


def backing_problem(found: Opacity, said: Conditions, asked: Conditions | None) -> tuple[str, str] | None:
    """Returns why a colour of such a plaque cannot be compared, and what to do; None where it can.

    A plaque that is not opaque needs a fixed backing: the one the reference was read over.

    Args:
        found: opacity of the lot's plaques.
        said: conditions of the colour.
        asked: conditions of the reference; None where there is none, and then the backing must at least be stated.

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
        f"Plaques of this lot are not opaque: black or white behind them makes {found.delta_e:.2f} ({found.formula}), more than "
        f"{OPAQUE_DELTA_E:g}, and a plaque that is not opaque needs a fixed backing."
    )
    if said.backing is None:
        return f"{why} This reading does not say what lay behind it.", "State backing, or print a thicker plaque."
    if asked is not None and asked.backing is None:
        hint = "Have quality approve a revision that states its backing, or print a thicker plaque."
        return f"{why} The reference does not say what lay behind it.", hint
    if asked is not None and said.backing != asked.backing:
        hint = f"Measure again with {asked.backing} behind it, or print a thicker plaque."
        return f"{why} The reference lay on {asked.backing}, this plaque on {said.backing}.", hint
    return None


def way_out(found: Opacity | None, asked: Conditions | None) -> str:
    """Returns what the colour of a lot waits for while no reading of it could be compared; "" where one can be.

    Args:
        found: newest opacity of the lot's plaques, None when nobody read it.
        asked: conditions of the reference; None where there is none.

    Example:
        >>> from lots.domain.characteristics.opacity.lot_opacity import opacity
        >>> from lots.domain.colorimetry.color_values import Lab
        >>> thin = opacity(Lab(93.0, -0.9, 1.0), Lab(95.0, -0.8, 1.5))
        >>> way_out(thin, Conditions("D65", 10, "d/8", "SCI", backing="white"))
        ''
    """
    if found is None or found.opaque or (asked is not None and asked.backing is not None):
        return ""
    since = f"since black or white behind the lot's plaques makes {found.delta_e:.2f} ({found.formula})"
    if asked is None:
        return f"an approved shade revision for this grade that states its backing, {since}"
    return (
        f"a shade revision that states its backing, approved by quality, and the lot judged again under it, or a thicker plaque, {since} "
        "and the reference does not say what lay behind it"
    )


def color_wanted(found: Opacity | None, asked: Conditions | None) -> str:
    """Returns what a colour reading of such a plaque is called among the things to do: with its backing where that matters.

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
    # A semicolon would part the list of things to do.
    return f"colour (backing: {backing.replace(';', ',')})"


def on_another_backing(reading: Any, beside: Mapping[str, Sequence[Any]], shade: ShadeRevision | None) -> str:
    """Returns why a colour of a plaque that is not opaque counts against its lot only, "" where its backing is that of the reference."""
    newest, asked = latest(beside.get("opacity", ())), shade.conditions if shade else None
    problem = backing_problem(newest.found, reading.conditions, asked) if newest else None
    return " ".join(problem) if problem else ""


def on_its_backing(readings: list[Any], plaque: Opacity | None, shade: ShadeRevision | None) -> list[Any]:
    """Returns the colours that do not depend on the backing: what a change of it would have changed is neither the lot's mean nor its series."""
    if plaque is None:
        return readings
    asked = shade.conditions if shade else None
    return [reading for reading in readings if backing_problem(plaque, reading.conditions, asked) is None]
