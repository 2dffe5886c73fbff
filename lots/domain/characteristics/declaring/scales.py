"""Where a value of one reading lies against a limit of its lot, to be drawn beside the field in which it is typed. It decides nothing: the assessment does."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from lots.domain.conformity.limits import BINARY_NOISE, Limit

# How much of a scale lies beyond each end of its limit, as a part of the room inside. Presentation, no source.
_BEYOND = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A limit that a value of one reading is drawn against.

    Args:
        label: the value, at the head of a sentence.
        limit: of the lot.
        of: entries of the form that the value follows from.
        how: `each` of the entries is such a value; their `range` is (the largest less the smallest); or it is `computed` from the reading.
        work_out: for a computed value, from the reading's fields; None where they do not tell.
        holds_for: what the limit is set on, where that is not the single reading, such as "the mean of a spool".
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
        """Returns the values of a reading with the entry that each stands beside.

        Args:
            reading: its fields. Whatever is no number is left out.
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
        """The values at the left and the right end of the scale, between which the limit lies with room beyond each of its ends.

        Example:
            >>> Scale(label="D", limit=Limit(1.5, 2.5), of=("d",)).ends, Scale(label="O", limit=Limit(None, 0.5), of=("d",)).ends
            ((1.0, 3.0), (0.0, 0.75))
        """
        low, high = self.limit.low, self.limit.high
        room = self.limit.room() or 1.0
        if low is not None and high is not None:
            return low - 2 * room * _BEYOND, high + 2 * room * _BEYOND
        if high is not None:
            # Below a limit with one end lie values down to 0, as of a length or a count.
            return (0.0, high + room * _BEYOND) if high > 0 else (high - room, high + room * _BEYOND)
        floor = low or 0.0
        return floor - room * _BEYOND, floor + room

    def at(self, value: float) -> float:
        """Returns where a value lies between the ends, 0 to 100; one beyond them at the end."""
        left, right = self.ends
        return min(100.0, max(0.0, 100 * (value - left) / (right - left)))

    @property
    def band(self) -> tuple[float, float]:
        """Where the limit lies between the ends, 0 to 100."""
        low, high = self.limit.low, self.limit.high
        return 0.0 if low is None else self.at(low), 100.0 if high is None else self.at(high)

    def inside(self, value: float) -> bool:
        """Returns whether a value lies inside the limit, its ends included."""
        return self.limit.allows(value)

    def lies(self, value: float) -> str:
        """Returns in words where a value lies.

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
        # A value that is outside is never told to be outside by nothing.
        decimals = next((n for n in range(self.decimals, 9) if round(-margin, n) > 0), 9)
        return f"outside by {-margin:.{decimals}f}{f' {self.limit.unit}' if self.limit.unit else ''}"

    @property
    def asked(self) -> str:
        """The limit in words, with what it is set on."""
        return f"{self.label}: {self.limit}{f', for {self.holds_for}' if self.holds_for else ''}."


# Entries and limits of a lot to its scales: given the limits block, the nominal diameter in mm and the shade revision.
Scales = Callable[[Any, float, Any], Sequence[Scale]]


def no_scales(block: Any, nominal_mm: float, shade: Any) -> Sequence[Scale]:
    """Returns nothing: no value of a single reading is drawn."""
    return ()


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
