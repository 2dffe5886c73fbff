"""Whether the lengths of coupons tell the shrinkage of the material from the offset of the bead, and what a shrinkage then is of.

A bead wider than planned makes outside lengths longer and inside lengths shorter by the same amount, whatever the length. One length includes
it: 0.30 % and a bead of 0.1 mm read 0.20 % on 100 mm and -0.20 % on 20 mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

Basis = Literal["part", "material"]

# The longest length must be at least this many times the shortest of the same feature. Common practice, no source: 100 and 90 mm, read with
# 0.02 mm each, leave 0.28 % of noise in the slope.
LEAST_RATIO = 5.0
# The slope's standard uncertainty must be below this part of half the width of the limits. Common practice, as `guard.COARSE_ABOVE`.
MOST_OF_ROOM = 1 / 3
# Standard uncertainty of a caliper that states none, mm, for this rule only. Common practice, no source.
ASSUMED_CALIPER_MM = 0.02

LENGTHS_NEEDED = "lengths outside and inside, or lengths of at least 5 : 1"
# What a shrinkage is of whose bead offset is told apart.
SEPARATED = "separated"


class Length(Protocol):
    """One length of a coupon."""

    @property
    def axis(self) -> str:
        """Of the printer."""
        ...

    @property
    def feature(self) -> str:
        """Outside or inside."""
        ...

    @property
    def designed_mm(self) -> float:
        """As drawn, mm."""
        ...


@dataclass(frozen=True, slots=True)
class SeparationRule:
    """When shrinkage and bead offset along one axis are told apart.

    Args:
        room: half the width of the limits along the axis, in %; None without limits, and then the lengths alone decide.
        basis: "part" never separates them, because the limits are on the part as measured.
    """

    room: float | None = None
    basis: Basis | None = None

    def lacking(self, noise_mm: float, spread_mm: float) -> str:
        """Returns what is still needed to tell shrinkage from bead offset by lengths that are enough; "" where nothing is.

        The two are told apart where lengths outside and inside were measured, or lengths of at least 5 : 1, and where the standard uncertainty
        of the slope is below a third of half the width of the limits.

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
            f"more or longer lengths, or a finer caliper: the shrinkage without the bead is uncertain by {slope:.2g} %, "
            f"and must be by less than {MOST_OF_ROOM * self.room:.2g} % (a third of half the width of its limits)"
        )


def enough_lengths(tests: Sequence[Length]) -> bool:
    """Returns True where lengths outside and inside were measured, or lengths of at least 5 : 1 of one feature."""
    lengths = [test.designed_mm for test in tests]
    both = len({test.feature for test in tests}) > 1
    return both or (len(lengths) > 1 and max(lengths) >= LEAST_RATIO * min(lengths) * (1 - 1e-9))


def measured_on(tests: Iterable[Length]) -> str:
    """Returns the features and designed lengths of coupons in words: what a shrinkage that includes the bead is of.

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
    """Returns the shrinkages of the last accepted lot that a step may be measured from, and a note for each axis whose may not.

    A step compares like with like: both lots with the bead taken out, or both measured on the same lengths and features.

    Args:
        mine: of this lot, per axis: `SEPARATED`, or what `measured_on` says.
        before: of the last accepted lot; an axis is absent where nobody noted it.
        earlier: its shrinkage in %, per axis.
    """
    alike = {axis: percent for axis, percent in earlier.items() if axis not in mine or mine[axis] == before.get(axis)}
    notes = [
        f"No step in {axis.upper()} shrinkage is judged. The last accepted lot was {_how(before.get(axis))}, this lot {_how(mine[axis])}."
        for axis in sorted(earlier.keys() - alike.keys())
    ]
    return alike, notes


def _how(basis: str | None) -> str:
    if basis is None:
        return "measured on lengths that are not known"
    return "measured without the bead" if basis == SEPARATED else f"measured on {basis} with the bead"
