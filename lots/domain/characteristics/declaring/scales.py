"""Scales that show a single reading against a limit at the bench. They are for display; the assessment decides."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from lots.domain.conformity.limits import BINARY_NOISE, Limit

# Width of the scale beyond each end of the limit, as a part of the width inside. Display only, no source.
_BEYOND = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A scale for one value of a reading against its limit.

    Args:
        label: name of the value, at the head of a sentence.
        limit: of the lot.
        of: form entries that determine the value.
        how: the value is `each` entry, the `range` of the entries (largest less smallest), or `computed` from the reading.
        work_out: computes the value from the reading's fields, or None.
        holds_for: object of the limit where it is not the single reading, such as "the mean of a spool".
        decimals: of the value in words.
    """

    label: str
    limit: Limit
    of: tuple[str, ...]
    how: Literal["each", "range", "computed"] = "each"
    work_out: Callable[[Mapping[str, Any]], float | None] = lambda values: None
    holds_for: str = ""
    decimals: int = 3

    def values(self, reading: Mapping[str, Any]) -> list[tuple[str, float]]:
        """Returns the values of a reading with the entry that each belongs to.

        Args:
            reading: its fields. Values that are no numbers are left out.
        """
        if self.how == "computed":
            found = self.work_out(reading)
            return [] if found is None else [(self.of[-1], found)]
        numbers = [(name, float(one)) for name in self.of if _is_number(one := reading.get(name, ""))]
        if self.how == "each":
            return numbers
        return [(self.of[-1], max(n for _, n in numbers) - min(n for _, n in numbers))] if len(numbers) > 1 else []

    @property
    def ends(self) -> tuple[float, float]:
        """The values at the left and the right end of the scale.

        Example:
            >>> Scale(label="D", limit=Limit(1.5, 2.5), of=("d",)).ends, Scale(label="O", limit=Limit(None, 0.5), of=("d",)).ends
            ((1.0, 3.0), (0.0, 0.75))
        """
        low, high = self.limit.low, self.limit.high
        room = self.limit.room() or 1.0
        if low is not None and high is not None:
            return low - 2 * room * _BEYOND, high + 2 * room * _BEYOND
        if high is not None:
            # With an upper limit only, values such as lengths and counts start at 0.
            return (0.0, high + room * _BEYOND) if high > 0 else (high - room, high + room * _BEYOND)
        floor = low or 0.0
        return floor - room * _BEYOND, floor + room

    def at(self, value: float) -> float:
        """Returns the position of a value on the scale, 0..100, clipped at the ends."""
        left, right = self.ends
        return min(100.0, max(0.0, 100 * (value - left) / (right - left)))

    @property
    def band(self) -> tuple[float, float]:
        """The positions of both ends of the limit, 0..100."""
        low, high = self.limit.low, self.limit.high
        return 0.0 if low is None else self.at(low), 100.0 if high is None else self.at(high)

    def inside(self, value: float) -> bool:
        """Returns whether a value is inside the limit, ends included."""
        return self.limit.allows(value)

    def lies(self, value: float) -> str:
        """Returns the position of a value against the limit in words.

        Example:
            >>> scale = Scale(label="Single diameter", limit=Limit(1.7, 1.8, "mm"), of=("d1",))
            >>> scale.lies(1.748), scale.lies(1.812), scale.lies(1.8)
            ('inside', 'outside by 0.012 mm', 'inside, at the limit')
        """
        margin = self.limit.margin(value)
        if abs(margin) <= BINARY_NOISE:
            return "inside, at the limit"
        if margin > 0:
            return "inside"
        # Enough decimals that a value outside never shows a difference of 0.
        decimals = next((n for n in range(self.decimals, 9) if round(-margin, n) > 0), 9)
        return f"outside by {-margin:.{decimals}f}{f' {self.limit.unit}' if self.limit.unit else ''}"

    @property
    def asked(self) -> str:
        """The limit in words, with its object."""
        return f"{self.label}: {self.limit}{f', for {self.holds_for}' if self.holds_for else ''}."


# Returns the scales of a lot, given the limits block, the nominal diameter in mm and the shade revision.
Scales = Callable[[Any, float, Any], Sequence[Scale]]


def no_scales(block: Any, nominal_mm: float, shade: Any) -> Sequence[Scale]:
    """Returns no scales."""
    return ()


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
