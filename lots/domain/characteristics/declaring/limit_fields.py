"""Limits blocks: fields, defaults and checks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Any, Literal

# An error: JSON pointer below the limits block, detail, hint.
Problem = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class LimitField:
    """One field of a limits block.

    Args:
        name: with its unit.
        type: a number, a whole number, [lowest, highest], one of `words`, a list of numbers, a map of `parts`, or text.
        about: short description for the form and the documentation.
        on_form: explanation on the form, where it differs from `about`.
        label: on the form, with its unit; "" where the plain name is enough.
        asks: True where it sets a limit by itself. A block with such fields needs at least one of them.
        above, low, high: range; for a pair, of both numbers.
        needed, default, hint: as for any field.
        example: value in the documentation's example of limits.
        proposal: value proposed in the form; None without one.
        source: of the proposal.
        words, parts: of a choice; of a map.
        ends: names of the numbers of a pair.
        schema: schema name of a map; "" where it follows from the field's name.
        alike: True where it has the same meaning in every block and is handled in one place.
        counts: number of readings needed per spool or per lot; "" for any other field.
        order: error and hint where the first of a pair is above the second.
    """

    name: str
    about: str = ""
    _: KW_ONLY
    on_form: str = ""
    label: str = ""
    type: Literal["number", "whole", "pair", "choice", "list", "map", "text"] = "number"
    asks: bool = False
    above: float | None = None
    low: float | None = None
    high: float | None = None
    needed: bool = False
    default: Any = None
    hint: str = ""
    example: Any = None
    proposal: Any = None
    source: str = "common practice, no source"
    words: tuple[str, ...] = ()
    parts: tuple[LimitField, ...] = ()
    ends: str = "lowest and highest"
    schema: str = ""
    alike: bool = False
    counts: Literal["", "spool", "lot"] = ""
    order: tuple[str, str] = ("The lower limit is above the upper one.", "Write [lowest, highest].")


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsBlock:
    """A characteristic's block of a limits revision.

    Args:
        about: description for the documentation.
        fields: in order.
        read: converts the posted block to its own type.
        problems: returns errors of a block beyond its fields, each with its pointer below the block.
        beside: fields that need a field that `asks`, and the error for a block without one.
        terms: returns further requirements in words for a report, given the block and the nominal diameter in mm.
    """

    about: str
    fields: tuple[LimitField, ...]
    read: Callable[[Mapping[str, Any]], Any]
    problems: Callable[[Mapping[str, Any]], Sequence[Problem]] = lambda block: ()
    beside: tuple[tuple[str, ...], str] = ((), "")
    terms: Callable[[Any, float], str] = lambda block, nominal_mm: ""

    def __post_init__(self) -> None:
        """Adds the field for the number of spools, which every block has."""
        object.__setattr__(self, "fields", (*self.fields, SPOOLS_MIN))


# Handled for all characteristics in `lots.domain.assessment.spools_covered`.
SPOOLS_MIN = LimitField(
    "spools_min",
    "fewest drawn spools for each finding, or all spools of a smaller lot",
    label="Fewest spools",
    type="whole",
    low=1,
    high=1000,
    alike=True,
)


# Default number of readings.
FEWEST = 1


def fewest(name: str, about: str, label: str = "", proposal: int | None = None) -> LimitField:
    """Returns the limits field for the number of readings, with the default `FEWEST`."""
    counts: Literal["spool", "lot"] = "spool" if "per_spool" in name else "lot"
    said = label or ("Fewest readings per spool" if counts == "spool" else "Fewest readings")
    return LimitField(
        name, about, type="whole", label=said, proposal=proposal, low=1, high=1000, default=FEWEST, counts=counts
    )
