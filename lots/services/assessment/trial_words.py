"""Visual trials in words: the tolerance they show, and what the limits they support would change."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict

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


class ColorBlock(TypedDict, total=False):
    """The colour block of limits, as far as a trial may set it."""

    formula: str
    weights: list[float] | None
    lot_max: float | None
    components_max: dict[str, float | None] | None


def proposal(formula: str, by_delta_e: ColorBlock | None, by_components: ColorBlock | None) -> str:
    """Returns the limits that would be posted, in the numbers that would be posted; None for a form that cannot be written."""
    forms = []
    if by_delta_e and by_delta_e.get("lot_max") is not None:
        forms.append(f"a colour difference of the lot of at most {by_delta_e['lot_max']:.2f} ({formula})")
    if parts := by_components and by_components.get("components_max"):
        forms.append("separate limits of " + ", ".join(f"{most:.2f} on d{name}*" for name, most in parts.items()))
    if not forms:
        return "The tolerance is too small for limits that can be written."
    says = f"{'; or '.join(forms)}: {'each' if len(forms) > 1 else 'it'} lets no lot's mean through that the trial does not."
    choice = " Which of them to take is for those who agree on it." if len(forms) > 1 else ""
    return f"{says[0].upper()}{says[1:]}{choice}"


def changes(current: ColorBlock, proposed: ColorBlock) -> str:
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


# The limits on a colour difference in words, by the name of their field.
_LIMITS = dict(
    zip(
        DIFFERENCES,
        (
            "the colour difference of the lot",
            "the colour difference of a spool",
            "the spread of the spools",
            "the step from the last accepted lot",
            "the difference between two lots of one job",
            "the difference between two spools of one job",
            "the difference of the control",
        ),
        strict=True,
    )
)


def _named(color: ColorBlock) -> dict[str, float]:
    """The limits that are set, in words."""
    stated: Mapping[str, object] = {**color}
    found = {words: one for name, words in _LIMITS.items() if isinstance(one := stated.get(name), int | float)}
    parts = color.get("components_max") or {}
    return found | {f"d{name}*": most for name in "Lab" if (most := parts.get(name)) is not None}
