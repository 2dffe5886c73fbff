"""Scale factors per printer: shrinkage specimens of the requested machine, and corrections between printers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES, BETWEEN_PRINTERS, ShrinkTest, summarise
from lots.domain.code_identity import identity
from lots.domain.conformity.limits import BINARY_NOISE

# Least control prints per axis on each of two printers for an offset between them. Common practice, no source.
LEAST_CONTROLS = 3


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Shrinkage along one axis, %, with its standard uncertainty in % and its printer; None when unknown."""

    percent: float
    uncertainty: float | None = None
    printer: str | None = None

    @property
    def known(self) -> bool:
        """True where the uncertainty is known; equal lengths give none."""
        return self.uncertainty is not None and self.uncertainty > BINARY_NOISE


@dataclass(frozen=True, slots=True)
class PrinterOffset:
    """Difference of shrinkage between two printers along one axis, %, with its standard uncertainty, from control prints on both."""

    percent: float
    uncertainty: float

    @classmethod
    def between(cls, here: Sequence[ShrinkTest], there: Sequence[ShrinkTest]) -> dict[str, PrinterOffset]:
        """Returns by axis the difference of shrinkage between two printers, for axes with at least three tests on each.

        Args:
            here: control prints on the requested machine.
            there: control prints by the same recipe on the printer of the specimens.

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
    """Shrinkage per axis for a machine, the printers it was measured on in words, and cautions."""

    axes: Mapping[str, Shrunk]
    measured_on: str | None
    cautions: tuple[str, ...] = ()


def for_printer(
    by_printer: Mapping[str, Mapping[str, Shrunk]],
    whole: Mapping[str, Shrunk],
    machine: str | None,
    offsets: Mapping[str, PrinterOffset] | None = None,
) -> ForPrinter:
    """Returns the shrinkage for a machine: from specimens of that machine, else from all specimens of the lot with a caution.

    Args:
        by_printer: printer -> axis -> shrinkage of the lot's specimens; empty where their printers were not kept.
        whole: axis -> shrinkage over all specimens of the lot.
        machine: the machine to load; None if unknown, and then nothing is corrected.
        offsets: axis -> difference of shrinkage of this machine from the printer of the specimens, from control prints.

    Notes:
        Names are compared as machine names are (`identity`). Without specimens of the machine 0.15 % is added to the standard uncertainty, as
        printers differ by 0.1 to 0.2 %; an unknown uncertainty stays unknown. A known offset corrects the shrinkage and adds its own
        uncertainty instead.

    Reference:
        Common practice, no source.

    Example:
        >>> found = for_printer({"P1": {"x": Shrunk(0.3, 0.02)}}, {"x": Shrunk(0.3, 0.02)}, "P9")
        >>> round(found.axes["x"].uncertainty, 3), found.measured_on
        (0.151, 'P1')
        >>> found.cautions
        ('The scale factors were measured on machine P1, not on P9. Machines differ by 0.1 to 0.2 %.',)
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
    """Returns the shrinkage along each axis from specimens of this machine, by any spelling of its name."""
    return {axis: one for name, some in by_printer.items() if same(name, machine) for axis, one in some.items()}


def _corrected(offsets: Mapping[str, PrinterOffset], others: str, machine: str) -> list[str]:
    """Returns the caution for axes corrected by the offset between printers."""
    if not offsets:
        return []
    # Adding 0 removes the sign of a negative zero.
    shift = ", ".join(f"{axis.upper()} {round(offset.percent, 2) + 0.0:+.2f} %" for axis, offset in offsets.items())
    return [
        f"The scale factors were measured on machine {others} and corrected to {machine} by control prints on both ({shift})."
    ]


def _moved(one: Shrunk, offset: PrinterOffset | None) -> Shrunk:
    """Returns a shrinkage from another printer, with the known offset between the printers, else with the usual difference as uncertainty."""
    between = BETWEEN_PRINTERS if offset is None else offset.uncertainty
    u = None if one.uncertainty is None else math.hypot(one.uncertainty, between)
    return Shrunk(one.percent + (offset.percent if offset else 0.0), u, one.printer)


def _across(axes: list[str], others: str, machine: str, whole: bool) -> str:
    """Returns the caution for specimens of other printers: for all axes, or for some of them."""
    subject = "The scale factors were" if whole else f"The scale factor along {' and '.join(axes).upper()} was"
    return f"{subject} measured on machine {others}, not on {machine}. Machines differ by 0.1 to 0.2 %."


def same(printer: str, machine: str) -> bool:
    """Returns whether two names denote the same printer, by any spelling."""
    return identity(printer) == identity(machine)


def strength_caution(printers: Mapping[str, object], machine: str | None) -> str:
    """Returns the caution where specimens were printed on other printers than the requested machine; else "".

    Interlayer strength depends on the printer as much as on the filament.

    Args:
        printers: known printers of the lot's specimens.
        machine: the machine to load; None if unknown.

    Reference:
        Common practice, no source.

    Example:
        >>> strength_caution({"P1": None}, "P9")
        'Interlayer strength was measured on P1. It may differ on P9.'
    """
    if machine is None or not printers or any(same(name, machine) for name in printers):
        return ""
    return f"Interlayer strength was measured on {' and '.join(sorted(printers))}. It may differ on {machine}."
