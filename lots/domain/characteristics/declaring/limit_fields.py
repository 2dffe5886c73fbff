"""What a limits block may ask: its fields with their defaults, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Any, Literal

# A JSON pointer below the limits block, what is wrong there, and what to do.
Problem = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class LimitField:
    """One field of a limits block.

    Args:
        name: with its unit.
        type: a number, a whole number, [lowest, highest], one of `words`, a list of numbers, a map of `parts`, or text.
        about: what it asks, a short sentence or phrase for the form and the documentation.
        label: on the form, with its unit; "" where the name in plain words does.
        asks: it sets a limit by itself; a block must have one that does, where any does.
        above, low, high: ends of what is taken; of both ends for a pair.
        needed, default, hint: as for any field.
        example: in the document's example of limits, which has the blocks with one.
        proposal: a value to begin with, as a form proposes it; None where none is common.
        source: where the proposal comes from.
        words, parts: of a choice; of a map.
        ends: of a pair, what its numbers are.
        schema: name of a map's shape in the document; "" where that follows from its name.
        alike: it means the same in every block that has it, and is judged for all in one place.
        counts: it says how many readings are needed, of a spool or in all; "" for any other field.
        order: what is wrong where the first of a pair is above the second, and what to do.
    """

    name: str
    about: str = ""
    _: KW_ONLY
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
    """The block of a limits revision.

    Args:
        about: what it limits, for the documentation.
        fields: in order.
        read: the block as posted to the value that judging uses.
        problems: what is wrong with a block beyond its fields, each with its pointer below the block.
        beside: fields that limit something only beside one that `asks`, and the sentence for a block of these alone.
        terms: what a block asks beside its limits, in words for a report; given the block and the nominal diameter in mm.
    """

    about: str
    fields: tuple[LimitField, ...]
    read: Callable[[Mapping[str, Any]], Any]
    problems: Callable[[Mapping[str, Any]], Sequence[Problem]] = lambda block: ()
    beside: tuple[tuple[str, ...], str] = ((), "")
    terms: Callable[[Any, float], str] = lambda block, nominal_mm: ""

    def __post_init__(self) -> None:
        """Every block may say on how many spools it must rest, so that none is forgotten."""
        object.__setattr__(self, "fields", (*self.fields, SPOOLS_MIN))


# Judged for all in one place, see `lots.domain.assessment.spools_covered`.
SPOOLS_MIN = LimitField(
    "spools_min",
    "drawn spools that each finding must rest on, or all when there are fewer",
    label="Fewest spools",
    type="whole",
    low=1,
    high=1000,
    alike=True,
)


# Readings that a block asks for where it does not say.
FEWEST = 1


def fewest(name: str, about: str, label: str = "", proposal: int | None = None) -> LimitField:
    """Returns the field of a limits block that says how many readings are needed: `FEWEST` when left out."""
    counts: Literal["spool", "lot"] = "spool" if "per_spool" in name else "lot"
    said = label or ("Fewest readings per spool" if counts == "spool" else "Fewest readings")
    return LimitField(
        name, about, type="whole", label=said, proposal=proposal, low=1, high=1000, default=FEWEST, counts=counts
    )
