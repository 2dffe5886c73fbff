"""The data of a lot's charts: colour map, diameter profile, shrinkage by lot, interlayer strength.

Only readings that count are shown: not voided, not screening, from an instrument with a valid calibration.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from operator import or_
from typing import TypedDict, TypeVar

from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.characteristics.bond import lot_bond as bond
from lots.domain.characteristics.bond.declared_bond import BOND
from lots.domain.characteristics.color import lot_color
from lots.domain.characteristics.color.contours import contour
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.lot_color import ColorLimits, ColorReading
from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.diameter import DIAMETER
from lots.domain.characteristics.lot_diameter import around
from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES
from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.screen_colors import on_screen
from lots.domain.conformity.findings import decimals_of, shown
from lots.domain.conformity.guard import COVERAGE
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import FIRST, SECOND
from lots.domain.drift.lot_series import LotSeries
from lots.domain.words import counted, plural
from lots.services.assessment.counting import HeldTo, OnRecord, that_count
from lots.services.assessment.judging import revisions_for
from lots.services.assessment.lot_assessment import evidence_from
from lots.services.drift import series
from lots.services.from_rows import conditions_of
from lots.services.lookups import lot_of
from lots.services.views import View
from lots.store import readings
from lots.store.drift import lot_series
from lots.store.tables.models import Lot, ShadeRevision

_R = TypeVar("_R")

# Earlier lots of the supplier that are shown with a lot. Our choice, no source.
HISTORY = 12
SCREEN = (
    "Do not judge colour on a screen. The patches only help to recognise it. They are converted to sRGB (IEC 61966-2-1), with the"
    " white of {illuminant} adapted to the white of the screen."
)


def _loaded(
    record: OnRecord, kind: str, taken: type[_R]
) -> tuple[Lot, Limits | None, ShadeRevision | None, list[_R], list[str]]:
    """Returns a lot, its limits, its shade revision, its readings of a kind, and notes on readings that do not count.

    At most six queries.
    """
    lot = record.lot
    limits, approved = revisions_for(lot)
    rows, notes = that_count(readings.counting_among(record.readings, kind), HeldTo.of(lot), record.about)
    agreed = limits_from(limits.body) if limits else None
    readings_of_kind = getattr(evidence_from(rows, record.about.uncertainties), kind)
    return lot, agreed, approved, [one for one in readings_of_kind if isinstance(one, taken)], list(notes)


def _head(lot: Lot) -> View:
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "supplier": lot.supplier.name,
        "grade": lot.grade.code,
        "standing": lot.standing,
    }


def color_map(lot_id: int) -> View:
    """Returns a lot's colour differences from its reference, with the outline of its limit. At most six queries.

    Raises:
        NotFound: no such lot.
    """
    return color_map_of(OnRecord(lot_of(lot_id)))


def color_map_of(record: OnRecord) -> View:
    """Returns the colour map of a loaded lot."""
    lot, agreed, approved, taken, notes = _loaded(record, COLOR.name, ColorReading)
    rule = agreed.color if agreed and agreed.color else ColorLimits()
    answer: View = {
        **_head(lot),
        "formula": rule.formula,
        "lot_max": rule.lot_max,
        "coverage_factor": COVERAGE,
        "reference": None,
        "lot": None,
        "spools": [],
        "outline": [],
        "outline_at_lot": [],
        "screen_says": "",
    }
    if approved is None:
        says = f"Lot {lot.supplier_lot} has no approved reference colour to compare with."
        return {**answer, "says": says, "notes": notes}
    reference, asked = Lab(*approved.lab), conditions_of(approved)
    comparable = [reading for reading in taken if reading.conditions.comparable_with(asked)]
    if left := len(taken) - len(comparable):
        notes.append(
            f"{counted(left, 'reading')} left out, because {plural(left, 'it was', 'they were')} not measured under the conditions of the reference."
        )
    answer["reference"] = {
        "name": approved.shade.name,
        "revision": approved.revision,
        "lab": reference.as_list(),
        "conditions": str(asked),
        "screen": _shown(reference),
    }
    answer["screen_says"] = SCREEN.format(illuminant=f"{asked.illuminant}, {asked.observer_deg} deg observer,")
    if rule.lot_max:
        answer["outline"] = [list(point) for point in _outline(reference, rule.lot_max, rule.formula, rule.weights)]
    summary = lot_color.summarise(comparable)
    if summary is None:
        says = f"Lot {lot.supplier_lot} has no valid colour reading yet. Only the reference and its limit are shown."
        return {**answer, "says": says, "notes": notes}
    apart = _difference(reference, summary.lot, rule)
    if rule.lot_max:
        answer["outline_at_lot"] = [
            list(point) for point in _outline(reference, rule.lot_max, rule.formula, rule.weights, apart["dL"])
        ]
    unsure = summary.lot_uncertainty.total
    answer["lot"] = {
        **apart,
        "lab": summary.lot.as_list(),
        "uncertainty": list(unsure) if unsure else None,
        "spools": len(summary.spools),
        "readings": summary.n,
        "screen": _shown(summary.lot),
    }
    spools = {code: (_difference(reference, mean, rule), n) for code, (mean, n) in summary.spools.items()}
    answer["spools"] = [{"spool_code": code, "readings": n, **parts} for code, (parts, n) in spools.items()]
    distances = {code: parts["delta_e"] for code, (parts, _) in spools.items()}
    return {**answer, "says": _color_says(lot, apart, rule, distances), "notes": notes}


@lru_cache(maxsize=256)
def _outline(
    reference: Lab, most: float, formula: str, weights: tuple[float, ...], dL: float = 0.0
) -> tuple[tuple[float, float], ...]:
    """Returns the outline of a limit. It is cached, because all lots of a grade share it."""
    return tuple(contour(reference, most, ColorLimits(formula, weights), dL))


class _Difference(TypedDict):
    """The difference of a colour from the reference."""

    dL: float
    da: float
    db: float
    delta_e: float
    direction: str


def _difference(reference: Lab, sample: Lab, rule: ColorLimits) -> _Difference:
    parts = components(reference, sample)
    return {
        "dL": parts.dL,
        "da": parts.da,
        "db": parts.db,
        "delta_e": rule.delta_e(reference, sample),
        "direction": parts.direction,
    }


def _shown(color: Lab) -> View:
    seen = on_screen(color)
    return {"hex": seen.hex, "in_gamut": seen.in_gamut}


def _color_says(lot: Lot, apart: _Difference, rule: ColorLimits, spools: Mapping[str, float]) -> str:
    found = f"Lot {lot.supplier_lot} differs by {shown(apart['delta_e'])} from the reference ({rule.formula}, {counted(len(spools), 'spool')}): {apart['direction']}."
    if rule.lot_max is None:
        says = f"{found} Its grade sets no limit for the mean colour of a lot."
    else:
        says = f"{found} {_side(apart['delta_e'], rule.lot_max)} the limit of {rule.lot_max:g}."
    if rule.spool_max is None:
        return says
    farthest, far = max(spools.items(), key=lambda spool: spool[1])
    return f"{says} The worst spool, {farthest}, differs by {shown(far)}, {_side(far, rule.spool_max).lower()} the limit of {rule.spool_max:g} for one spool."


def _side(delta_e: float, most: float) -> str:
    return "Within" if Limit(None, most).allows(delta_e) else "Outside"


def diameter_profile(lot_id: int) -> View:
    """Returns a lot's diameters along each measured spool, by position if positions were recorded. At most six queries.

    Raises:
        NotFound: no such lot.
    """
    return diameter_profile_of(OnRecord(lot_of(lot_id)))


def diameter_profile_of(record: OnRecord) -> View:
    """Returns the diameter profile of a loaded lot."""
    lot, agreed, _, taken, notes = _loaded(record, DIAMETER.name, DiameterReading)
    rule, nominal = agreed.diameter if agreed else None, lot.grade.nominal_diameter_mm
    by_spool: dict[str, list[DiameterReading]] = {}
    for reading in taken:
        by_spool.setdefault(reading.spool, []).append(reading)
    single = rule.reading_tolerance_mm if rule else None
    mean = rule.mean_tolerance_mm if rule else None
    ovality = rule.ovality_max_mm if rule else None
    wide = around(nominal, single) if single is not None else None
    oval = Limit(None, ovality) if ovality is not None else None
    spools = [_profile(code, group, wide, oval) for code, group in sorted(by_spool.items())]
    says = f"Diameter of lot {lot.supplier_lot}: {counted(len(taken), 'position')} on {counted(len(spools), 'spool')}."
    if not taken:
        says = f"Lot {lot.supplier_lot} has no valid diameter reading yet."
    return {
        **_head(lot),
        "nominal_mm": nominal,
        "reading_limit_mm": wide and wide.as_json(),
        "mean_limit_mm": around(nominal, mean).as_json() if mean is not None else None,
        "ovality_max_mm": ovality,
        "spools": spools,
        "says": says,
        "notes": notes,
    }


def _profile(code: str, group: Sequence[DiameterReading], wide: Limit | None, oval: Limit | None) -> View:
    """Returns a spool's readings along the filament, or in the order of measuring if a position is missing.

    Each reading has a flag for the limit on a single diameter and one for ovality. The spool's `outside` counts the readings with a flag.
    """
    known = all(reading.position_m is not None for reading in group)
    order = sorted(group, key=lambda reading: reading.position_m or 0.0) if known else group
    beyond = [wide is not None and not (wide.allows(one.d1_mm) and wide.allows(one.d2_mm)) for one in order]
    too_oval = [oval is not None and not oval.allows(one.ovality_mm) for one in order]
    return {
        "spool_code": code,
        "positions_noted": known,
        "mean_mm": sum(reading.mean_mm for reading in group) / len(group),
        "points": [
            {
                "position_m": reading.position_m,
                "d1_mm": reading.d1_mm,
                "d2_mm": reading.d2_mm,
                "ovality_mm": reading.ovality_mm,
                "outside": outside,
                "too_oval": uneven,
            }
            for reading, outside, uneven in zip(order, beyond, too_oval, strict=True)
        ],
        "outside": sum(map(or_, beyond, too_oval)),
    }


class _ShrunkLot(TypedDict):
    """A lot's shrinkage along one axis; `this` marks the requested lot."""

    lot_id: int
    supplier_lot: str
    standing: str
    percent: float
    uncertainty: float | None
    spools: int
    read: str
    this: bool


