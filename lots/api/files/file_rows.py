"""Rows of a file as API items: cells become JSON values, then pass the schema of the matching request."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from marshmallow import ValidationError

from lots.api.files.color_cells import ColorCells
from lots.api.files.condition_columns import SaidOnce
from lots.api.files.file_faults import FileFaults
from lots.api.files.file_shapes import SCHEMAS, list_hint, patched, shape_of
from lots.api.http.errors import faults_from
from lots.api.http.fields import Instant
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.colorimetry.color_values import LIGHT
from lots.domain.words import counted
from lots.services.files import cell_parsing
from lots.services.files.cell_parsing import BadCell
from lots.services.files.color_exchange import is_exchange_text, read_exchange
from lots.services.files.csv_tables import MOST_FAULTS, Options, Row, Table, fault, read_csv, strays, text_of
from lots.services.files.drafts import Draft, Source, column_of
from lots.services.files.formula_guard import unguarded
from lots.services.files.imports import DELIVERIES, digest_of
from lots.services.files.spectral_columns import COLUMNS

Watch = Callable[[list[Row]], Iterable[Row]]


def draft_from(kind: str, file_name: str, content: bytes, options: Options, watch: Watch = iter) -> Draft:
    """Returns the content of a file, with all faults that need no database.

    Args:
        kind: Kind of its rows.
        file_name: File name for the record.
        content: Content of the file.
        options: Options for the whole file.
        watch: Iterates over the rows, and may show progress.
    """
    draft = Draft(kind, file_name, digest_of(kind, options, content))
    text, draft.faults = text_of(content)
    if draft.faults:
        return draft
    exchanged = shape_of(kind).name_of("conditions") is not None and is_exchange_text(text)
    table = read_exchange(text) if exchanged else read_csv(text, options.delimiter)
    draft.faults, draft.rows, draft.notes = table.faults, table.count, table.notes
    if not table.columns:
        return draft
    _Reader(table, options, draft).read(watch)
    if not table.count and not draft.faults:
        draft.faults.append(fault("The file has no rows below the header.", "Add the rows."))
    elif not draft.items and not draft.faults:
        draft.faults.append(fault("All readings in this file are voided.", "Nothing would be stored."))
    return draft


class _Reader:
    """Reader of one table."""

    def __init__(self, table: Table, options: Options, draft: Draft) -> None:
        self.table, self.options, self.draft = table, options, draft
        self.shape, self.schema = shape_of(draft.kind), SCHEMAS[draft.kind]()
        self.spectrum, self.conditions = self.shape.name_of("spectrum"), self.shape.name_of("conditions")
        self.faults = FileFaults(table, draft)
        self.zone: ZoneInfo | None = cell_parsing.zone(options.time_zone) if options.time_zone else None
        self.places: list[tuple[int, str, str]] = []  # index, column, field of every column that is read
        self.left_out: dict[str, list[int]] = {"voided": [], "excluded": []}
        self.kinds: list[int] = []
        self.once = SaidOnce(self.conditions or "", self.faults, options.conditions)
        self.broken: set[str] = set()  # fields that no row has
        # True for an export, which has computed values with their inputs.
        self.exported = "recorded_at" in table.columns
        self.colors: ColorCells | None = None
        declared = self.shape.declared
        if declared and (self.spectrum or self.conditions or self.shape.split):
            self.colors = ColorCells(declared, self.faults, self.once.conditions, self.exported)
        self.measured_at: str | None = None

    def read(self, watch: Watch) -> None:
        """Fills the draft."""
        self._header()
        self._said_in_header()
        self._needed()
        self.broken |= self.once.broken
        items, skipped = [], Counter[str]()
        for row in watch(self.table.rows):
            why = next((why for why, at in self.left_out.items() if any(row.cells[i].strip() for i in at)), None)
            if why is not None:
                skipped[why] += 1
                continue
            if len(self.draft.faults) >= MOST_FAULTS:
                detail, hint = f"Reading stopped after {MOST_FAULTS:,} errors.", "Correct the errors above first."
                self.draft.faults.append(fault(detail, hint, row=row.number, line=row.line))
                break
            source = Source(row.number, row.line, set(self.broken))
            items.append(self._assembled(self._values(row, source), source))
            self.draft.sources.append(source)
        self.draft.skipped = skipped.total()
        self.draft.notes += [
            f"{counted(count, f'{why} reading was', f'{why} readings were')} left out."
            for why, count in skipped.items()
        ]
        self.draft.items = self._loaded(items)

    def _header(self) -> None:
        known: dict[str, str] = {}
        for index, column in enumerate(self.table.columns):
            field = self.table.meanings.get(column, column)
            path = self.shape.paths.get(field)
            if path is None:
                self._beside(index, column, field)
            elif path in known:
                again = "appears twice" if known[path] == column else f"has the same meaning as {known[path]}"
                self.faults.at_header(column, f"The column {column} {again}.", "Remove one of them.")
            else:
                known[path] = column
                if self.spectrum and path.startswith(f"{self.spectrum}/"):
                    known.setdefault(self.spectrum, column)
                self.places.append((index, column, path))
        for one in self.shape.split:
            if one.name in known and f"{one.name}/0" in known:
                detail = f"The colour is given as {one.name} and as {', '.join(one.columns)}."
                self.faults.at_header(one.name, detail, "Remove one of them.")
        self.draft.columns = known

    def _beside(self, index: int, column: str, field: str) -> None:
        """Notes a column of an export that fills no field. Any other such column is a fault."""
        whole, of_readings = field.partition(".")[0], self.draft.kind != DELIVERIES
        if of_readings and whole in self.left_out:
            self.left_out[whole].append(index)
        elif of_readings and field == "kind":
            self.kinds.append(index)
        elif whole not in self.shape.shown_only and not self.table.exchange:
            self._unknown(index, column)

    def _unknown(self, index: int, column: str) -> None:
        if not column:
            if any(row.cells[index].strip() for row in self.table.rows):
                self.faults.at_header(f"{index + 1}", f"Column {index + 1} has no name.", "Name it in the header.")
            return
        within = f"{self.conditions}."
        names = [name for name in self.shape.paths if not name.startswith(within) and name not in COLUMNS]
        same = [name for name in names if name.casefold() == column.casefold()]
        shown = column[:60]
        near = same or get_close_matches(shown, names, n=2, cutoff=0.6)
        hint = f"Did you mean {' or '.join(near)}?" if near else f"Use one of these columns: {', '.join(names)}."
        if self.spectrum and column.startswith("nm"):
            hint = "A spectrum has columns nm360, nm370, ... nm780."
        self.faults.at_header(shown, "Unknown column.", hint)

    def _said_in_header(self) -> None:
        if self.conditions:
            self.once.join()
        if self.table.measured_at:
            try:
                self.measured_at = cell_parsing.moment(self.table.measured_at, self.zone)
                Instant().deserialize(self.measured_at)
            except (BadCell, ValidationError):
                self.measured_at = None
                note = f'CREATED "{self.table.measured_at[:60]}" is not a time with a UTC offset. The readings get the time of the import.'
                self.draft.notes.append(note)

    def _needed(self) -> None:
        """Reports missing required columns, once instead of in every row."""
        in_place = {one.name for one in self.shape.split if not one.needed}
        for names in self.shape.needed:
            paths = [self.shape.paths[name] for name in names]
            if any(path in self.draft.columns for path in paths):
                continue
            place, _, condition = paths[0].partition("/")
            if self.spectrum in self.draft.columns and (place in in_place or condition in LIGHT):
                continue  # each row has the one or the other
            if place == self.conditions:
                self.once.need(condition)
                continue
            self.broken |= set(paths)
            if not self.table.exchange:
                self.faults.at_header(names[0], "This column is required but missing.", f"Add it{_or(names)}.")

    def _values(self, row: Row, source: Source) -> dict[str, Any]:
        """Returns the valid cells of a row by field."""
        values: dict[str, Any] = {}
        for index in self.kinds:
            said = row.cells[index].strip()
            if said not in ("", self.draft.kind):
                self.faults.at_row(
                    source,
                    "kind",
                    f"This is a {said} reading.",
                    f"Import only {self.draft.kind} readings with this file.",
                )
        for index, column, path in self.places:
            cell = row.cells[index].strip(" ")
            if not cell.strip():
                continue
            try:
                values[path] = self._value(path, cell)
            except BadCell as bad:
                self.faults.at_row(source, column, bad.detail, bad.hint)
                source.broken.add(path)
        if "instrument_code" in values and "instrument_id" in values:
            self.faults.at_row(
                source,
                self.draft.columns["instrument_code"],
                "The instrument is stated twice.",
                "Give its id or its code.",
            )
            source.broken |= {"instrument_code", "instrument_id"}
        return {path: value for path, value in values.items() if path not in source.broken}

    def _value(self, path: str, cell: str) -> Any:
        if found := strays(cell):
            raise BadCell(
                f"This contains bytes that are not UTF-8: {', '.join(found[:5])}.", 'Save the file as "CSV UTF-8".'
            )
        match self.shape.readers[path]:
            case "number":
                return cell_parsing.number(cell, self.options.decimal)
            case "truth":
                return cell_parsing.truth(cell)
            case "time":
                return cell_parsing.moment(cell, self.zone)
            case "list":
                declared = self.shape.declared
                return cell_parsing.listed(cell, list_hint(declared.field(path) if declared else None))
        return unguarded(cell)

    def _assembled(self, values: dict[str, Any], source: Source) -> dict[str, Any]:
        """Returns the item of a row, with its fields in their places."""
        item = {path: value for path, value in values.items() if "/" not in path and path != "instrument_code"}
        if "instrument_code" in values:
            self.draft.codes[len(self.draft.sources)] = values["instrument_code"]
        if self.colors:
            self.colors.assemble(item, values, source)
        if self.exported and self.shape.declared:
            _leave_out_worked_out(self.shape.declared, item)
        if self.measured_at and self.draft.kind != DELIVERIES:
            item.setdefault("measured_at", self.measured_at)
        if self.draft.kind == DELIVERIES and not ("spool_count" in item and "spools/0/code" not in values):
            self._assemble_spool(item, values, source)
        return item

    def _assemble_spool(self, item: dict[str, Any], values: dict[str, Any], source: Source) -> None:
        """Sets the spool of a delivery row, unless the row states a number of spools."""
        if item.pop("spool_count", 1) != 1:
            detail, hint = "A code belongs to one spool.", "Remove the number of spools or the code."
            self.faults.at_row(source, self.draft.columns["spool_count"], detail, hint)
            source.broken.add("spool_count")
        named = {"code": values.get("spools/0/code"), "net_mass_g": item.pop("net_mass_g", None)}
        item["spools"] = [{name: value for name, value in named.items() if value is not None}]

    def _loaded(self, items: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Returns the items loaded by their schema, with placeholders for invalid fields."""
        if not items:
            return []
        try:
            loaded: list[dict[str, Any]] = self.schema.load(items, many=True)
        except ValidationError as error:
            loaded = error.valid_data  # type: ignore[assignment]  # a list, as the items were
            for index, messages in error.messages_dict.items():
                self._faults_of_schema(self.draft.sources[int(index)], messages)
        return [
            patched(self.shape, item, source.broken) if source.broken else item
            for item, source in zip(loaded, self.draft.sources, strict=True)
        ]

    def _faults_of_schema(self, source: Source, messages: Any) -> None:
        for wrong in faults_from(messages, self.schema):
            path = wrong.pointer.strip("/")
            if source.is_broken(path):
                continue
            self.faults.at_row(source, column_of(self.draft.columns, path) or "", wrong.detail, wrong.hint)
            source.broken.add(path)


def _leave_out_worked_out(declared: Characteristic, item: dict[str, Any]) -> None:
    """Removes computed values from an exported row if their inputs are present, such as a stress with force and area."""
    for out in declared.worked_out:
        if out.name not in item or not all(name in item for name in out.of):
            continue
        # Cells are not validated yet. A value that cannot be computed is kept.
        with suppress(ArithmeticError, TypeError, ValueError, LookupError):
            if math.isclose(out.work_out(*(item[name] for name in out.of)), item[out.name], rel_tol=1e-9):
                del item[out.name]


def _or(names: tuple[str, ...]) -> str:
    return f", or {' or '.join(names[1:])}" if len(names) > 1 else ""
