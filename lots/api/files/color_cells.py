"""Colours in a row of a file: L*, a*, b* or a spectrum from their columns, with their illuminant and observer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lots.api.files.file_faults import FileFaults
from lots.api.files.file_shapes import is_needed
from lots.domain.characteristics.declaring.declaration import Characteristic, Field
from lots.domain.colorimetry.color_values import LIGHT
from lots.domain.colorimetry.spectra import BadSpectrum, Spectrum
from lots.services.files.drafts import Source
from lots.services.files.spectral_columns import Gap, from_cells
from lots.services.setup.spectral_input import worded


@dataclass(frozen=True, slots=True)
class ColorCells:
    """Assembles the colours of rows.

    Args:
        declared: Characteristic of the readings.
        said_once: Conditions of the whole file.
        exported: True for an export, which has computed values with their inputs.
    """

    declared: Characteristic
    faults: FileFaults
    said_once: Mapping[str, Any]
    exported: bool

    def assemble(self, item: dict[str, Any], values: Mapping[str, Any], source: Source) -> None:
        """Fills an item from the cells of a row."""
        spectrum, conditions = self.declared.of_type("spectrum"), self.declared.of_type("conditions")
        spectral = spectrum is not None and self._spectrum(spectrum, item, values, source)
        if conditions is not None:
            item[conditions.name] = self._conditions(_inside(conditions.name, values), spectral)
        for field in self.declared.fields:
            if field.type == "lab" and spectral and self.exported:
                item.pop(field.name, None)
            elif field.columns:
                self._lab(field, item, values, source, spectral=spectral)

    def _conditions(self, inner: dict[str, Any], spectral: bool) -> dict[str, Any]:
        """Returns the conditions of a row. Illuminant and observer of the whole file apply to rows without a spectrum only."""
        every = {**self.said_once, **inner}
        if not spectral:
            return every
        light = () if self.exported else inner
        return {name: value for name, value in every.items() if name not in LIGHT or name in light}

    def _lab(
        self, field: Field, item: dict[str, Any], values: Mapping[str, Any], source: Source, *, spectral: bool
    ) -> None:
        parts, columns = [f"{field.name}/{place}" for place in range(len(field.columns))], self.faults.draft.columns
        said = any(part in values for part in parts)
        if field.name in columns or (not said and (spectral or not is_needed(field, self.declared))):
            return
        for part in parts:
            if part not in values and part not in source.broken and part in columns:
                self.faults.at_row(source, columns[part], "This is required.", "")
                source.broken.add(part)
        if all(part in values for part in parts):
            item[field.name] = [values[part] for part in parts]

    def _spectrum(self, field: Field, item: dict[str, Any], values: Mapping[str, Any], source: Source) -> bool:
        """Assembles the spectrum of a row, and returns False without one. An invalid one is replaced by a placeholder."""
        cells = {int(nm): value for nm, value in _inside(field.name, values).items()}
        wrong = any(path.startswith(f"{field.name}/") for path in source.broken)
        if not cells and not wrong:
            return False
        item[field.name] = field.stand_in
        if not wrong:
            try:
                sent = from_cells(cells)
                Spectrum(sent["start_nm"], sent["step_nm"], tuple(sent["values"]))
                item[field.name] = sent
            except Gap as gap:
                self._at(field.name, source, gap.nm, str(gap), "")
            except BadSpectrum as bad:
                place = bad.path.partition("/")[2]
                at = sent["start_nm"] + int(place) * sent["step_nm"] if place else sent["start_nm"]
                self._at(field.name, source, at, *worded(bad))
        return True

    def _at(self, name: str, source: Source, nm: int, detail: str, hint: str) -> None:
        self.faults.at_row(source, self.faults.draft.columns.get(f"{name}/{nm}", f"nm{nm}"), detail, hint)
        source.broken.add(name)


def _inside(name: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Returns the cells of a field by part."""
    return {path.partition("/")[2]: value for path, value in values.items() if path.startswith(f"{name}/")}
