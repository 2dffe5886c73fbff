"""Validated values: colours, and their measuring conditions."""

from __future__ import annotations

import math
import re
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any

# Common short forms, mapped to one spelling so that "SCI" and "included" are the same condition.
_SPELLINGS = {
    "specular": {
        "sci": "included",
        "sce": "excluded",
        "spin": "included",
        "spex": "excluded",
        "in": "included",
        "ex": "excluded",
    },
    "uv": {
        "uv in": "included",
        "uv included": "included",
        "on": "included",
        "uv out": "excluded",
        "uv excluded": "excluded",
        "off": "excluded",
        "cut": "excluded",
    },
    "geometry": {"d8": "d/8", "di8": "d/8", "di:8": "d/8", "de:8": "d/8", "45:0": "45/0", "0:45": "0/45"},
}
# Faces of a printed plaque by its position in the printer.
FACES = ("top", "bed", "side")


_LAB_RANGES = (("L*", 0.0, 110.0), ("a*", -150.0, 150.0), ("b*", -150.0, 150.0))


# Relative tolerance of equal thickness. Common practice, no source.
_ONE_THICKNESS = 0.05


def same_thickness(mine_mm: float, asked_mm: float) -> bool:
    """Returns whether a plaque is within 5 % of the required thickness (common practice, no source).

    Example:
        >>> same_thickness(2.1, 2.0), same_thickness(2.2, 2.0)
        (True, False)
    """
    return abs(mine_mm - asked_mm) <= _ONE_THICKNESS * asked_mm * (1 + 1e-9)


# Conditions that do not apply to a spectrum.
LIGHT = ("illuminant", "observer_deg")
# A condition that a reading does not state, in words.
NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Lab:
    """A colour in CIELAB.

    Args:
        L: lightness L*, 0..110 (above 100 only with fluorescence).
        a: a*, -150..150; positive is redder, negative greener.
        b: b*, -150..150; positive is yellower, negative bluer.

    Raises:
        ValueError: a coordinate is not a finite number in its range; the message has field, value and range.

    Reference:
        ISO/CIE 11664-4 (CIELAB). The ranges are this project's own bounds for a plastic surface.

    Example:
        >>> Lab(95.0, -0.8, 1.5).chroma
        1.7
    """

    L: float
    a: float
    b: float

    def __post_init__(self) -> None:
        for (name, low, high), value in zip(_LAB_RANGES, self.as_list(), strict=True):
            if not math.isfinite(value) or not low <= value <= high:
                raise ValueError(f"{name} is {value:g}; it must be a number from {low:g} to {high:g}")

    @property
    def chroma(self) -> float:
        """Chroma C*ab, the distance from the neutral axis (ISO/CIE 11664-4)."""
        return math.hypot(self.a, self.b)

    def as_list(self) -> list[float]:
        """Returns the coordinates in the order L*, a*, b*."""
        return [self.L, self.a, self.b]


def nearest_lab(L: float, a: float, b: float) -> Lab:
    """Returns the colour at these coordinates, each clipped to its range.

    For computed colours, not for readings: a reading out of range is rejected.

    Example:
        >>> nearest_lab(110.2, -0.8, -151)
        Lab(L=110.0, a=-0.8, b=-150.0)
    """
    return Lab(*(min(max(at, low), high) for at, (_, low, high) in zip((L, a, b), _LAB_RANGES, strict=True)))


def mean_lab(colors: list[Lab]) -> Lab:
    """Returns the mean colour, averaged per coordinate in CIELAB.

    Hue angles are not averaged, because 359 and 1 degree would give 180.

    Args:
        colors: at least one colour.

    Raises:
        ValueError: the list is empty.

    Example:
        >>> mean_lab([Lab(95, -0.8, 2.1), Lab(95, -0.8, 0.9)])
        Lab(L=95.0, a=-0.8, b=1.5)
    """
    if not colors:
        raise ValueError("a mean requires at least one colour")
    n = len(colors)
    return Lab(
        math.fsum(c.L for c in colors) / n, math.fsum(c.a for c in colors) / n, math.fsum(c.b for c in colors) / n
    )


def _named(said: str, **more: Any) -> Any:
    """Returns the field of an optional condition, with its name for people."""
    return field(default=None, metadata={"said": said, **more})


def _of_plaque(said: str, unit: str = "", low: float = 0.0, high: float = 0.0, agrees: Any = None) -> Any:
    """Returns the field of a condition of the plaque: unit and range of a number, and when it agrees with the requirement."""
    return _named(said, plaque=True, unit=unit, low=low, high=high, agrees=agrees or math.isclose)


