"""Measuring conditions in files: from columns, options or the header of colour exchange text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError

from lots.api.files.file_faults import FileFaults
from lots.api.http.errors import faults_from
from lots.api.setup.shades import ConditionsArgs
from lots.domain.colorimetry.color_values import condition_name
from lots.services.files import cell_parsing
from lots.services.files.cell_parsing import BadCell
from lots.services.files.color_exchange import KEYWORDS


class SaidOnce:
    """The measuring conditions of a whole file.

    Attributes:
        conditions: Conditions by name.
        broken: Fields that are invalid in all rows.
    """

    def __init__(self, field: str, faults: FileFaults, by_options: Mapping[str, Any]) -> None:
        self.field, self.faults = field, faults
        self.conditions = dict(by_options)
        self.broken: set[str] = set()

    def join(self) -> None:
        """Merges the conditions from options and header, and reports conflicts."""
        columns = self.faults.draft.columns
        for name, path in ((name, f"{self.field}/{name}") for name in KEYWORDS):
            if name in self.conditions and path in columns:
                detail = f"{name} is stated for the whole file and in a column."
                self.faults.at_header(columns[path], detail, "Remove one of them.")
                self.broken.add(path)
        for name, text in self.faults.table.said.items():
            stated = self._loaded(name, text)
            asked = self.conditions.get(name, stated)
            if str(asked).casefold() != str(stated).casefold():
                detail = f"The header of the file states {name} {stated}, the option {asked}."
                self.faults.of_file(name, detail, "Remove the option or correct the file.")
                self.broken.add(f"{self.field}/{name}")
            elif stated is not None:
                self.conditions[name] = stated

    def _loaded(self, name: str, text: str) -> Any:
        """Returns a condition from the header in its API type. Errors become faults of the file."""
        try:
            value = cell_parsing.number(text) if name == "observer_deg" else text
            return ConditionsArgs(only=[name]).load({name: value})[name]
        except BadCell as bad:
            self.faults.of_file(name, bad.detail, bad.hint)
        except ValidationError as error:
            for wrong in faults_from(error.messages, None):
                self.faults.of_file(name, wrong.detail, wrong.hint)
        self.broken.add(f"{self.field}/{name}")
        return None

    def need(self, name: str) -> None:
        """Reports a condition that the file lacks, once for all rows."""
        path = f"{self.field}/{name}"
        if name in self.conditions or path in self.broken:
            return
        self.broken.add(path)
        if self.faults.table.exchange:
            words = " or ".join(KEYWORDS[name])
            hint = f"Add {words} to the header, or state the {condition_name(name)} for the whole file."
            self.faults.of_file(name, f"The file does not state the {condition_name(name)}.", hint)
        else:
            hint = f"Add the column, or state the {condition_name(name)} for the whole file."
            self.faults.at_header(name, "This column is required but missing.", hint)
