"""Parsing of colour exchange text (CGATS): keyword lines, then named columns of data. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from lots.domain.colorimetry.color_values import LIGHT, PLAQUE
from lots.domain.words import counted
from lots.services.files.csv_tables import MOST_COLUMNS, MOST_FAULTS, MOST_ROWS, Row, Table, fault
from lots.services.files.spectral_columns import COLUMNS

# Condition -> its keywords, from memory. Only keyword lines and the four markers are as in the standard.
# Programs differ in these names, so each form is accepted. README and the errors list them.
KEYWORDS: dict[str, tuple[str, ...]] = {
    "illuminant": ("ILLUMINANT", "ILLUMINATION_NAME", "ILLUMINATION"),
    "observer_deg": ("OBSERVER", "OBSERVER_ANGLE", "OBSERVERANGLE"),
    "geometry": ("GEOMETRY", "MEASUREMENT_GEOMETRY"),
    "specular": ("SPECULAR", "SPECULAR_COMPONENT"),
    "uv": ("UV", "FILTER", "FILTER_STATUS"),
    "backing": ("BACKING", "SAMPLE_BACKING"),
    # No keyword for the plaque is known. Columns or options state it.
    **dict.fromkeys(PLAQUE, ()),
}
_MEANINGS = {"LAB_L": "L", "LAB_A": "a", "LAB_B": "b"}
_NAMES = ("SAMPLE_NAME", "SAMPLE_ID")
# Fields of a spectrum: one per wavelength, as most programs write them, or pairs of wavelength and value, as in the standard (from memory).
_AT_NM = re.compile(r"(?:SPECTRAL_NM_?|SPECTRAL_|NM_?)(\d{3})")
_VALUES = {"SPECTRAL_DEC": 0, "SPECTRAL_PCT": -2}
_TOKEN = re.compile(r'"((?:[^"]++|"")*+)"|(#.*)|([^\s"#]++)|(["#])')
_MARKERS = ("BEGIN_DATA_FORMAT", "END_DATA_FORMAT", "BEGIN_DATA", "END_DATA")
_SPECULAR = {"spin": "included", "di": "included", "spex": "excluded", "de": "excluded"}


def is_exchange_text(text: str) -> bool:
    """Returns True for colour exchange text, which begins with the name of the standard or has its markers."""
    return (
        text.lstrip()[:5].upper() == "CGATS" or re.search(r"^[ \t]*BEGIN_DATA_FORMAT\b", text, re.MULTILINE) is not None
    )


def read_exchange(text: str) -> Table:
    r"""Returns the table of a colour exchange text.

    - The spool code is in `SAMPLE_NAME`, or else in `SAMPLE_ID`.
    - Spectra are fields such as `SPECTRAL_NM400` or `nm400`, with reflectance factors up to 1, or pairs of `SPECTRAL_NM` with
      `SPECTRAL_DEC` or `SPECTRAL_PCT`.
    - With spectra, the L*, a*, b* of the file and their illuminant are ignored. Other columns are always ignored.
    - Conditions are those in KEYWORDS, or in `MEASUREMENT_SOURCE "Illumination=D65 ObserverAngle=10"`. The geometries di:8 and de:8
      also state the specular component.
    - `CREATED` gives `measured_at`.

    Reference:
        CGATS.17 / ISO 28178: keyword lines, BEGIN_DATA_FORMAT, NUMBER_OF_FIELDS, NUMBER_OF_SETS, BEGIN_DATA. From memory: SPECTRAL_NM,
        SPECTRAL_DEC, SPECTRAL_PCT, fields that end in their wavelength, keywords of conditions, and di:8 and de:8 (ISO 13655, CIE 15).

    Example:
        >>> table = read_exchange('CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n'
        ...                       'NUMBER_OF_SETS 1\nBEGIN_DATA\nA-1 95.0 -0.8 1.5\nEND_DATA\n')
        >>> table.columns, table.rows[0].cells
        (['SAMPLE_ID', 'LAB_L', 'LAB_A', 'LAB_B'], ['A-1', '95.0', '-0.8', '1.5'])
    """
    reading = _Reading(Table(exchange=True))
    table, keywords = reading.table, reading.keywords
    for number, tokens in _lines(text, table):
        if not reading.take(number, tokens):
            break
    if reading.too_wide:
        return table
    _check(table, keywords, reading.seen)
    _unpair(table)
    spectral = _name_columns(table)
    table.said = {name: said for name, said in _conditions(keywords).items() if not (spectral and name in LIGHT)}
    table.measured_at = keywords.get("CREATED")
    return table


@dataclass(slots=True)
class _Reading:
    """The state of the parser: the keywords and markers read so far, and the current section."""

    table: Table
    keywords: dict[str, str] = field(default_factory=dict)
    seen: set[str] = field(default_factory=set)
    inside: str = ""
    too_wide: bool = False

    def take(self, number: int, tokens: list[str]) -> bool:
        """Reads a line. Returns False if reading stops."""
        first = tokens[0].upper()
        if first in _MARKERS:
            return self._mark(number, first)
        if self.inside == "DATA_FORMAT":
            return self._name(number, tokens)
        if self.inside == "DATA":
            return _add_row(self.table, number, tokens)
        if first != "KEYWORD" and len(tokens) > 1:
            self.keywords.setdefault(first, " ".join(tokens[1:]))
        return True

    def _mark(self, number: int, marker: str) -> bool:
        if marker in self.seen:
            hint = "Put each table in its own file."
            self.table.faults.append(fault("A second table begins here.", hint, row=number))
            return False
        self.seen.add(marker)
        self.inside = marker.removeprefix("BEGIN_") if marker.startswith("BEGIN_") else ""
        return True

    def _name(self, number: int, tokens: list[str]) -> bool:
        """Adds names of fields."""
        self.table.columns += [token.upper() for token in tokens]
        # A spectrum may have two fields per wavelength.
        self.too_wide = len(self.table.columns) > 2 * MOST_COLUMNS
        if self.too_wide:
            self.table.faults.append(fault(f"A file may have at most {2 * MOST_COLUMNS} fields.", row=number))
            self.table.columns = []
        return not self.too_wide


def _lines(text: str, table: Table) -> Iterator[tuple[int, list[str]]]:
    """Yields the tokens of every line that has any. Quoted text is one token, and # begins a comment."""
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        tokens = []
        for quoted, _comment, bare, broken in _TOKEN.findall(line):
            if broken:
                table.faults.append(fault("A quote is not closed on this line.", row=number))
            elif bare:
                tokens.append(bare)
            elif not _comment:
                tokens.append(quoted.replace('""', '"'))
        if len(table.faults) >= MOST_FAULTS:
            table.faults.append(fault(f"Reading stopped after {MOST_FAULTS:,} errors.", row=number))
            return
        if tokens:
            yield number, tokens