class _Axis(TypedDict):
    """The lots with a shrinkage along one axis, oldest first, and its limits."""

    axis: str
    limit_percent: list[float] | None
    lots: list[_ShrunkLot]


def shrinkage_picture(lot_id: int) -> View:
    """Returns a lot's shrinkage along each axis with that of the supplier's earlier lots. At most four queries.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    limits, _ = revisions_for(lot)
    agreed = limits_from(limits.body) if limits else None
    came = lot_series.lots_of(supplier_id=lot.supplier_id, grade_id=lot.grade_id, until=lot.received_at)
    place = next(number for number, row in enumerate(came.rows) if row.id == lot.id)
    ends = agreed.shrinkage.percent if agreed and agreed.shrinkage else {}
    axes = [_axis(axis, came, place, ends.get(axis)) for axis in AXES]
    told = [found for found in axes if any(point["this"] for point in found["lots"])]
    says = f"Shrinkage of lot {lot.supplier_lot}: " + ", ".join(
        f"{found['axis'].upper()} {_unsigned_zero(found['lots'][-1]['percent'])} %" for found in told
    )
    if not told:
        says = f"Lot {lot.supplier_lot} has no valid shrinkage reading yet"
    return {**_head(lot), "axes": axes, "says": f"{says}."}


def _unsigned_zero(percent: float) -> str:
    # Adding 0 removes the sign of a rounded zero.
    digits = decimals_of("shrinkage")
    return shown(round(percent, digits) + 0.0, digits)


def _axis(axis: str, came: LotSeries, place: int, ends: tuple[float, float] | None) -> _Axis:
    """Returns the lots with a shrinkage along one axis, oldest first, up to the lot at an index."""
    name = f"shrinkage.{axis}"
    lots: list[_ShrunkLot] = []
    column = came.columns.get(name)
    known = [] if column is None else zip(column.at.tolist(), column.figures.tolist(), strict=True)
    for at, (percent, spools, _, uncertainty) in known:
        row = came.rows[at]
        if at > place or (at < place and row.resubmission_of_id is not None):
            continue
        lots.append(
            {
                "lot_id": row.id,
                "supplier_lot": row.supplier_lot,
                "standing": row.standing,
                "percent": percent,
                "uncertainty": None if math.isnan(uncertainty) else uncertainty,
                "spools": int(spools),
                "read": series.key_of(row, name),
                "this": at == place,
            }
        )
    lots = lots[-HISTORY - bool(lots and lots[-1]["this"]) :]
    return {"axis": axis, "limit_percent": list(ends) if ends else None, "lots": lots}


def bond_picture(lot_id: int) -> View:
    """Returns the interlayer strength of every specimen of a lot, the control specimens and the limits. At most six queries.

    Raises:
        NotFound: no such lot.
    """
    return bond_picture_of(OnRecord(lot_of(lot_id)))


def bond_picture_of(record: OnRecord) -> View:
    """Returns the interlayer strength of a loaded lot."""
    lot, agreed, _, taken, notes = _loaded(record, BOND.name, bond.BondTest)
    rule = agreed.bond if agreed and agreed.bond else bond.BondLimits()
    found = bond.summarise(taken, (lot.rules or FIRST) > SECOND)
    control = [test.stress_mpa for test in taken if test.control]
    return {
        **_head(lot),
        "bars": [
            {"spool_code": test.spool, "stress_mpa": test.stress_mpa, "control": test.control}
            for test in sorted(taken, key=lambda test: (test.control, test.spool))
        ],
        "mean_mpa": found and found.mean_mpa,
        "weakest_mpa": found and found.weakest_mpa,
        "control_mean_mpa": sum(control) / len(control) if control else None,
        "control_ratio": found and found.control_ratio,
        "mean_min_mpa": rule.mean_min_mpa,
        "single_min_mpa": rule.single_min_mpa,
        "control_ratio_min": rule.control_ratio_min,
        "says": _bond_says(lot, found),
        "notes": notes,
    }


def _bond_says(lot: Lot, found: bond.BondSummary | None) -> str:
    if found is None:
        return f"Lot {lot.supplier_lot} has no valid test of interlayer strength yet."
    says = f"Interlayer strength of lot {lot.supplier_lot}: mean {shown(found.mean_mpa, 1)} MPa, weakest {shown(found.weakest_mpa, 1)} MPa ({counted(found.n, 'specimen')})."
    if found.control_ratio is None:
        return f"{says} No control specimen was tested."
    return f"{says} The mean is {shown(found.control_ratio)} of the mean of {counted(found.control_n, 'control specimen')}."
