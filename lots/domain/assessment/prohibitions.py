"""Forbidden uses of a grade: stated by quality, or by default from its finish and filler."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from lots.domain.code_identity import identity
from lots.domain.words import hyphenated

# Kinds of filler. `other` means that quality stated a filler that is neither mineral nor fibre.
FILLER_KINDS = ("none", "pigment", "mineral", "fibre", "other")
# Shapes that a grade can be forbidden for; `tabs.shapes_of` returns those of a tab.
SHAPES = {"thin_upright": "thin upright tabs"}
# Uses that depend on interlayer strength.
WEAKENED = ("load_bearing", "flexing")
_WEAKENING = ("mineral", "fibre")
# Words in `filler` that mean no filler, or pigments only. A text with any other word may name a filler.
_COLOR_ALONE = frozenset(
    [
        "none",
        "no",
        "filler",
        "unfilled",
        "n",
        "a",
        "without",
        "only",
        "natural",
        "pigment",
        "pigments",
        "pigmented",
        "dye",
        "dyed",
        "masterbatch",
        "titanium",
        "dioxide",
        "tio",
        "white",
        "black",
        "grey",
        "gray",
        "red",
        "orange",
        "yellow",
        "green",
        "blue",
        "brown",
        "optical",
        "brightener",
        "brightened",
        "brighteners",
        "and",
        "with",
        "colour",
        "color",
    ]
)


@dataclass(frozen=True, slots=True)
class Statement:
    """Quality's statement on one use or shape of a grade.

    Args:
        about: the use or the shape.
        reason: in words.
        by, at: author and time.
        from_caution: True when it was taken over from a caution and quality has not confirmed it.
    """

    about: str
    reason: str
    by: str
    at: datetime
    from_caution: bool = False


@dataclass(frozen=True, slots=True)
class Prohibition:
    """A reason against one use or shape of a grade.

    Args:
        about: the use or the shape.
        source: quality, caution (taken over, not confirmed), finish, or filler.
        reason: in words.
        by, at: author and time; None where it follows from finish or filler.
    """

    about: str
    source: str
    reason: str
    by: str | None = None
    at: datetime | None = None

    @property
    def says(self) -> str:
        """The prohibition as a sentence."""
        what = SHAPES.get(self.about) or f"{hyphenated(self.about)} use"
        return f"The grade is forbidden for {what}: {self.reason}{self._whose}."

    @property
    def _whose(self) -> str:
        if self.source == "caution":
            return " (from a caution, not confirmed by quality)"
        return f" ({self.by}, {self.at:%Y-%m-%d})" if self.by and self.at else ""


@dataclass(frozen=True, slots=True)
class Material:
    """The properties of a grade that decide its forbidden uses. The text of cautions is not interpreted.

    Args:
        finish, filler: free text, None when not stated.
        filler_kind: one of FILLER_KINDS, None when not stated.
        stated: uses that quality forbids.
        permitted: uses that quality permits despite a default prohibition.
        shapes: shapes that quality forbids.
    """

    finish: str | None = None
    filler: str | None = None
    filler_kind: str | None = None
    stated: Sequence[Statement] = ()
    permitted: Sequence[Statement] = ()
    shapes: Sequence[Statement] = ()

    def grounds(self) -> list[Prohibition]:
        """Returns every reason against a use, including those lifted by a permission: stated ones, then finish, then filler.

        Notes:
            A matte finish, a mineral filler and a fibre filler reduce interlayer strength, so they forbid load-bearing and flexing uses
            (common practice, no source). A filler of unknown kind forbids them too, unless its text names pigments only.
        """
        found = [_stated(one) for one in self.stated]
        if self.finish is not None and is_matte(self.finish):
            found += [Prohibition(use, "finish", f"its finish is {self.finish}") for use in WEAKENED]
        if against := self._filler_against():
            found += [Prohibition(use, "filler", against) for use in WEAKENED]
        return found

    def forbidden(self) -> list[Prohibition]:
        """Returns the reasons that no permission lifts. A use without a reason here is not forbidden."""
        lifted = {one.about for one in self.permitted}
        return [one for one in self.grounds() if one.about not in lifted]

    def against(self, use: str) -> list[Prohibition]:
        """Returns the reasons in force against one use."""
        return [one for one in self.forbidden() if one.about == use]

    def permission(self, use: str) -> Statement | None:
        """Returns quality's permission for a use that would be forbidden without it."""
        granted = next((one for one in self.permitted if one.about == use), None)
        return granted if granted and any(one.about == use for one in self.grounds()) else None

    def against_shapes(self, shapes: Sequence[str]) -> list[Prohibition]:
        """Returns the reasons against shapes of a part."""
        return [_stated(one) for one in self.shapes if one.about in shapes]

    def to_review(self) -> list[str]:
        """Returns the statements that quality still has to make or confirm, in sentences."""
        carried = [hyphenated(one.about) for one in self.stated if one.from_caution]
        found = []
        if carried:
            listed = ", ".join(carried)
            found.append(
                f"Forbidden by an old caution and not confirmed: {listed}. State the forbidden uses with a reason."
            )
        if self.filler_kind is None:
            found.append("The kind of filler is missing. State it for the grade.")
        return found

    def _filler_against(self) -> str | None:
        if self.filler_kind in _WEAKENING:
            return f"it has a {self.filler_kind} filler"
        if self.filler_kind is None and self.filler is not None and not is_color_alone(self.filler):
            return f'the kind of its filler ("{self.filler}") is not stated'
        return None


def permission_says(granted: Statement) -> str:
    """Returns a permission as a sentence for the operator."""
    use, reason = hyphenated(granted.about), granted.reason.rstrip(".")
    return f'Quality permits {use} use of this grade despite the default prohibition: "{reason}" ({granted.by}, {granted.at:%Y-%m-%d}).'


def _stated(one: Statement) -> Prohibition:
    said = one.reason.rstrip(".")
    return Prohibition(one.about, "caution" if one.from_caution else "quality", f'"{said}"', one.by, one.at)


@lru_cache(maxsize=256)  # a shop has few fillers
def is_color_alone(filler: str) -> bool:
    """Returns whether the text on a filler names pigments only, or no filler.

    Example:
        >>> is_color_alone("White pigment, TiO2"), is_color_alone("unfilled"), is_color_alone("white pigment, chalk")
        (True, True, False)
    """
    words = set(re.findall(r"[^\W\d_]+", filler.casefold()))
    # A text with a number only is an amount of an unnamed filler.
    return words <= _COLOR_ALONE and (bool(words) or not any(sign.isdigit() for sign in filler))


@lru_cache(maxsize=256)  # a shop has few finishes
def is_matte(finish: str) -> bool:
    """Returns whether a finish is matte or semi-matte, in any spelling.

    Example:
        >>> is_matte("Matt"), is_matte("semi-matte"), is_matte("satin")
        (True, True, False)
    """
    words = [identity(word) for word in finish.replace("-", " ").split()]
    return "matt" in identity(finish) or "mat" in words or "mate" in words
