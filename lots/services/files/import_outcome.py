"""The outcome of an import: the status of its lots, its deliveries with their samples, and warnings."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import TypedDict, cast

from lots.services.receiving.receiving import Logged
from lots.store.receiving.imports import ImportedFile
from lots.store.tables.deliveries import KeptSample


class LotLine(TypedDict):
    """The status of a lot after an import, and its loads that are no longer allowed, in words.

    `id` is None for a new lot in a dry run.
    """

    id: int | None
    supplier_lot: str
    standing: str
    uses: Mapping[str, str]
    to_measure: list[str]
    says: str
    exposure_says: str | None


class DeliveryLine(TypedDict):
    """A delivery of a file. A dry run gives no numbers and no sample, and only the codes of the file."""

    id: int | None
    lot_id: int | None
    supplier_lot: str
    new_lot: bool
    spool_codes: list[str]
    sample: KeptSample | None


class RowWarning(TypedDict):
    """A probable slip in a row."""

    row: int
    column: str
    detail: str
    hint: str


class Outcome(TypedDict):
    """The outcome of a file, stored with its import."""

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
    """An import with its outcome."""

    dry_run: bool
    already_imported: bool


def lot_line(lot: Mapping[str, object]) -> LotLine:
    """Returns a lot after the import."""
    reached = lot.get("exposure")
    line = {name: lot[name] for name in ("id", "supplier_lot", "standing", "uses", "to_measure", "says")}
    return cast("LotLine", {**line, "exposure_says": reached["says"] if isinstance(reached, dict) else None})


def delivery_line(made: Logged) -> DeliveryLine:
    """Returns a delivery after the import."""
    return {
        "id": made.delivery.id,
        "lot_id": made.lot.id,
        "supplier_lot": made.lot.supplier_lot,
        "new_lot": made.new_lot,
        "spool_codes": [spool.code for spool in made.spools],
        "sample": made.delivery.sample,
    }


def forget_numbers(found: Imported, written: Collection[str | None]) -> None:
    """Removes the generated numbers and codes of a dry run, because the next rows stored will get them.

    Args:
        found: the outcome of the file.
        written: codes in the file.
    """
    new = {delivery["lot_id"] for delivery in found["deliveries"] if delivery["new_lot"]}
    for delivery in found["deliveries"]:
        delivery["id"] = delivery["sample"] = None
        delivery["lot_id"] = None if delivery["lot_id"] in new else delivery["lot_id"]
        delivery["spool_codes"] = [code for code in delivery["spool_codes"] if code in written]
    if found["deliveries"]:
        # The readings that are needed depend on the sample, which the import itself will draw.
        for lot in found["lots"]:
            _forget_lot(lot, is_new=lot["id"] in new)
    found["lot_ids"] = [number for number in found["lot_ids"] if number not in new]


def _forget_lot(lot: LotLine, *, is_new: bool) -> None:
    would = "would be new" if is_new else "exists and would get more spools"
    lot["says"], lot["to_measure"] = f"Lot {lot['supplier_lot']} {would}.", []
    lot["id"] = None if is_new else lot["id"]
