"""What came of a file: where its lots stand, its deliveries with their samples, and what looks like a slip."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import TypedDict, cast

from lots.services.receiving.receiving import Logged
from lots.store.receiving.imports import ImportedFile
from lots.store.tables.deliveries import KeptSample


class LotLine(TypedDict):
    """Where a lot stands after an import, and in words what of it is loaded when it may not be. `id` is None for a new lot in a dry run."""

    id: int | None
    supplier_lot: str
    standing: str
    uses: Mapping[str, str]
    to_measure: list[str]
    says: str
    exposure_says: str | None


class DeliveryLine(TypedDict):
    """A delivery of a file. In a dry run, without numbers, codes and sample that were not given."""

    id: int | None
    lot_id: int | None
    supplier_lot: str
    new_lot: bool
    spool_codes: list[str]
    sample: KeptSample | None


class RowWarning(TypedDict):
    """What looks like a slip in a row."""

    row: int
    column: str
    detail: str
    hint: str


class Outcome(TypedDict):
    """What came of a file, as it is kept beside its import."""

    lots: list[LotLine]
    deliveries: list[DeliveryLine]
    warnings: list[RowWarning]
    skipped_voided: int
    notes: list[str]


class ImportLine(ImportedFile):
    """An import. `id` is None in a dry run."""

    id: int | None
    recorded_at: datetime
    recorded_by: str


class Imported(ImportLine, Outcome):
    """An import with what came of it."""

    dry_run: bool
    already_imported: bool


def lot_line(lot: Mapping[str, object]) -> LotLine:
    """A lot after the import."""
    reached = lot.get("exposure")
    line = {name: lot[name] for name in ("id", "supplier_lot", "standing", "uses", "to_measure", "says")}
    return cast("LotLine", {**line, "exposure_says": reached["says"] if isinstance(reached, dict) else None})


def delivery_line(made: Logged) -> DeliveryLine:
    """A delivery after the import."""
    return {
        "id": made.delivery.id,
        "lot_id": made.lot.id,
        "supplier_lot": made.lot.supplier_lot,
        "new_lot": made.new_lot,
        "spool_codes": [spool.code for spool in made.spools],
        "sample": made.delivery.sample,
    }


def forget_numbers(found: Imported, written: Collection[str | None]) -> None:
    """Takes out the numbers and codes that were given to what was undone: they will be given to something else.

    Args:
        found: what came of the file.
        written: codes that stand in the file.
    """
    new = {delivery["lot_id"] for delivery in found["deliveries"] if delivery["new_lot"]}
    for delivery in found["deliveries"]:
        delivery["id"] = delivery["sample"] = None
        delivery["lot_id"] = None if delivery["lot_id"] in new else delivery["lot_id"]
        delivery["spool_codes"] = [code for code in delivery["spool_codes"] if code in written]
    if found["deliveries"]:
        # What is to be measured depends on the sample, which will be drawn anew.
        for lot in found["lots"]:
            _forget_lot(lot, is_new=lot["id"] in new)
    found["lot_ids"] = [number for number in found["lot_ids"] if number not in new]


def _forget_lot(lot: LotLine, *, is_new: bool) -> None:
    would = "would be new" if is_new else "is known and would get more spools"
    lot["says"], lot["to_measure"] = f"Lot {lot['supplier_lot']} {would}.", []
    lot["id"] = None if is_new else lot["id"]
