"""Strength check of a thin tab printed from a lot: a cantilever beam against the lot's interlayer strength."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean, stdev

from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.words import counted

CAUTION = (
    "This is an estimate for choosing a lot and an orientation, not a design approval. Notches, fatigue, creep, heat and impact "
    "reduce the strength. Parts that carry load need their own tests and the judgement of a licensed or competent engineer. "
    "Local codes apply."
)
# Below this ratio of length to thickness, shear and compliance of the root matter. Common practice, no source.
_SLENDER_ABOVE = 5.0
# An upright tab is thin where its section is thinner than this in either direction, mm. Common practice, no source.
THIN_BELOW_MM = 3.0
# Uses of the material in a tab; both apply where none is given.
TAB_USES = ("load_bearing", "flexing")


@dataclass(frozen=True, slots=True)
class TabAsk:
    """A tab fixed at its root and loaded at its end.

    Args:
        width_mm: across the bending, mm, > 0.
        thickness_mm: in the direction it bends, mm, > 0.
        lever_mm: from the root to the load, mm, > 0.
        load_n: N, > 0.
        layers: "across" when the layers lie across the tab, so that bending pulls them apart; "along" when they run along it.

    Raises:
        ValueError: a size or load that is not a positive number, sizes so extreme that the stress is not finite, or unknown `layers`.
    """

    width_mm: float
    thickness_mm: float
    lever_mm: float
    load_n: float
    layers: str

    def __post_init__(self) -> None:
        for name in ("width_mm", "thickness_mm", "lever_mm", "load_n"):
            value = getattr(self, name)
            if not math.isfinite(value) or value <= 0:
                raise ValueError(f"{name} is {value!r}; it must be a number above 0")
        if self.layers not in ("across", "along"):
            raise ValueError(f"layers is {self.layers!r}; it must be across or along")
        stress = root_stress_mpa(self)
        if not math.isfinite(stress) or stress <= 0:
            raise ValueError(f"these sizes and this load give a stress of {stress!r} MPa; check them")


def shapes_of(ask: TabAsk) -> tuple[str, ...]:
    """Returns the shapes of `prohibitions.SHAPES` that a tab has.

    Notes:
        A tab with its layers across stands upright on the plate. It is thin when its width or its thickness is below 3 mm.

    Example:
        >>> shapes_of(TabAsk(10, 2, 20, 5, "across")), shapes_of(TabAsk(10, 3, 20, 5, "across")), shapes_of(TabAsk(10, 2, 20, 5, "along"))
        (('thin_upright',), (), ())
    """
    thin = not Limit(THIN_BELOW_MM, None).allows(min(ask.width_mm, ask.thickness_mm))
    return ("thin_upright",) if thin and ask.layers == "across" else ()


def root_stress_mpa(ask: TabAsk) -> float:
    """Returns the greatest bending stress at the root of a tab, in MPa: 6 F l / (w t^2).

    Reference:
        Bending of a beam of rectangular section, fixed at one end and loaded at the other; any strength-of-materials handbook, such as
        Roark's Formulas for Stress and Strain. Elastic, small deflection, no notch.

    Example:
        >>> root_stress_mpa(TabAsk(10, 2, 20, 5, "across"))
        15.0
    """
    # Dividing by one factor at a time avoids a square that underflows to zero.
    return 6 * ask.load_n * ask.lever_mm / ask.width_mm / ask.thickness_mm / ask.thickness_mm


def lower_bound_of_mean(values: Sequence[float], confidence: float = 0.95) -> float | None:
    """Returns the one-sided lower confidence bound of a mean, or None from fewer than two values.

    Args:
        values: measured, in any unit.
        confidence: 0 < confidence < 1.

    Reference:
        Student's t: mean - t s / sqrt(n), any statistics handbook.

    Example:
        >>> round(lower_bound_of_mean([12.1, 10.4, 13.0, 9.2, 11.8]), 3)
        9.87
    """
    n = len(values)
    if n < 2:
        return None
    from scipy.special import stdtrit

    return fmean(values) - float(stdtrit(n - 1, confidence)) * stdev(values) / math.sqrt(n)


@dataclass(frozen=True, slots=True)
class TabCheck:
    """Result of a tab check. `enough` is True exactly when there are no reasons against.

    `basis_mpa` is the smaller of the bound and the weakest specimen. `reserve` is `basis_mpa` over `stress_mpa`. All but the stress are None
    where interlayer strength does not apply or is unknown.
    """

    stress_mpa: float
    bound_mpa: float | None
    weakest_mpa: float | None
    basis_mpa: float | None
    reserve: float | None
    enough: bool
    least_thickness_mm: float | None
    n: int
    says: str
    caution: str = CAUTION
    reasons: tuple[str, ...] = ()


def check_tab(
    ask: TabAsk, stresses_mpa: Sequence[float], reserve_wanted: float = 2.0, against: Sequence[str] = ()
) -> TabCheck:
    """Returns whether a lot's interlayer strength is sufficient for a tab with the required reserve, and the thickness needed.

    Args:
        ask: the tab.
        stresses_mpa: breaking stresses of the lot's own specimens across the layers, MPa, > 0.
        reserve_wanted: strength over stress, >= 1.
        against: reasons not to print this tab from the lot, regardless of its strength.

    Raises:
        ValueError: a reserve below 1 or a stress that is not a positive number.

    Notes:
        The strength is the smaller of the lower 95 % confidence bound of the mean and the weakest specimen. A bound at or below zero gives no
        strength. A tab along the layers is not covered. In words the reserve is rounded down and the thickness up, so that a tab as thick as
        stated is sufficient.
    """
    if not math.isfinite(reserve_wanted) or reserve_wanted < 1:
        raise ValueError(f"reserve_wanted is {reserve_wanted!r}; it must be at least 1")
    if not all(math.isfinite(stress) and stress > 0 for stress in stresses_mpa):
        raise ValueError("a breaking stress must be a number above 0")
    found = _by_bond(ask, stresses_mpa, reserve_wanted)
    if not against:
        return found if found.enough else replace(found, reasons=(found.says,))
    by_bond = [] if found.enough else [found.says]
    says = f"Do not print this tab. {against[0]} {found.says}"
    return replace(found, enough=False, says=says, reasons=(*against, *by_bond))


def weakest_of(checks: Sequence[TabCheck]) -> TabCheck:
    """Returns the weakest check of a tab made from filament of several lots, with all reasons of all lots.

    Args:
        checks: of the same tab, one per lot, at least one.
    """
    least = min(checks, key=lambda check: (check.enough, check.reserve is not None, check.reserve or 0.0))
    return replace(least, reasons=tuple(dict.fromkeys(reason for check in checks for reason in check.reasons)))


def _by_bond(ask: TabAsk, stresses_mpa: Sequence[float], reserve_wanted: float) -> TabCheck:
    stress, n = root_stress_mpa(ask), len(stresses_mpa)
    bound, weakest = lower_bound_of_mean(stresses_mpa), min(stresses_mpa, default=None)
    if ask.layers == "along":
        says = (
            f"Bending stress {stress:.2f} MPa along the layers. This check covers only tabs with layers across the tab."
        )
        return TabCheck(stress, bound, weakest, None, None, False, None, n, says)
    if bound is None or weakest is None:
        says = f"Bending stress {stress:.2f} MPa. The lot has {counted(n, 'interlayer strength test')}. At least 2 are required."
        return TabCheck(stress, bound, weakest, None, None, False, None, n, says)
    basis = min(bound, weakest)
    if basis <= 0:
        says = f"Bending stress {stress:.2f} MPa. The spread of the specimens is too large to give a strength. Test more specimens."
        return TabCheck(stress, bound, weakest, basis, None, False, None, n, says)
    reserve = basis / stress
    least = math.sqrt(6 * ask.load_n * ask.lever_mm * reserve_wanted / (ask.width_mm * basis))
    enough = Limit(reserve_wanted, None).allows(reserve)
    thicker = "" if enough else f" The tab must be {shown(math.ceil(least * 100) / 100)} mm thick."
    says = (
        f"Bending stress {stress:.2f} MPa, interlayer strength {basis:.2f} MPa (n = {n} specimens). "
        f"The reserve of {_rounded_down(reserve)} is {'' if enough else 'not '}enough (required {reserve_wanted:g}).{thicker}"
    )
    if ask.lever_mm < _SLENDER_ABOVE * ask.thickness_mm:
        says += " The tab is short for its thickness, so the beam formula is inaccurate."
    return TabCheck(stress, bound, weakest, basis, reserve, enough, least, n, says)


def _rounded_down(reserve: float) -> str:
    """Returns a reserve with two decimals, rounded down except for binary noise."""
    return shown(math.floor(reserve * 100 + 1e-8) / 100)
