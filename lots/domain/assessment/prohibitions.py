"""What a grade must not be used for, and why: what quality stated, and what its finish and filler forbid by default."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from lots.domain.code_identity import identity
from lots.domain.words import hyphenated

# What is mixed into a filament. `other` is quality's word that it is neither mineral nor fibre.
FILLER_KINDS = ("none", "pigment", "mineral", "fibre", "other")
# Shapes that a grade can be forbidden for; `tabs.shapes_of` says which a tab has.
SHAPES = {"thin_upright": "thin upright tabs"}
# Uses that live on the bond between layers.
WEAKENED = ("load_bearing", "flexing")
_WEAKENING = ("mineral", "fibre")
# Words that people write into `filler` for a filament without one, or with colour alone. A text with any other word may name a filler.
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
    """What quality said about one use or shape of a grade.

    Args:
        about: the use or the shape.
        reason: why, in words.
        by, at: who said it, and when.
        from_caution: True when it was carried over from a caution's sentence and quality has not confirmed it.
    """

    about: str
    reason: str
    by: str
    at: datetime
    from_caution: bool = False


@dataclass(frozen=True, slots=True)
class Prohibition:
    """One reason against one use or shape of a grade.

    Args:
        about: the use or the shape.
        source: quality, caution (carried over, not confirmed), finish, or filler.
        reason: why, in words.
        by, at: who stated it and when; None where it follows from finish or filler.
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
    """A grade as far as it decides what the grade must not be used for. Nothing is read out of a caution's sentence.

    Args:
        finish, filler: free text, None when nothing was said.
        filler_kind: one of FILLER_KINDS, None when nobody stated it.
        stated: what quality forbids, use by use.
        permitted: uses that quality permits all the same.
        shapes: shapes that quality forbids.
    """

    finish: str | None = None
    filler: str | None = None
    filler_kind: str | None = None
    stated: Sequence[Statement] = ()
    permitted: Sequence[Statement] = ()
    shapes: Sequence[Statement] = ()

    def grounds(self) -> list[Prohibition]:
        """Returns every reason against a use, those that a permission lifts too: stated ones first, then finish, then filler.

        Notes:
            A matte finish, a mineral and a fibre filler weaken the bond between layers, so they forbid load-bearing and flexing uses (common
            practice, no source). It fails closed: a filler of whose kind nothing is stated forbids them too, unless its text names pigments alone.
        """
        found = [_stated(one) for one in self.stated]
        if self.finish is not None and is_matte(self.finish):
            found += [Prohibition(use, "finish", f"its finish is {self.finish}") for use in WEAKENED]
        if against := self._filler_against():
            found += [Prohibition(use, "filler", against) for use in WEAKENED]
        return found

    def forbidden(self) -> list[Prohibition]:
        """Returns the reasons against a use that no permission lifts. A use without one here is not forbidden."""
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
        """Returns what quality still has to state or confirm about the grade, in sentences."""
        carried = [hyphenated(one.about) for one in self.stated if one.from_caution]
        found = []
        if carried:
            listed = ", ".join(carried)
            found.append(
                f"Forbidden by an old caution and not confirmed: {listed}. State the forbidden uses with a reason."
            )
        if self.filler_kind is None:
            found.append("The kind of filler is not stated. State it for the grade.")
        return found

    def _filler_against(self) -> str | None:
        if self.filler_kind in _WEAKENING:
            return f"it has a {self.filler_kind} filler"
        if self.filler_kind is None and self.filler is not None and not is_color_alone(self.filler):
            return f'the kind of its filler ("{self.filler}") is not stated'
        return None


def permission_says(granted: Statement) -> str:
    """Returns a permission as a sentence for the person who loads under it."""
    use, reason = hyphenated(granted.about), granted.reason.rstrip(".")
    return f'Quality permits {use} use of this grade, which is otherwise forbidden: "{reason}" ({granted.by}, {granted.at:%Y-%m-%d}).'


def _stated(one: Statement) -> Prohibition:
    said = one.reason.rstrip(".")
    return Prohibition(one.about, "caution" if one.from_caution else "quality", f'"{said}"', one.by, one.at)


@lru_cache(maxsize=256)  # a shop has few fillers
def is_color_alone(filler: str) -> bool:
    """Returns whether the text about a filler names none but pigments: every word of it is known to.

    Example:
        >>> is_color_alone("White pigment, TiO2"), is_color_alone("unfilled"), is_color_alone("white pigment, chalk")
        (True, True, False)
    """
    words = set(re.findall(r"[^\W\d_]+", filler.casefold()))
    # An amount alone is that of something.
    return words <= _COLOR_ALONE and (bool(words) or not any(sign.isdigit() for sign in filler))


@lru_cache(maxsize=256)  # a shop has few finishes
def is_matte(finish: str) -> bool:
    """Returns whether a finish is a matte one, however it is spelt; a half-matte one counts.

    Example:
        >>> is_matte("Matt"), is_matte("semi-matte"), is_matte("satin")
        (True, True, False)
    """
    words = [identity(word) for word in finish.replace("-", " ").split()]
    return "matt" in identity(finish) or "mat" in words or "mate" in words
