"""Visual trials in words: the tolerance they show, and what the limits they support would change."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lots.domain.characteristics.color.declared_color import DIFFERENCES
from lots.domain.statistics.tolerance_ellipsoid import Tolerance


def tolerance(fitted: Tolerance, within: float) -> str:
    """Returns how far a tolerance reaches, how well plaques fit it, and how many more judgements make it surer."""
    return f"{fitted.says} {_fit(fitted)} {_more(fitted, within)}"


def _fit(fitted: Tolerance) -> str:
    if fitted.fit_p is None:
        return "With as few plaques as this, nothing tells how well an ellipsoid fits."
    if fitted.dispersion > 1:
        return f"The plaques scatter {fitted.dispersion:.1f} times as much about an ellipsoid as chance explains; the intervals are widened by its root."
    return "The plaques fit an ellipsoid as well as chance lets expect."


def _more(fitted: Tolerance, within: float) -> str:
    more, coarser = fitted.more_judgements(within), 2 * within
    if not more:
        return f"Every axis is known to {100 * within:g} % already."
    cheaper = fitted.more_judgements(coarser)
    instead = (
        f"about {cheaper} make it {100 * coarser:g} %" if cheaper else f"to {100 * coarser:g} % it is known already"
    )
    return f"About {more} more judgements of plaques like these make every axis known to {100 * within:g} %; {instead}."


def proposal(formula: str, by_delta_e: dict[str, Any] | None, by_components: dict[str, Any] | None) -> str:
    """Returns the limits that would be posted, in the numbers that would be posted; None for a form that cannot be written."""
    forms = []
    if by_delta_e:
        forms.append(f"a colour difference of the lot of at most {by_delta_e['color']['lot_max']:.2f} ({formula})")
    if by_components:
        parts = by_components["color"]["components_max"]
        forms.append("separate limits of " + ", ".join(f"{most:.2f} on d{name}*" for name, most in parts.items()))
    if not forms:
        return "The tolerance is too small for limits that can be written."
    says = f"{'; or '.join(forms)}: {'each' if len(forms) > 1 else 'it'} lets no lot's mean through that the trial does not."
    choice = " Which of them to take is for those who agree on it." if len(forms) > 1 else ""
    return f"{says[0].upper()}{says[1:]}{choice}"


def changes(current: Mapping[str, Any], proposed: Mapping[str, Any]) -> str:
    """Returns which limits on a colour difference and its components are set, tightened, loosened and kept, with their numbers.

    Args:
        current, proposed: the colour block of limits, as it is posted.
    """
    before, after = _named(current), _named(proposed)
    said: dict[str, list[str]] = {}
    for name, limit in after.items():
        old = before.get(name)
        if old is None:
            said.setdefault("Sets", []).append(f"{name} {limit:g}")
        elif limit == old:
            said.setdefault("Keeps", []).append(f"{name} {limit:g}")
        else:
            said.setdefault("Tightens" if limit < old else "Loosens", []).append(f"{name} from {old:g} to {limit:g}")
    verbs = ("Tightens", "Loosens", "Sets", "Keeps")
    return " ".join(f"{verb} {', '.join(said[verb])}." for verb in verbs if verb in said)


def _named(color: Mapping[str, Any]) -> dict[str, float]:
    """The limits that are set, by the name of their field."""
    found = {name: color[name] for name in DIFFERENCES if color.get(name) is not None}
    parts = color.get("components_max") or {}
    return found | {f"components_max.{name}": parts[name] for name in "Lab" if parts.get(name) is not None}
