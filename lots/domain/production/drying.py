"""Drying of a spool: conformity with the grade's drying rule, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

# Permitted negative deviation from the drying temperature, °C; hotter is not permitted. Common practice, no source.
COOLER_C = 5.0

CAUTION = (
    "Dry filament in a filament dryer or an oven that is never used for food. Stay below the softening temperature and follow the dryer's "
    "manual. Do not leave it unattended, because it may start a fire."
)
TOO_HOT = "may stick together or be oval. Check that it unwinds, and measure its diameter before loading it."


@dataclass(frozen=True, slots=True)
class DryingRule:
    """Drying rule of a grade: temperature in °C, time in h, and softening temperature in °C; None where not stated."""

    dry_c: float | None = None
    dry_h: float | None = None
    softening_c: float | None = None

    @property
    def as_json(self) -> dict[str, float] | None:
        """The stated values by field name; None without any."""
        stated = {"dry_c": self.dry_c, "dry_h": self.dry_h, "softening_c": self.softening_c}
        return {name: value for name, value in stated.items() if value is not None} or None

    @classmethod
    def from_json(cls, kept: Mapping[str, Any] | None) -> DryingRule:
        """Returns the rule from its `as_json`."""
        return cls(**(kept or {}))

    @property
    def in_words(self) -> str:
        """Temperature and time in brackets, such as "(45 °C, 6 h)"; "" without both."""
        return "" if self.dry_c is None or self.dry_h is None else f" ({self.dry_c:g} °C, {self.dry_h:g} h)"

    def too_hot(self, temperature_c: float) -> bool:
        """Returns whether a drying was hotter than the softening temperature."""
        return self.softening_c is not None and temperature_c > self.softening_c

    def conforms(self, temperature_c: float, hours: float) -> bool | None:
        """Returns whether a drying met the rule; None without a rule.

        A drying conforms at the rule's temperature or at most 5 °C below, for at least the rule's time. A hotter drying never conforms.

        Args:
            temperature_c: of the air around the spool, °C.
            hours: time at that temperature, h, > 0.

        Reference:
            Common practice, no source.
        """
        if self.dry_c is None or self.dry_h is None:
            return None
        return (
            self.dry_c - COOLER_C <= temperature_c <= self.dry_c
            and hours >= self.dry_h
            and not self.too_hot(temperature_c)
        )

    def says(self, temperature_c: float, hours: float) -> str:
        """Returns in words whether a drying met the rule, and the deviations."""
        hot = (
            f" {temperature_c:g} °C is above the softening temperature of {self.softening_c:g} °C, so the filament {TOO_HOT}"
            if self.too_hot(temperature_c)
            else ""
        )
        if self.dry_c is None or self.dry_h is None:
            return f"Recorded. The grade has no drying rule, so this drying cannot be assessed.{hot}"
        lacks = []
        if temperature_c > self.dry_c:
            lacks.append(f"it was hotter than {self.dry_c:g} °C")
        elif temperature_c < self.dry_c - COOLER_C:
            lacks.append(f"it was cooler than {self.dry_c - COOLER_C:g} °C")
        if hours < self.dry_h:
            lacks.append(f"it was {self.dry_h - hours:g} h too short")
        rule = f"the grade's rule{self.in_words}"
        if not lacks:
            return f"This drying meets {rule}.{hot}"
        return f"This drying does not meet {rule}, because {' and '.join(lacks)}.{hot}"
