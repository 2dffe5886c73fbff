"""Contents of spool labels."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TypedDict

from lots.domain.characteristics.cross_section import length_m
from lots.domain.words import clause
from lots.services.assessment.lot_assessment import drawn_of
from lots.services.errors import Conflict, NotFound
from lots.services.lookups import lot_of, spool_of, withdrawn
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.production import tracing
from lots.store.receiving import deliveries, samples
from lots.store.setup import catalog
from lots.store.tables.models import Delivery, Grade, Lot, Spool


class LotLabels(TypedDict):
    """The labels of a lot."""

    lot_id: int
    labels: list[View]


class Labels(LotLabels):
    """The labels of a delivery."""

    delivery_id: int


def of_delivery(number: int) -> Labels:
    """Returns the labels of the spools that came with a delivery, in the order they were logged. Six queries.

    Raises:
        NotFound: no such delivery.
        Conflict: it is closed.
    """
    row = deliveries.find(number)
    if row is None:
        raise NotFound(f"Delivery {number} does not exist. See the list of deliveries.")
    if (closed := deliveries.current(row).closed) is not None:
        raise Conflict(f"Delivery {number} is closed: {clause(closed)} Log its filament again and print those labels.")
    asked, drawn = _conditions(row.lot.grade), _drawn(row)
    came = [spool for spool in deliveries.spools_of(row) if not spool.withdrawn_at]
    return {
        "delivery_id": row.id,
        "lot_id": row.lot_id,
        "labels": [_label(spool, row.lot, row, asked, drawn) for spool in came],
    }


def of_lot(number: int) -> LotLabels:
    """Returns the labels of a lot's spools, withdrawn ones left out, in the order they were logged.

    Six queries, and one for each further lot on them.

    Raises:
        NotFound: no such lot.
        Conflict: all its spools are withdrawn.
    """
    lot = lot_of(number)
    rows = [spool for spool in lots.spools_of(lot) if not spool.withdrawn_at]
    if not rows:
        raise Conflict(f"Every spool of lot {lot.supplier_lot} was withdrawn. Withdrawn spools have no labels.")
    came = {row.id: row for row in tracing.deliveries_of([number])}
    changes = samples.changes_of(came)
    drawn = {
        code
        for row in came.values()
        for group in drawn_of(deliveries.current(row).sample, changes[row.id])
        for code in group
    }
    further = tracing.further_lots([spool.id for spool in rows if spool.spliced])
    named = {other: lot_of(other).supplier_lot for others in further.values() for other in others}
    asked = _conditions(lot.grade)
    return {
        "lot_id": number,
        "labels": [
            {
                **_label(spool, lot, came[spool.delivery_id], asked, drawn),
                "further_lots": [named[other] for other in further.get(spool.id, [])],
            }
            for spool in rows
        ],
    }


def of_spool(code: str, *, printed: bool = False) -> View:
    """Returns the label of one spool. Five queries; for a respooled one, one more and one for each further lot.

    Raises:
        NotFound: no spool has this code.
        Conflict: the label is to be `printed`, and the spool is withdrawn.
    """
    row = spool_of(code)
    if printed and row.withdrawn_at is not None:
        raise Conflict(f"{withdrawn(row)} Take it to quality.")
    further = tracing.further_lots([row.id]).get(row.id, []) if row.spliced else []
    label = _label(row, row.lot, row.delivery, _conditions(row.lot.grade), _drawn(row.delivery))
    return {**label, "further_lots": [lot_of(number).supplier_lot for number in further]}


def at_the_bench(spool: Spool, drawn: Collection[str]) -> View:
    """Returns the label of a spool of a lot whose drawn spools are known. One query."""
    return _label(spool, spool.lot, spool.delivery, _conditions(spool.lot.grade), drawn)


def _drawn(delivery: Delivery) -> set[str]:
    """Returns the codes in the current sample of a delivery."""
    changes = samples.changes_of([delivery.id])[delivery.id]
    return {code for group in drawn_of(deliveries.current(delivery).sample, changes) for code in group}


def _label(
    spool: Spool, lot: Lot, delivery: Delivery, asked: Mapping[str, object] | None, drawn: Collection[str]
) -> View:
    return {
        "spool_code": spool.code,
        "lot_id": lot.id,
        "delivery_id": delivery.id,
        "supplier_lot": lot.supplier_lot,
        "further_lots": [],
        "supplier_code": lot.supplier.code,
        "supplier_name": lot.supplier.name,
        "grade_code": lot.grade.code,
        "color_name": lot.grade.color_name,
        "nominal_diameter_mm": lot.grade.nominal_diameter_mm,
        "net_mass_g": spool.net_mass_g,
        "length_m": length_m(spool.net_mass_g, lot.grade.density_g_cm3, lot.grade.nominal_diameter_mm),
        "received_at": delivery.came_at,
        "withdrawn_at": spool.withdrawn_at,
        "measure_first": spool.code in drawn,
        "color_conditions": asked,
    }


def _conditions(grade: Grade) -> Mapping[str, object] | None:
    """Returns the measuring conditions of the newest revision of the grade's shade, None without one."""
    if grade.shade_id is None:
        return None
    revision = catalog.current_shade_revisions([grade.shade_id]).get(grade.shade_id)
    return None if revision is None else revision.conditions