def _add_row(table: Table, number: int, tokens: list[str]) -> bool:
    """Adds a row of data. Returns False if there are too many."""
    table.count += 1
    if table.count > MOST_ROWS:
        table.faults.append(
            fault(f"A file may hold at most {MOST_ROWS:,} sets of data.", "Split the file.", row=number)
        )
        return False
    if len(tokens) != len(table.columns):
        detail = f"This line has {counted(len(tokens), 'value')}, but BEGIN_DATA_FORMAT names {counted(len(table.columns), 'field')}."
        table.faults.append(fault(detail, "Put a name that contains a space in quotes.", row=number))
    else:
        table.rows.append(Row(number, number, tokens))
    return True


def _check(table: Table, keywords: dict[str, str], seen: set[str]) -> None:
    """Compares the counts stated in the file with its content."""
    table.faults += [
        fault(f"This file has no {name}.", "Export the file again. It may be incomplete.")
        for name in _MARKERS
        if name not in seen
    ]
    for keyword, found, what in (
        ("NUMBER_OF_FIELDS", len(table.columns), "BEGIN_DATA_FORMAT names"),
        ("NUMBER_OF_SETS", table.count, "the number of lines after BEGIN_DATA is"),
    ):
        stated = keywords.get(keyword)
        if stated is not None and stated.strip() != str(found):
            table.faults.append(
                fault(f"{keyword} is {stated}, but {what} {found}.", "Export the file again. It may be incomplete.")
            )


