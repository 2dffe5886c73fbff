"""Sentences on visual trials: the tolerance found, and the limits proposed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict

from lots.domain.characteristics.color.declared_color import DIFFERENCES
from lots.domain.statistics.tolerance_ellipsoid import Tolerance


def tolerance(fitted: Tolerance, within: float) -> str:
    """Returns the size of a tolerance, its fit, and the judgements needed for the precision `within`, as a share."""
    return f"{fitted.says} {_fit(fitted)} {_more(fitted, within)}"


def _fit(fitted: Tolerance) -> str:
    if fitted.fit_p is None:
        return "There are too few plaques to test the fit of an ellipsoid."
    if fitted.dispersion > 1:
        return f"The plaques fit an ellipsoid poorly (dispersion {fitted.dispersion:.1f}). The intervals are widened by its square root."
    return "The plaques fit an ellipsoid (no significant lack of fit)."


def _more(fitted: Tolerance, within: float) -> str:
    more, coarser = fitted.more_judgements(within), 2 * within
    if not more:
        return f"Every axis is already known to {100 * within:g} %."
    cheaper = fitted.more_judgements(coarser)
    instead = (
        f"For {100 * coarser:g} % about {cheaper} are needed."
        if cheaper
        else f"A precision of {100 * coarser:g} % is already reached."
    )
    return f"About {more} more judgements of similar plaques are needed to know every axis to {100 * within:g} %. {instead}"


class ColorBlock(TypedDict, total=False):
    """The fields of the limits' colour block that a trial may set."""

    formula: str
    weights: list[float] | None
    lot_max: float | None
    components_max: dict[str, float | None] | None


def proposal(formula: str, by_delta_e: ColorBlock | None, by_components: ColorBlock | None) -> str:
    """Returns the sentence on the proposed limits. A form that cannot be written is None."""
    forms = []
    if by_delta_e and by_delta_e.get("lot_max") is not None:
        forms.append(f"a colour difference of the lot of at most {by_delta_e['lot_max']:.2f} ({formula})")
    if parts := by_components and by_components.get("components_max"):
        forms.append("separate limits of " + ", ".join(f"{most:.2f} on d{name}*" for name, most in parts.items()))
    if not forms:
        return "The tolerance is too small for limits that can be written."
    which = "Each form accepts" if len(forms) > 1 else "This accepts"
    choice = " Agree on one of them." if len(forms) > 1 else ""
    return f"Proposed limits: {', or '.join(forms)}. {which} only lot means that the trial accepts.{choice}"


def changes(current: ColorBlock, proposed: ColorBlock) -> str:
    """Returns the changes to the limits on a colour difference and its components, with their values.

    Args:
        current, proposed: colour blocks of limits.
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


# Names of the limits on a colour difference, by field.
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
    """Returns the limits that are set, by their names in sentences."""
    stated: Mapping[str, object] = {**color}
    found = {words: one for name, words in _LIMITS.items() if isinstance(one := stated.get(name), int | float)}
    parts = color.get("components_max") or {}
    return found | {f"d{name}*": most for name in "Lab" if (most := parts.get(name)) is not None}
