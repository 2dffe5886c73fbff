"""What a reading measured, in words with units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from lots.domain.words import counted


def reading_words(kind: str, values: Mapping[str, Any]) -> str:
    """Returns what a reading measured, in words with units.

    Args:
        kind: one of the characteristics.
        values: as they were stored.

    Example:
        >>> reading_words("diameter", {"d1_mm": 1.84, "d2_mm": 1.66, "position_m": 3})
        '1.84 and 1.66 mm at 3 m'
    """
    return _READINGS[kind](values)


def _color_reading(v: Mapping[str, Any]) -> str:
    lightness, a, b = v["lab"]
    plaque = f", plaque {v['plaque']}" if v.get("plaque") else ""
    if v.get("spectrum"):
        # Computed, so it has more digits than were read.
        return f"L* {lightness:.2f}, a* {a:.2f}, b* {b:.2f}, from its spectrum{plaque}"
    return f"L* {lightness:g}, a* {a:g}, b* {b:g}{plaque}"


def _diameter_reading(v: Mapping[str, Any]) -> str:
    where = "" if v.get("position_m") is None else f" at {v['position_m']:g} m"
    return f"{v['d1_mm']:g} and {v['d2_mm']:g} mm{where}"


def _shrink_reading(v: Mapping[str, Any]) -> str:
    printer = f", printer {v['printer']}" if v.get("printer") else ""
    return (
        f"{v['axis'].upper()} {v['feature']}: {v['measured_mm']:g} mm of {v['designed_mm']:g} mm designed, "
        f"{v['age_h']:g} h after printing{printer}"
    )


def _bond_reading(v: Mapping[str, Any]) -> str:
    force = f" ({v['break_force_n']:g} N on {v['area_mm2']:g} mm2)" if v.get("break_force_n") else ""
    control = ", control bar" if v.get("control") else ""
    return f"{v['stress_mpa']:g} MPa{force}{control}" + (f", printer {v['printer']}" if v.get("printer") else "")


_READINGS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "color": _color_reading,
    "diameter": _diameter_reading,
    "shrinkage": _shrink_reading,
    "bond": _bond_reading,
    "surface": lambda v: f"{counted(v['specks'], 'speck')} on {v['area_dm2']:g} dm2",
    "moisture": lambda v: f"{v['moisture_percent']:g} %" + (f", {v['method']}" if v.get("method") else ""),
    "gloss": lambda v: f"{v['gloss_gu']:g} GU at {v['geometry_deg']} degrees",
    "opacity": lambda v: (
        f"contrast ratio {v['contrast_ratio']:.4f}: L* {v['over_black'][0]:g} over black, {v['over_white'][0]:g} over white"
    ),
}
