"""A table from a file as items of the API: cells to JSON's types, then through the very schema that a request of its kind goes through."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from marshmallow import ValidationError

from lots.api.files.file_shapes import SCHEMAS, STAND_INS, patched, shape_of
from lots.api.http.errors import faults_from
from lots.api.http.fields import Instant
from lots.api.setup.shades import ConditionsArgs
from lots.domain.characteristics.bond import stress_mpa
from lots.domain.colorimetry.color_values import LIGHT
from lots.domain.colorimetry.spectra import BadSpectrum, Spectrum
from lots.services.files import cell_parsing
from lots.services.files.cell_parsing import BadCell
from lots.services.files.color_exchange import KEYWORDS, is_exchange_text, read_exchange
from lots.services.files.imports import DELIVERIES, Draft, Source, column_of, digest_of
from lots.services.files.spectral_columns import COLUMNS, Gap, from_cells
from lots.services.files.tables import Options, Row, Table, fault, read_csv, strays, text_of, unguarded
from lots.services.setup.spectral_input import worded

Watch = Callable[[list[Row]], Iterable[Row]]


def draft_from(kind: str, file_name: str, content: bytes, options: Options, watch: Watch = iter) -> Draft:
    """Returns what a file holds, with every fault that shows without the database.

    Args:
        kind: of its rows.
        file_name: as it is to be remembered.
        content: its bytes.
        options: what is said once for the whole file.
        watch: is given the rows to go through, and may show how far it has come.
    """
    draft = Draft(kind, file_name, digest_of(kind, options, content))
    text, draft.faults = text_of(content)
    if draft.faults:
        return draft
    table = read_exchange(text) if kind == "color" and is_exchange_text(text) else read_csv(text, options.delimiter)
    draft.faults, draft.rows, draft.notes = table.faults, table.count, table.notes
    if not table.columns:
        return draft
    _Reader(table, options, draft).read(watch)
    if not table.count:
        draft.faults.append(fault("There is no row below the header.", "Nothing would be stored."))
    elif not draft.items and not draft.faults:
        draft.faults.append(fault("Every reading in this file is voided.", "Nothing would be stored."))
    return draft


class _Reader:
    """Goes through a table once."""

    def __init__(self, table: Table, options: Options, draft: Draft) -> None:
        self.table, self.options, self.draft = table, options, draft
        self.shape, self.schema = shape_of(draft.kind), SCHEMAS[draft.kind]()
        self.zone: ZoneInfo | None = cell_parsing.zone(options.time_zone) if options.time_zone else None
        self.places: list[tuple[int, str, str]] = []  # index, column, field of every column that is read
        self.left_out: dict[str, list[int]] = {"voided": [], "excluded": []}
        self.kinds: list[int] = []
        self.conditions = dict(options.conditions)
        self.broken: set[str] = set()  # fields that no row has
        self.measured_at: str | None = None

    def read(self, watch: Watch) -> None:
        """Fills the draft."""
        self._header()
        self._said_in_header()
        self._needed()
        items, skipped = [], Counter[str]()
        for row in watch(self.table.rows):
            why = next((why for why, at in self.left_out.items() if any(row.cells[i].strip() for i in at)), None)
            if why is not None:
                skipped[why] += 1
                continue
            source = Source(row.number, row.line, set(self.broken))
            items.append(self._assembled(self._values(row, source), source))
            self.draft.sources.append(source)
        self.draft.skipped = skipped.total()
        self.draft.notes += [
            f"{count} {why} {'reading was' if count == 1 else 'readings were'} left out."
            for why, count in skipped.items()
        ]
        self.draft.items = self._loaded(items)

    def _header(self) -> None:
        known: dict[str, str] = {}
        for index, column in enumerate(self.table.columns):
            field = self.table.meanings.get(column, column)
            path = self.shape.paths.get(field)
            if path is not None:
                if path in known:
                    again = "stands twice" if known[path] == column else f"says the same as {known[path]}"
                    self._at_header(column, f"The column {column} {again}.", "Leave one of them out.")
                    continue
                known[path] = column
                if path.startswith("spectrum/"):
                    known.setdefault("spectrum", column)
                self.places.append((index, column, path))
            elif field.partition(".")[0] in self.left_out and self.draft.kind != DELIVERIES:
                self.left_out[field.partition(".")[0]].append(index)
            elif field == "kind" and self.draft.kind != DELIVERIES:
                self.kinds.append(index)
            elif field.partition(".")[0] not in self.shape.shown_only and not self.table.exchange:
                self._unknown(index, column)
        if "lab" in known and "lab/0" in known:
            self._at_header("lab", "The colour is given as lab and as L, a, b.", "Leave one of them out.")
        self.draft.columns = known

    def _unknown(self, index: int, column: str) -> None:
        if not column:
            if any(row.cells[index].strip() for row in self.table.rows):
                self._at_header(f"{index + 1}", f"Column {index + 1} has no name.", "Name it in the header.")
            return
        names = [name for name in self.shape.paths if not name.startswith("conditions.") and name not in COLUMNS]
        same = [name for name in names if name.casefold() == column.casefold()]
        shown = column[:60]
        near = same or get_close_matches(shown, names, n=2, cutoff=0.6)
        hint = f"Did you mean {' or '.join(near)}?" if near else f"Known here: {', '.join(names)}."
        if "spectrum/400" in self.shape.readers and column.startswith("nm"):
            hint = "A spectrum stands in columns nm360, nm370, ... nm780."
        self._at_header(shown, "There is no such column.", hint)

    def _at_header(self, column: str, detail: str, hint: str) -> None:
        row = None if self.table.exchange else 1
        self.draft.faults.append(fault(detail, hint, row=row, line=row, column=column))

    def _said_in_header(self) -> None:
        """Joins what the options and a header keyword say for all rows, and refuses what is said twice."""
        for name, path in ((name, f"conditions/{name}") for name in KEYWORDS):
            if name in self.conditions and path in self.draft.columns:
                detail = f"{name} is said for the whole file and in a column."
                self._at_header(self.draft.columns[path], detail, "Leave one of them out.")
                self.broken.add(path)
        for name, text in self.table.said.items():
            stated = self._loaded_condition(name, text)
            asked = self.conditions.get(name, stated)
            if str(asked).casefold() != str(stated).casefold():
                detail = f"The file's header says {name} {stated}, the option {asked}."
                self.draft.faults.append(fault(detail, "Leave the option out, or correct the file.", column=name))
                self.broken.add(f"conditions/{name}")
            elif stated is not None:
                self.conditions[name] = stated
        if self.table.measured_at:
            try:
                self.measured_at = cell_parsing.moment(self.table.measured_at, self.zone)
                Instant().deserialize(self.measured_at)
            except (BadCell, ValidationError):
                self.measured_at = None
                note = f'CREATED "{self.table.measured_at[:60]}" is no time with an offset: measured_at is the moment of the import.'
                self.draft.notes.append(note)

    def _loaded_condition(self, name: str, text: str) -> Any:
        """A condition from the header in the type of the API; what is wrong with it becomes a fault of the file."""
        try:
            value = cell_parsing.number(text) if name == "observer_deg" else text
            return ConditionsArgs(only=[name]).load({name: value})[name]
        except BadCell as bad:
            self.draft.faults.append(fault(bad.detail, bad.hint, column=name))
        except ValidationError as error:
            self.draft.faults += [fault(f.detail, f.hint, column=name) for f in faults_from(error.messages, None)]
        self.broken.add(f"conditions/{name}")
        return None

    def _needed(self) -> None:
        """Finds each column that every row needs and the file lacks, once instead of in every row."""
        for names in self.shape.needed:
            paths = [self.shape.paths[name] for name in names]
            if any(path in self.draft.columns for path in paths):
                continue
            place, _, condition = paths[0].partition("/")
            if "spectrum" in self.draft.columns and (place == "lab" or condition in LIGHT):
                continue  # each row has the one or the other
            if place == "conditions" and (condition in self.conditions or paths[0] in self.broken):
                continue
            self.broken |= set(paths)
            if place != "conditions":
                if not self.table.exchange:
                    self._at_header(names[0], "This column is needed, and is not there.", f"Add it{_or(names)}.")
            elif self.table.exchange:
                words = " or ".join(KEYWORDS[condition])
                hint = f"Add {words} to its header, or say {condition} for the whole file."
                self.draft.faults.append(fault(f"The file does not say {condition}.", hint, column=condition))
            else:
                hint = f"Add it, or say {condition} once for the whole file."
                self._at_header(condition, "This column is needed, and is not there.", hint)

    def _values(self, row: Row, source: Source) -> dict[str, Any]:
        """The cells of a row by field, those at fault left out."""
        values: dict[str, Any] = {}
        for index in self.kinds:
            said = row.cells[index].strip()
            if said not in ("", self.draft.kind):
                self._fault(
                    source, "kind", f"This is a {said} reading.", f"Only {self.draft.kind} is read from this file."
                )
        for index, column, path in self.places:
            cell = row.cells[index].strip(" ")
            if not cell.strip():
                continue
            try:
                values[path] = self._value(path, cell)
            except BadCell as bad:
                self._fault(source, column, bad.detail, bad.hint)
                source.broken.add(path)
        if "instrument_code" in values and "instrument_id" in values:
            self._fault(
                source,
                self.draft.columns["instrument_code"],
                "The instrument is given twice.",
                "Give its id or its code.",
            )
            source.broken |= {"instrument_code", "instrument_id"}
        return {path: value for path, value in values.items() if path not in source.broken}

    def _value(self, path: str, cell: str) -> Any:
        if found := strays(cell):
            raise BadCell(
                f"This holds bytes that are not UTF-8: {', '.join(found[:5])}.", 'Save the file as "CSV UTF-8".'
            )
        match self.shape.readers[path]:
            case "number":
                return cell_parsing.number(cell, self.options.decimal)
            case "truth":
                return cell_parsing.truth(cell)
            case "time":
                return cell_parsing.moment(cell, self.zone)
            case "list":
                return cell_parsing.listed(cell)
        return unguarded(cell)

    def _fault(self, source: Source, column: str, detail: str, hint: str) -> None:
        self.draft.faults.append(fault(detail, hint, row=source.row, line=source.line, column=column))

    def _assembled(self, values: dict[str, Any], source: Source) -> dict[str, Any]:
        """Puts fields where the schema has them."""
        item = {path: value for path, value in values.items() if "/" not in path and path != "instrument_code"}
        if "instrument_code" in values:
            self.draft.codes[len(self.draft.sources)] = values["instrument_code"]
        if self.draft.kind == "color":
            self._assemble_color(item, values, source)
        if self.draft.kind == "bond" and "recorded_at" in self.table.columns:
            _without_computed(item)
        if self.measured_at and self.draft.kind != DELIVERIES:
            item.setdefault("measured_at", self.measured_at)
        if self.draft.kind == DELIVERIES and not ("spool_count" in item and "spools/0/code" not in values):
            self._assemble_spool(item, values, source)
        return item

    def _assemble_color(self, item: dict[str, Any], values: dict[str, Any], source: Source) -> None:
        parts = [f"lab/{place}" for place in range(3)]
        inner = {path.partition("/")[2]: value for path, value in values.items() if path.startswith("conditions/")}
        item["conditions"] = {**self.conditions, **inner}
        if self._assemble_spectrum(item, values, source):
            # An export has what was computed beside what it was computed from; what is said for the whole file is said of other rows.
            exported = "recorded_at" in self.table.columns
            item["conditions"] = {
                name: value
                for name, value in item["conditions"].items()
                if name not in LIGHT or (name in inner and not exported)
            }
            if exported:
                item.pop("lab", None)
                return
        if "lab" not in self.draft.columns and ("spectrum" not in item or any(part in values for part in parts)):
            for part in parts:
                if part not in values and part not in source.broken and part in self.draft.columns:
                    self._fault(source, self.draft.columns[part], "This is needed.", "")
                    source.broken.add(part)
            if all(part in values for part in parts):
                item["lab"] = [values[part] for part in parts]

    def _assemble_spectrum(self, item: dict[str, Any], values: dict[str, Any], source: Source) -> bool:
        """Puts the spectrum of a row together; False where it has none. One at fault is left to its stand-in."""
        cell_parsing = {
            int(path.partition("/")[2]): value for path, value in values.items() if path.startswith("spectrum/")
        }
        wrong = any(path.startswith("spectrum/") for path in source.broken)
        if not cell_parsing and not wrong:
            return False
        item["spectrum"] = STAND_INS["spectrum"]
        if not wrong:
            try:
                sent = from_cells(cell_parsing)
                Spectrum(sent["start_nm"], sent["step_nm"], tuple(sent["values"]))
                item["spectrum"] = sent
            except Gap as gap:
                self._spectrum_fault(source, gap.nm, str(gap), "")
            except BadSpectrum as bad:
                place = bad.path.partition("/")[2]
                at = sent["start_nm"] + int(place) * sent["step_nm"] if place else sent["start_nm"]
                self._spectrum_fault(source, at, *worded(bad))
        return True

    def _spectrum_fault(self, source: Source, nm: int, detail: str, hint: str) -> None:
        self._fault(source, self.draft.columns.get(f"spectrum/{nm}", f"nm{nm}"), detail, hint)
        source.broken.add("spectrum")

    def _assemble_spool(self, item: dict[str, Any], values: dict[str, Any], source: Source) -> None:
        """One row of a delivery is one spool, unless it says how many are alike."""
        if item.pop("spool_count", 1) != 1:
            detail, hint = "A code is on one spool.", "Leave spool_count out, or the code."
            self._fault(source, self.draft.columns["spool_count"], detail, hint)
            source.broken.add("spool_count")
        named = {"code": values.get("spools/0/code"), "net_mass_g": item.pop("net_mass_g", None)}
        item["spools"] = [{name: value for name, value in named.items() if value is not None}]

    def _loaded(self, items: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Loads the items by their schema; a field at fault gets a stand-in."""
        if not items:
            return []
        try:
            loaded: list[dict[str, Any]] = self.schema.load(items, many=True)
        except ValidationError as error:
            loaded = error.valid_data  # type: ignore[assignment]  # a list, as the items were
            for index, messages in error.messages_dict.items():
                self._faults_of_schema(self.draft.sources[int(index)], messages)
        return [
            patched(item, source.broken) if source.broken else item
            for item, source in zip(loaded, self.draft.sources, strict=True)
        ]

    def _faults_of_schema(self, source: Source, messages: Any) -> None:
        for wrong in faults_from(messages, self.schema):
            path = wrong.pointer.strip("/")
            if source.is_broken(path):
                continue
            self._fault(source, column_of(self.draft.columns, path) or "", wrong.detail, wrong.hint)
            source.broken.add(path)


def _without_computed(item: dict[str, Any]) -> None:
    """Takes the stress out of an exported row that also has the force and the section it was computed from."""
    force, area, stress = (item.get(name) for name in ("break_force_n", "area_mm2", "stress_mpa"))
    if force and area and stress and math.isclose(stress_mpa(force, area), stress, rel_tol=1e-9):
        del item["stress_mpa"]


def _or(names: tuple[str, ...]) -> str:
    return f", or {' or '.join(names[1:])}" if len(names) > 1 else ""