@dataclass(frozen=True, slots=True)
class Conditions:
    """Measuring conditions of a colour, and its plaque. Two readings are comparable only when these agree.

    Args:
        illuminant: CIE illuminant, such as "D65".
        observer_deg: CIE standard observer, 2 or 10 degrees.
        geometry: such as "d/8" or "45/0".
        specular: specular component, "included" or "excluded".
        uv: "included" or "excluded", or None if not stated.
        backing: such as "white", or None if not stated.
        age_h: hours after printing, >= 0. A reference states the least age of its readings.
        face: "top", "bed" or "side" of the plaque, by its position in the printer.
        thickness_mm: of the plaque, 0.1..20 mm; within 5 % it is equal.
        texture: such as "smooth".
        aperture_mm: diameter of the measured area, 0.1..100 mm.
        orientation_deg: of the instrument to the printed lines, 0..360 degrees.

    The last six are None if not stated.

    Raises:
        ValueError: a required condition is blank, the observer is neither 2 nor 10, the face is unknown, or a number is out of range.

    Reference:
        ISO 18314-1 and ASTM E1164 list light, observer, geometry and backing among the required statements of a colour report. The effect of
        a print's age, face, thickness and lines on its colour is common practice, no source; so are the least age and the 5 %.
    """

    illuminant: str
    observer_deg: int = field(metadata={"said": "observer"})
    geometry: str
    specular: str = field(metadata={"said": "specular component"})
    uv: str | None = _named("UV")
    backing: str | None = _named("backing")
    age_h: float | None = _of_plaque("age after printing", "h", 0, 100_000, lambda mine, asked: mine >= asked - 1e-9)
    face: str | None = _of_plaque("face")
    thickness_mm: float | None = _of_plaque("thickness", "mm", 0.1, 20, same_thickness)
    texture: str | None = _of_plaque("texture")
    aperture_mm: float | None = _of_plaque("aperture", "mm", 0.1, 100)
    orientation_deg: float | None = _of_plaque("orientation", "°", 0, 360)

    def __post_init__(self) -> None:
        if self.observer_deg not in (2, 10):
            raise ValueError(f"the observer is {self.observer_deg!r}°; the CIE standard observers are 2 and 10")
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, str):
                value = _one_spelling(one.name, value)
                object.__setattr__(self, one.name, value)
            if one.default is MISSING and value in ("", None):
                raise ValueError(f"{condition_name(one.name)} must be stated")
            known = one.metadata
            if known.get("unit") and value is not None and not known["low"] <= value <= known["high"]:
                raise ValueError(
                    f"{condition_name(one.name)} is {value!r}; it must be a number from {known['low']:g} to {known['high']:g}"
                )
        if self.face is not None and self.face not in FACES:
            raise ValueError(f"face is {self.face!r}; it must be one of {', '.join(FACES)}")

    def differences(self, asked: Conditions) -> list[tuple[str, str, str]]:
        """Returns each condition of this reading that differs from the reference.

        Conditions that the reference does not state are not compared. A condition that only the reference states is a difference.

        Args:
            asked: the reference's conditions.

        Returns:
            (field name, value of the reading, value of the reference), in the order of the fields.

        Example:
            >>> Conditions("D65", 10, "d/8", "SCE").differences(Conditions("D65", 10, "d/8", "SCI"))
            [('specular', 'excluded', 'included')]
        """
        found = []
        for one in fields(self):
            mine, theirs = getattr(self, one.name), getattr(asked, one.name)
            if theirs is not None and not _agrees(one, mine, theirs):
                least = "at least " if one.name == "age_h" else ""
                stated = NOT_STATED if mine is None else _said(one, mine)
                found.append((one.name, stated, f"{least}{_said(one, theirs)}"))
        return found

    def as_dict(self) -> dict[str, str | int | float]:
        """Returns the stated conditions by field name."""
        return {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}

    def comparable_with(self, asked: Conditions) -> bool:
        """Returns whether a reading under these conditions is comparable with a reference measured under `asked`."""
        return not self.differences(asked)

    def __str__(self) -> str:
        said = [self.illuminant, f"{self.observer_deg} deg observer", self.geometry, f"specular {self.specular}"]
        said += [f"UV {self.uv}"] if self.uv else []
        said += [f"{self.backing} backing"] if self.backing else []
        plaque = (one for one in fields(self) if one.name in PLAQUE and getattr(self, one.name) is not None)
        said += [f"{condition_name(one.name)} {_said(one, getattr(self, one.name))}" for one in plaque]
        return ", ".join(said)


# Conditions of the plaque and of the measured area.
PLAQUE = tuple(one.name for one in fields(Conditions) if one.metadata.get("plaque"))


def _agrees(one: Field[Any], mine: Any, asked: Any) -> bool:
    """Returns whether a condition of a reading meets the reference; False if it is not stated."""
    if mine is None or not one.metadata.get("unit"):
        return bool(mine == asked)
    return bool(one.metadata["agrees"](mine, asked))


def _said(one: Field[Any], value: Any) -> str:
    """Returns a condition with its unit."""
    unit = one.metadata.get("unit")
    return f"{value:g} {unit}".replace(" °", "°") if unit else str(value)


def condition_name(name: str) -> str:
    """Returns the name of a condition for people: "observer" for `observer_deg`."""
    return str(next(one.metadata.get("said", one.name) for one in fields(Conditions) if one.name == name))


def _one_spelling(field: str, said: str) -> str:
    text = re.sub(r"\s+", " ", said.replace("°", "").strip())
    if field == "illuminant":
        return text.upper()
    text = text.lower()
    if field == "geometry":
        text = text.replace(" ", "")
    return _SPELLINGS.get(field, {}).get(text, text)
