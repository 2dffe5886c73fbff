"""Separation of shrinkage and bead offset by coupons of different lengths.

A bead wider than planned makes outside lengths longer and inside lengths shorter by the same amount, whatever the length. A single length
includes it: a shrinkage of 0.30 % with an offset of 0.1 mm appears as 0.20 % on 100 mm and -0.20 % on 20 mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

Basis = Literal["part", "material"]

# Least ratio of the longest to the shortest length of one feature. Common practice, no source: 100 and 90 mm with 0.02 mm of uncertainty
# each give a slope uncertain by 0.28 %.
LEAST_RATIO = 5.0
# Largest standard uncertainty of the slope, as a part of half the width of the limits. Common practice, no source, as `guard.COARSE_ABOVE`.
MOST_OF_ROOM = 1 / 3
# Assumed standard uncertainty of a caliper without a stated one, mm, for this rule only. Common practice, no source.
ASSUMED_CALIPER_MM = 0.02

LENGTHS_NEEDED = "measure outside and inside lengths, or lengths of at least 5 : 1"
# The basis of a shrinkage without the bead.
SEPARATED = "separated"


class Length(Protocol):
    """One length of a coupon."""

    @property
    def axis(self) -> str:
        """The axis of the printer."""
        ...

    @property
    def feature(self) -> str:
        """The side of the feature, outside or inside."""
        ...

    @property
    def designed_mm(self) -> float:
        """The designed length, mm."""
        ...


@dataclass(frozen=True, slots=True)
class SeparationRule:
    """The rule for separating shrinkage and bead offset along one axis.

    Args:
        room: half the width of the limits along the axis, %; None without limits, and then the lengths alone decide.
        basis: "part" never separates them, since the limits are on the part as measured.
    """

    room: float | None = None
    basis: Basis | None = None

    def lacking(self, noise_mm: float, spread_mm: float) -> str:
        """Returns the action still needed to separate shrinkage from bead offset with sufficient lengths; "" without any.

        The two are separated with outside and inside lengths, or lengths of at least 5 : 1. The standard uncertainty of the slope must also be
        below a third of half the width of the limits.

        Args:
            noise_mm: standard uncertainty of one length, mm.
            spread_mm: root of the sum of squares of the signed lengths about their mean, mm.

        Reference:
            Least squares, any textbook. The bounds are common practice, no source.
        """
        slope = 100 * noise_mm / spread_mm
        if self.room is None or slope < MOST_OF_ROOM * self.room:
            return ""
        return (
            "measure more or longer lengths, or use a better caliper (standard uncertainty without the bead "
            f"{slope:.2g} %, below {MOST_OF_ROOM * self.room:.2g} % required)"
        )


def enough_lengths(tests: Sequence[Length]) -> bool:
    """Returns whether outside and inside lengths were measured, or lengths of at least 5 : 1."""
    lengths = [test.designed_mm for test in tests]
    both = len({test.feature for test in tests}) > 1
    return both or (len(lengths) > 1 and max(lengths) >= LEAST_RATIO * min(lengths) * (1 - 1e-9))


def measured_on(tests: Iterable[Length]) -> str:
    """Returns the features and designed lengths of coupons in words, the basis of a shrinkage that includes the bead.

    Example:
        >>> from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkTest
        >>> measured_on([ShrinkTest("S", "x", "outside", d, d, 24) for d in (100, 50, 100)])
        'outside 50 mm, outside 100 mm'
    """
    every = sorted({(test.feature != "outside", test.designed_mm) for test in tests})
    return ", ".join(f"{'inside' if inside else 'outside'} {length:g} mm" for inside, length in every)


def steps_alike(
    mine: Mapping[str, str], before: Mapping[str, str], earlier: Mapping[str, float]
) -> tuple[dict[str, float], list[str]]:
    """Returns the comparable shrinkages of the last accepted lot, and a note for each axis that is not comparable.

    A step needs equal bases: both lots without the bead, or both measured on the same lengths and features.

    Args:
        mine: basis of this lot, per axis: `SEPARATED`, or the result of `measured_on`.
        before: basis of the last accepted lot; an axis is absent where not stored.
        earlier: its shrinkage per axis, %.
    """
    alike = {axis: percent for axis, percent in earlier.items() if axis not in mine or mine[axis] == before.get(axis)}
    notes = [
        f"No step in {axis.upper()} shrinkage is assessed. The last accepted lot was {_how(before.get(axis))}, this lot {_how(mine[axis])}."
        for axis in sorted(earlier.keys() - alike.keys())
    ]
    return alike, notes


def _how(basis: str | None) -> str:
    if basis is None:
        return "measured on unknown lengths"
    return "measured without the bead" if basis == SEPARATED else f"measured on {basis} with the bead"
