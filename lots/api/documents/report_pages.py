"""A document as sections of facts, paragraphs and tables, the same for page and PDF. Contains the parts shared by letters and lot records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from lots.domain.characteristics import registry
from lots.domain.words import counted
from lots.services.documents.report_words import DECISION_WORDS, digits_for
from lots.services.setup.place import Place

_NO_FILLER = "none"
# Universal time and decimal points.
DEFAULT_PLACE = Place()
MARKS = {"pass": "pass", "fail": "fail", "near": "undecided", "missing": "not measured"}


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text with headings. `widths` are shares of the page width. `numbers` are right-aligned columns.

    `rest` is the path of a list with all rows, "" without one.
    """

    title: str
    head: tuple[str, ...]
    widths: tuple[int, ...]
    rows: Sequence[tuple[str, ...]]
    numbers: frozenset[int] = frozenset()
    rest: str = ""

    def __post_init__(self) -> None:
        if any(len(row) != len(self.head) for row in (self.widths, *self.rows)):
            raise ValueError(f"every row of {self.title!r} needs {len(self.head)} cells")


@dataclass(frozen=True, slots=True)
class Section:
    """A section of a document: facts by name, then paragraphs, then tables."""

    title: str
    facts: list[tuple[str, str]] = field(default_factory=list)
    paragraphs: list[str] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)


def mark_of(row: dict[str, Any]) -> str:
    """Returns the verdict of a finding in words. A failure within its uncertainty is marked as not proved."""
    return f"{MARKS[row['verdict']]}{' (not proved)' if row['proof'] == 'not proved' else ''}"


def grade_said(grade: dict[str, Any], place: Place) -> str:
    """Returns a grade on one line."""
    kept = [grade["color_name"], grade["polymer"], grade["finish"], grade["filler"]]
    return f"{grade['code']}: {', '.join(part for part in kept if part and part != _NO_FILLER)}, {place.number(grade['nominal_diameter_mm'])} mm"


def deliveries_table(deliveries: list[dict[str, Any]], place: Place, *, notes: bool = True) -> Table:
    """Returns the table of deliveries, with the notes of the shop if `notes` is true."""
    head: tuple[str, ...] = ("Order", "Received", "Spools", "Net mass, kg")
    widths: tuple[int, ...] = (38, 28, 14, 20)
    rows: list[tuple[str, ...]] = [
        (
            row["order_ref"] or "not stated",
            place.moment(row["received_at"]),
            str(row["spools"]),
            place.number(row["net_mass_kg"]),
        )
        for row in deliveries
    ]
    if notes:
        head, widths = (*head, "Note"), (22, 22, 10, 14, 32)
        rows = [(*cells, _note(row)) for cells, row in zip(rows, deliveries, strict=True)]
    return Table("Deliveries", head, widths, rows, frozenset({2, 3}))


def _note(delivery: dict[str, Any]) -> str:
    closed = f"Closed: {delivery['closed']}" if delivery["closed"] else None
    return " ".join(filter(None, (closed, delivery["note"])))


def asked_facts(asked: dict[str, Any], place: Place) -> list[tuple[str, str]]:
    """Returns the revisions of limits and reference used in the assessment, with their content."""
    facts = []
    if asked["limits_revision"] is not None:
        since = f"revision {asked['limits_revision']} of {place.moment(asked['limits_recorded_at'])}"
        facts += [
            ("Limits", since),
            ("Decision rule", place.prose(asked["decision_rule"])),
            ("Sampling", place.prose(asked["sampling"])),
        ]
    if shade := asked["shade"]:
        facts += [
            (
                "Reference colour",
                f"{shade['name']} ({shade['code']}), revision {shade['revision']} of {place.moment(shade['recorded_at'])}",
            ),
            (
                "Reference values (CIELAB)",
                ", ".join(f"{axis}* {place.number(value)}" for axis, value in zip("Lab", shade["lab"], strict=True)),
            ),
            ("Conditions", place.prose(shade["says"])),
        ]
    return facts


def label_of(row: dict[str, Any]) -> str:
    """Returns the name of a measure with its symbol. A difference has a capital delta."""
    label, quantity = str(row["label"]), str(row["quantity"])
    plain = f"d{quantity[1:]}"
    if quantity and label.endswith(plain):
        return label.removesuffix(plain) + quantity
    return f"{label}, {quantity}" if quantity else label


def measure_of(row: dict[str, Any], place: Place) -> str:
    """Returns the measure with its subject, marked if no use requires it."""
    subject = f" ({place.prose(row['subject'])})" if row["subject"] else ""
    optional = "" if row.get("required", True) else "; no use requires it"
    return f"{label_of(row)}{subject}{optional}"


def value_of(row: dict[str, Any], place: Place) -> str:
    """Returns the value of a finding with its unit, "none" without a value."""
    if row["value"] is None:
        return "none"
    return number_of(row["value"], row, place) + (f" {row['unit']}" if row["unit"] else "")


def number_of(value: float | None, row: dict[str, Any], place: Place) -> str:
    """Returns a number with the decimals of the finding."""
    return "unknown" if value is None else place.prose(f"{value:.{row['digits']}f}")


def uncertain(value: float | None, place: Place) -> str:
    """Returns an uncertainty with two significant digits."""
    return "unknown" if value is None else place.prose(f"{value:.{digits_for(value)}f}")


def method_section(method: list[dict[str, Any]], place: Place) -> Section | None:
    """Returns how each characteristic was measured, with its instruments and their checks."""
    if not method:
        return None
    rows = [
        (
            f"{row['code']} ({row['kind']})",
            registry.said(part["characteristic"]),
            str(row["readings"]),
            "unknown"
            if row["standard_uncertainty"] is None
            else place.prose(f"{row['standard_uncertainty']:g} {row['unit']}".strip()),
            _check(row["last_check"], place),
            _check(row["next_check"], place),
        )
        for part in method
        for row in part["instruments"]
    ]
    head = (
        "Instrument",
        "Measures",
        "Readings",
        "Standard uncertainty",
        "Last check before the readings",
        "First check after the readings",
    )
    widths = (20, 12, 10, 16, 21, 21)
    tables = [Table("Instruments", head, widths, rows, frozenset({2}))] if rows else []
    said = [place.prose(part["says"]) + _unnamed(part["without_instrument"]) for part in method]
    return Section("Methods", paragraphs=said, tables=tables)


def _unnamed(count: int) -> str:
    if not count:
        return ""
    return f" {counted(count, 'reading names', 'readings name')} no instrument."


def _check(row: dict[str, Any] | None, place: Place) -> str:
    if row is None:
        return "none on record"
    against = f" against {row['artefact']}" if row["artefact"] else ""
    return f"{place.moment(row['checked_at'])}: {'passed' if row['result'] == 'pass' else 'failed'}{against}"


def action_said(row: dict[str, Any]) -> str:
    """Returns the action of a decision in words."""
    return DECISION_WORDS[row["action"]]


def reason_said(row: dict[str, Any], place: Place) -> str:
    """Returns the reason of a decision, with the number format of the site. Words of a person stay unchanged."""
    return place.prose(row["reason"]) if row["action"] in ("received", "judge") else str(row["reason"])


def reading_cells(row: dict[str, Any], place: Place) -> tuple[str, ...]:
    """Returns a reading as the cells that every paper has: number, spool, moment, values and instrument."""
    return (
        str(row["id"]),
        row["spool_code"],
        place.moment(row["measured_at"]),
        place.prose(row["says"]) + (" (repeated)" if row["retest"] else ""),
        row["instrument_code"] or "not named",
    )
