"""Print settings of a spool on a machine: flow factor, and scale factors for the printer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.characteristics.bond.declared_bond import BOND
from lots.domain.characteristics.cross_section import length_m
from lots.domain.characteristics.declaring.origin import chart_of
from lots.domain.characteristics.shrinkage.declared_shrinkage import SHRINKAGE
from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES, ShrinkTest, scale_factor
from lots.domain.production.print_settings import (
    ForPrinter,
    PrinterOffset,
    Shrunk,
    for_printer,
    same,
    strength_caution,
)
from lots.services.assessment.lot_assessment import reading_from
from lots.services.views import View
from lots.store import readings
from lots.store.tables.models import Lot, Spool

# The newest control prints of both printers that are compared. Our choice, no source.
_CONTROLS = 200


@dataclass(frozen=True, slots=True)
class Settings:
    """Print settings for the API, with cautions for the machine."""

    values: View
    cautions: tuple[str, ...] = ()


def settings_of(row: Spool, held: Sequence[Lot], machine: str | None, use: str) -> Settings:
    """Returns the print settings of a spool, from measurements of the spool and its lot only. At most one query.

    The flow factor comes from the spool's own diameters, or else from its lot. Scale factors come from the lot's coupons on this machine, or
    else on others, with a caution. Each value has its standard uncertainty. For each axis, the length of 100 mm printed without a scale
    factor is given too. A spliced spool holds more than one filament, so it has no settings.

    Args:
        row: the spool.
        held: every lot that it holds.
        machine: the machine; None if not stated.
        use: the intended use. It decides whether to give a caution about interlayer strength.
    """
    own = row.flow_factor is not None
    measured = row if own else row.lot
    factor = None if row.spliced else measured.flow_factor
    found: View = {
        "flow_factor": factor,
        "flow_factor_uncertainty": None if factor is None else measured.flow_uncertainty,
        "flow_from": None if factor is None else "spool" if own else "lot",
    }
    scales = ForPrinter({}, None) if row.spliced else _scales(row.lot, machine)
    for axis in AXES:
        one = scales.axes.get(axis)
        scale = None if one is None else scale_factor(one.percent)
        found[f"scale_{axis}"] = scale
        # d(scale)/dS = scale^2, with S as a fraction.
        known = (
            None if one is None or scale is None or not one.known else scale * scale * (one.uncertainty or 0.0) / 100
        )
        found[f"scale_{axis}_uncertainty"] = known
        found[f"length_100_mm_{axis}"] = None if one is None else 100 - one.percent
    found["measured_on"] = scales.measured_on
    cautions = dict.fromkeys([*scales.cautions, *(_strength(lot, machine) for lot in held if use in BOND.uses)])
    return Settings(found, tuple(caution for caution in cautions if caution))


def length_left_m(row: Spool) -> float:
    """Returns the length of filament left on a spool, m, from its mass, density and cross-section. No query.

    The cross-section is that measured on the spool, or else on its lot. It is nominal if neither was measured, or with several lots.
    """
    grade = row.lot.grade
    measured = None if row.spliced else row.flow_factor or row.lot.flow_factor
    # The flow factor is the nominal cross-section divided by the measured one.
    return length_m(row.remaining_mass_g, grade.density_g_cm3, grade.nominal_diameter_mm) * (measured or 1.0)


def _scales(lot: Lot, machine: str | None) -> ForPrinter:
    """Returns the shrinkage of a lot on a machine."""
    uncertain = lot.shrinkage_uncertainty or {}
    whole = {axis: Shrunk(percent, uncertain.get(axis)) for axis, percent in (lot.shrinkage or {}).items()}
    by_printer = _by_printer(lot)
    return for_printer(by_printer, whole, machine, _offsets(lot, by_printer, machine))


def _offsets(lot: Lot, by_printer: Mapping[str, object], machine: str | None) -> dict[str, PrinterOffset]:
    """Returns the offset in shrinkage between the machine and the printer of the coupons, by control prints of one recipe.

    At most one query. Without a machine, or with coupons of several printers or of this machine, there is no offset.
    """
    if machine is None or len(by_printer) != 1 or any(same(printer, machine) for printer in by_printer):
        return {}
    (printer,) = by_printer
    recipes = [recipe for key in _prints(lot, SHRINKAGE.name) if (recipe := key.rpartition("|")[2])]
    if len(recipes) != 1:
        return {}
    here, there = (chart_of(name, recipes[0]) for name in (machine, printer))
    block = limits_from(lot.limits_revision.body).given.get(SHRINKAGE.name) if lot.limits_revision else None
    on: dict[str, list[ShrinkTest]] = {here: [], there: []}
    for row in readings.of_controls(SHRINKAGE.name, on, _CONTROLS):
        test = SHRINKAGE.comparable(
            reading_from(row, row.instrument.standard_uncertainty if row.instrument else None), block, None
        )
        if test is not None and row.control_of is not None:
            on[row.control_of].append(test)
    return PrinterOffset.between(on[here], on[there])


def _by_printer(lot: Lot) -> dict[str, dict[str, Shrunk]]:
    """Returns the shrinkage by printer and axis, for the recipe with the most tests."""
    most: dict[str, dict[str, tuple[float, Shrunk]]] = {}
    for key, axes in _prints(lot, SHRINKAGE.name).items():
        printer = key.rpartition("|")[0]
        for axis, (percent, u, n) in axes.items():
            known = most.setdefault(printer, {}).get(axis)
            if known is None or n > known[0]:
                most[printer][axis] = (n, Shrunk(percent, u, printer))
    return {printer: {axis: one for axis, (_, one) in axes.items()} for printer, axes in most.items()}


def _strength(lot: Lot, machine: str | None) -> str:
    printers = {key.rpartition("|")[0]: None for key in _prints(lot, BOND.name)}
    return strength_caution(printers, machine)


def _prints(lot: Lot, name: str) -> Mapping[str, Mapping[str, Sequence[float]]]:
    """Returns the stored figures of a lot's test prints by printer and recipe; empty under rules that do not store them."""
    return (lot.printed or {}).get(name) or {}