def _unpair(table: Table) -> None:
    """Turns pairs of wavelength and value into one column per wavelength, with values as factors."""
    for place in range(len(table.columns) - 1):
        power = _VALUES.get(table.columns[place + 1])
        if table.columns[place] != "SPECTRAL_NM" or power is None or not table.rows:
            continue
        at = table.rows[0].cells[place]
        for row in table.rows:
            if row.cells[place] != at:
                detail = f"The wavelength is {row.cells[place]} here, but {at} in the first line of data."
                table.faults.append(
                    fault(detail, "Give the same wavelengths for all spectra of a file.", row=row.number)
                )
            if power and re.fullmatch(r"-?\d{1,9}(\.\d{1,20})?", row.cells[place + 1]):
                row.cells[place + 1] = f"{Decimal(row.cells[place + 1]).scaleb(power):f}"
        table.columns[place + 1] = f"SPECTRAL_NM{at.removesuffix('.0')}"


def _name_columns(table: Table) -> bool:
    """Sets the field of each column, with an error for each missing one. Returns True if the colours are spectra."""
    name = next((name for name in _NAMES if name in table.columns), None)
    wavelengths = {column: f"nm{found[1]}" for column in table.columns if (found := _AT_NM.fullmatch(column))}
    spectra = {column: field for column, field in wavelengths.items() if field in COLUMNS}
    colors = spectra or _MEANINGS
    table.meanings = {**colors, **({name: "spool_code"} if name else {})}
    if len(spectra) < len(wavelengths):
        left = ", ".join(sorted(set(wavelengths.values()) - set(spectra.values())))
        table.notes.append(f"Spectra are read every 10 nm from 360 to 780 nm. These columns were ignored: {left}.")
    if spectra and "LAB_L" in table.columns:
        table.notes.append("Colours are computed from the spectra. The L*, a*, b* of the file were ignored.")
    needed: list[tuple[str, str | None]] = [] if spectra else [(column, column) for column in _MEANINGS]
    needed.append(("SAMPLE_NAME", name))
    for column, there in needed:
        if there not in table.columns:
            detail = f"BEGIN_DATA_FORMAT has no field {column}."
            hint = "Export CIELAB values or spectra, with the spool code as the name of the sample."
            table.faults.append(fault(detail, hint, column=column))
    return bool(spectra)


def _conditions(keywords: dict[str, str]) -> dict[str, str]:
    pairs = [part.partition("=") for part in keywords.get("MEASUREMENT_SOURCE", "").split()]
    source = {name.upper(): value for name, _, value in pairs if value}
    stated = {**source, **keywords}
    said: dict[str, str] = {}
    for condition, names in KEYWORDS.items():
        value = next((stated[name].strip() for name in names if stated.get(name, "").strip()), None)
        if condition == "observer_deg" and value is not None:
            said[condition] = _observer(value)
        elif condition == "uv" and value is not None:
            said |= _uv(value)
        elif condition == "specular" and value is not None:
            said[condition] = _SPECULAR.get(value.lower(), value)
        elif value is not None:
            said[condition] = value
    half = said.get("geometry", "").lower().partition(":")[0]
    if half in _SPECULAR:
        said.setdefault("specular", _SPECULAR[half])
    return said


def _observer(value: str) -> str:
    """Returns 2 or 10 for texts such as "10 degree" or "CIE 1964". Other text is returned as it is, and rejected later."""
    if found := re.search(r"(?<!\d)(2|10)(?!\d)", value):
        return found[1]
    return {"1931": "2", "1964": "10"}.get("".join(re.findall(r"1931|1964", value)), value)


def _uv(value: str) -> dict[str, str]:
    """Returns whether the light included UV; empty for other filters."""
    word = re.sub(r"[\W_]+", "", value.lower())
    if word in ("included", "in", "uvin", "uvincluded"):
        return {"uv": "included"}
    if word in ("excluded", "out", "cut", "uvcut", "uvex", "uvexcluded", "uvfilter", "uvout"):
        return {"uv": "excluded"}
    return {}
