"""Scale factors belong to a printer: which coupons speak for the machine that is asked for, and what comes between two printers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES, BETWEEN_PRINTERS, ShrinkTest, summarise
from lots.domain.code_identity import identity
from lots.domain.conformity.limits import BINARY_NOISE

# Control prints per axis on each of two printers, at least, before their offset counts. Common practice, no source.
LEAST_CONTROLS = 3


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Shrinkage along one axis: %, its standard uncertainty in % (None when unknown), and the printer that it was measured on (None when unknown)."""

    percent: float
    uncertainty: float | None = None
    printer: str | None = None

    @property
    def known(self) -> bool:
        """True where its uncertainty is known: equal lengths show none."""
        return self.uncertainty is not None and self.uncertainty > BINARY_NOISE


@dataclass(frozen=True, slots=True)
class PrinterOffset:
    """How much more one printer's parts shrink than another's along one axis, %, with its standard uncertainty, as control prints on both show."""

    percent: float
    uncertainty: float

    @classmethod
    def between(cls, here: Sequence[ShrinkTest], there: Sequence[ShrinkTest]) -> dict[str, PrinterOffset]:
        """Returns by axis how much more control prints shrink on one printer than on another; an axis with fewer than three tests on either is left out.

        Args:
            here: control prints on the machine that is asked for.
            there: control prints by the same recipe on the printer of the coupons.

        Reference:
            JCGM 100:2008, 5.1.2 (difference of two means). Three of each: common practice, no source.
        """
        mine, other, found = summarise(here), summarise(there), {}
        for axis in mine.keys() & other.keys():
            one, two = mine[axis], other[axis]
            if min(one.n, two.n) >= LEAST_CONTROLS and one.uncertainty is not None and two.uncertainty is not None:
                found[axis] = cls(one.percent - two.percent, one.uncertainty.beside(two.uncertainty).total)
        return found


@dataclass(frozen=True, slots=True)
class ForPrinter:
    """Shrinkage per axis as it holds for a machine, the printers it was measured on in words, and what to mind."""

    axes: Mapping[str, Shrunk]
    measured_on: str | None
    cautions: tuple[str, ...] = ()


def for_printer(
    by_printer: Mapping[str, Mapping[str, Shrunk]],
    whole: Mapping[str, Shrunk],
    machine: str | None,
    offsets: Mapping[str, PrinterOffset] | None = None,
) -> ForPrinter:
    """Returns the shrinkage that holds for a machine: by coupons of that machine where there are any, else by all coupons of the lot, with a caution.

    Args:
        by_printer: printer -> axis -> shrinkage of the lot's coupons; empty where their printers were not kept.
        whole: axis -> shrinkage over all coupons of the lot.
        machine: that the spool shall go on; None when nobody said, and then nothing is added.
        offsets: axis -> how much more this machine shrinks than the printer of the coupons, where control prints tell it.

    Notes:
        Names are compared as machine names are (`identity`). Without coupons of the machine 0.15 % is added to the standard uncertainty, as printers differ
        by 0.1 to 0.2 %; an uncertainty that is not known stays unknown. A known offset corrects the shrinkage and adds its own uncertainty instead.

    Reference:
        Common practice, no source.

    Example:
        >>> found = for_printer({"P1": {"x": Shrunk(0.3, 0.02)}}, {"x": Shrunk(0.3, 0.02)}, "P9")
        >>> round(found.axes["x"].uncertainty, 3), found.measured_on
        (0.151, 'P1')
        >>> found.cautions
        ('The scale factors were measured on printer P1, not on P9. Printers differ by 0.1 to 0.2 %.',)
    """
    if machine is None or not by_printer:
        return ForPrinter(whole, " and ".join(sorted(by_printer)) or None)
    mine = next((name for name in by_printer if same(name, machine)), None)
    own = _of_machine(by_printer, machine)
    others = " and ".join(sorted(name for name in by_printer if not same(name, machine)))
    known = offsets or {}
    foreign = {axis: _moved(one, known.get(axis)) for axis, one in whole.items() if axis not in own}
    across = [axis for axis in foreign if axis not in known]
    cautions = [_across(across, others, machine, whole=not own)] if across else []
    cautions += _corrected({axis: known[axis] for axis in foreign if axis in known}, others, machine)
    on = mine if own else others
    found = {**own, **foreign}
    return ForPrinter({axis: found[axis] for axis in AXES if axis in found}, on, tuple(cautions))


def _of_machine(by_printer: Mapping[str, Mapping[str, Shrunk]], machine: str) -> dict[str, Shrunk]:
    """The shrinkage along each axis by coupons of this machine, however its name was typed."""
    return {axis: one for name, some in by_printer.items() if same(name, machine) for axis, one in some.items()}


def _corrected(offsets: Mapping[str, PrinterOffset], others: str, machine: str) -> list[str]:
    """The caution where coupons of other printers stand in, corrected by what lies between the printers."""
    if not offsets:
        return []
    shift = ", ".join(f"{axis.upper()} {offset.percent:+.2f} %" for axis, offset in offsets.items())
    return [
        f"The scale factors were measured on printer {others} and corrected to {machine} by control prints on both ({shift})."
    ]


def _moved(one: Shrunk, offset: PrinterOffset | None) -> Shrunk:
    """A shrinkage that was measured on another printer, with what lies between both where it is known, else with what may."""
    between = BETWEEN_PRINTERS if offset is None else offset.uncertainty
    u = None if one.uncertainty is None else math.hypot(one.uncertainty, between)
    return Shrunk(one.percent + (offset.percent if offset else 0.0), u, one.printer)


def _across(axes: list[str], others: str, machine: str, whole: bool) -> str:
    """The caution where coupons of other printers stand in: for all axes, or for some of them."""
    subject = "The scale factors were" if whole else f"The scale factor along {' and '.join(axes).upper()} was"
    return f"{subject} measured on printer {others}, not on {machine}. Printers differ by 0.1 to 0.2 %."


def same(printer: str, machine: str) -> bool:
    """Returns whether the name of a printer is that of a machine, however both were typed."""
    return identity(printer) == identity(machine)


def strength_caution(printers: Mapping[str, object], machine: str | None) -> str:
    """Returns what to mind where bars were broken on other printers than the machine that is asked for; "" where nothing is.

    Bond between layers depends on the printer as much as on the filament.

    Args:
        printers: printers of the lot's bars that are known.
        machine: that the spool shall go on; None when nobody said.

    Reference:
        Common practice, no source.

    Example:
        >>> strength_caution({"P1": None}, "P9")
        'Interlayer strength was measured on P1. It says nothing of P9.'
    """
    if machine is None or not printers or any(same(name, machine) for name in printers):
        return ""
    return f"Interlayer strength was measured on {' and '.join(sorted(printers))}. It says nothing of {machine}."
