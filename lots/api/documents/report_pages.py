"""A paper as sections of facts, paragraphs and tables: what the page and the PDF both show, so that neither says more than the other.

Here is the report to a supplier, with the parts that the record of a lot has too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from lots.domain.characteristics import registry
from lots.domain.words import counted, plural
from lots.services.documents.report_words import digits_for
from lots.services.setup.place import Place

# Universal time and decimal points.
DEFAULT_PLACE = Place()
MARKS = {"pass": "passes", "fail": "FAILS", "near": "undecided", "missing": "not judged yet"}


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under headings. `widths` are shares of the width of a page; `numbers` are the columns set flush right.

    `rest` is the path of a list that has every row, also where not all are printed; "" where there is none.
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
    """A part of a report: facts by name, then paragraphs, then tables."""

    title: str
    facts: list[tuple[str, str]] = field(default_factory=list)
    paragraphs: list[str] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)


def mark_of(row: dict[str, Any]) -> str:
    """Returns the verdict of a finding in words; of a failure within its uncertainty, that it is not proved."""
    return f"{MARKS[row['verdict']]}{' (not proved)' if row['proof'] == 'not proved' else ''}"


def title_of(report: dict[str, Any]) -> str:
    """Returns the title of a report, with its number."""
    return f"Nonconformity report {report['number']}"


def sections(report: dict[str, Any], place: Place = DEFAULT_PLACE) -> list[Section]:
    """Returns everything a report says, in the order its reader needs it: what, against what, how far, what now, and the evidence.

    Args:
        report: as JSON shows it.
        place: how the site writes dates and numbers.
    """
    parts = [
        _about(report, place),
        _asked(report["asked"], place),
        _found(report["found"], place),
        _requested(report["requested"], place),
        method_section(report["method"], place),
        readings_section("The readings behind the failing findings", report["readings"], report["lot"]["id"], place),
        _decisions(report, place),
        Section("Cautions", paragraphs=_prose(report["cautions"], place)),
    ]
    return [part for part in parts if part is not None]


def _prose(sentences: Sequence[str], place: Place) -> list[str]:
    return [place.prose(text) for text in sentences]


def _about(report: dict[str, Any], place: Place) -> Section:
    supplier, grade, lot = report["supplier"], report["grade"], report["lot"]
    then = "" if report["as_of"] == report["made_at"] else f", from what was known at {place.moment(report['as_of'])}"
    facts = [
        ("Report", f"{report['number']}, made {place.moment(report['made_at'])}{then}"),
        ("From", report["issued_by"]),
        ("To", f"{supplier['name']} ({supplier['code']})"),
        ("Contact", supplier["contact"] or "none on record"),
        ("Your lot number", lot["supplier_lot"]),
        ("Grade", grade_said(grade, place)),
        ("Our lot", f"{lot['id']}, received {place.moment(lot['received_at'])}, now {lot['standing']}"),
    ]
    if lot["resubmission_of"] is not None:
        facts.append(("Resubmission", f"this lot was rejected before, as our lot {lot['resubmission_of']}"))
    return Section("Lot", facts, [place.prose(report["says"])], [deliveries_table(report["deliveries"], place)])


def grade_said(grade: dict[str, Any], place: Place) -> str:
    """Returns a grade on one line."""
    kept = [grade["color_name"], grade["polymer"], grade["finish"], grade["filler"]]
    return (
        f"{grade['code']}: {', '.join(part for part in kept if part)}, {place.number(grade['nominal_diameter_mm'])} mm"
    )


def deliveries_table(deliveries: list[dict[str, Any]], place: Place) -> Table:
    """Returns what came, delivery by delivery."""
    rows = [
        (
            row["order_ref"] or "not stated",
            place.moment(row["received_at"]),
            str(row["spools"]),
            place.number(row["net_mass_kg"]),
            " ".join(filter(None, (row["closed"] and f"Closed: {row['closed']}", row["note"]))),
        )
        for row in deliveries
    ]
    head = ("Order", "Received", "Spools", "Net mass, kg", "Note")
    return Table("Deliveries", head, (22, 22, 10, 14, 32), rows, frozenset({2, 3}))


def _asked(asked: dict[str, Any], place: Place) -> Section:
    rows = [(label_of(row), place.prose(row["says"])) for row in asked["limits"]]
    head = ("Measure", "Limit; its ends are acceptable")
    tables = [Table("Limits that are not met", head, (55, 45), rows)] if rows else []
    return Section("Requirements", asked_facts(asked, place), _prose(asked["terms"], place), tables)


def asked_facts(asked: dict[str, Any], place: Place) -> list[tuple[str, str]]:
    """Returns which revisions of limits and reference something was judged under, and what they say."""
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
                "Reference Lab",
                ", ".join(f"{axis}* {place.number(value)}" for axis, value in zip("Lab", shade["lab"], strict=True)),
            ),
            ("Conditions", place.prose(shade["says"])),
        ]
    return facts


def label_of(row: dict[str, Any]) -> str:
    """Returns what was measured, with its symbol: a difference is written with a capital delta."""
    label, quantity = str(row["label"]), str(row["quantity"])
    plain = f"d{quantity[1:]}"
    if quantity and label.endswith(plain):
        return label.removesuffix(plain) + quantity
    return f"{label}, {quantity}" if quantity else label


def _found(found: dict[str, Any], place: Place) -> Section:
    tables = []
    if found["failing"]:
        tables.append(
            _failures("Failing findings", "Measure", [(measure_of(row, place), row) for row in found["failing"]], place)
        )
    if found["nonconforming_spools"]:
        each = [
            (f"{spool['spool_code']}: {label_of(row)}", row)
            for spool in found["nonconforming_spools"]
            for row in spool["findings"]
        ]
        tables.append(_failures("Nonconforming spools", "Spool and measure", each, place))
    if found["others"]:
        rows = [
            (
                measure_of(row, place),
                value_of(row, place),
                place.prose(row["limit_says"]),
                f"{row['n']} {row['counted']}",
                mark_of(row),
            )
            for row in found["others"]
        ]
        head = ("Measure", "Value", "Limit", "From", "Verdict")
        tables.append(Table("Other findings", head, (38, 14, 20, 14, 14), rows, frozenset({1})))
    messages = [row["message"] for row in found["failing"]]
    if messages:
        messages.append("u is the standard uncertainty of a value, U its expanded uncertainty (k = 2, about 95 %).")
    notes = [f"Still to be measured: {'; '.join(found['to_measure'])}."] if found["to_measure"] else []
    said = _prose([*messages, *found["notes"], *notes], place)
    return Section("Findings", paragraphs=said, tables=tables)


def measure_of(row: dict[str, Any], place: Place) -> str:
    """Returns what was measured and on what, and whether any use turns on it."""
    subject = f" ({place.prose(row['subject'])})" if row["subject"] else ""
    optional = "" if row.get("required", True) else "; no use turns on it alone"
    return f"{label_of(row)}{subject}{optional}"


def value_of(row: dict[str, Any], place: Place) -> str:
    """Returns the value of a finding with its unit, none where there is none."""
    if row["value"] is None:
        return "none"
    return _number(row["value"], row, place) + (f" {row['unit']}" if row["unit"] else "")


def _number(value: float | None, row: dict[str, Any], place: Place) -> str:
    """A number with the decimals that the finding's own sentence gives it."""
    return "unknown" if value is None else place.prose(f"{value:.{row['digits']}f}")


def _failures(title: str, first: str, rows: list[tuple[str, dict[str, Any]]], place: Place) -> Table:
    head = (first, "Value", "Limit", "Outside by", "From", "u", "U, k = 2", "Nonconformity proved?")
    cells = [
        (
            name,
            value_of(row, place),
            place.prose(row["limit_says"]),
            _number(row["outside_by"], row, place),
            f"{row['n']} {row['counted']}",
            uncertain(row["standard_uncertainty"], place),
            uncertain(row["expanded_uncertainty"], place),
            place.prose(row["claim_says"]),
        )
        for name, row in rows
    ]
    return Table(title, head, (22, 10, 11, 9, 10, 9, 9, 20), cells, frozenset({1, 3, 5, 6}))


def uncertain(value: float | None, place: Place) -> str:
    """Returns an uncertainty with two significant digits."""
    return "unknown" if value is None else place.prose(f"{value:.{digits_for(value)}f}")


def _requested(asked: dict[str, Any], place: Place) -> Section:
    facts = []
    if asked["id"] is not None:
        late = " (overdue)" if asked["overdue"] else ""
        facts = [
            ("Corrective action", f"{asked['id']}, {asked['state']}"),
            ("We ask you to", asked["requested_action"]),
            ("Answer due", place.moment(asked["due_at"]) + late),
        ]
        if asked["answered_at"] is not None:
            facts += [("Cause, as you found it", asked["cause"]), ("What you did", asked["action"])]
    return Section("What is asked of you", facts, [place.prose(asked["says"])])


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
        "Reads",
        "Readings",
        "Standard uncertainty",
        "Last check before them",
        "First check after them",
    )
    widths = (20, 12, 10, 16, 21, 21)
    tables = [Table("Instruments", head, widths, rows, frozenset({2}))] if rows else []
    said = [place.prose(part["says"]) + _unnamed(part["without_instrument"]) for part in method]
    return Section("How it was measured", paragraphs=said, tables=tables)


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
    return str(row["action"]).replace("_", " ")


def reason_said(row: dict[str, Any], place: Place) -> str:
    """Returns why a decision was taken: the program's sentences as the site writes numbers, a person's words as they are."""
    return place.prose(row["reason"]) if row["action"] in ("received", "judge") else str(row["reason"])


def readings_section(
    title: str, readings: list[dict[str, Any]], lot_id: int, place: Place, *, who: bool = False
) -> Section | None:
    """Returns every reading of a lot, kind by kind, and how many count; with `who`, who entered each and what they noted."""
    if not readings:
        return None
    tables = []
    for kind in dict.fromkeys(row["kind"] for row in readings):
        head: tuple[str, ...] = ("No.", "Spool", "Measured", "Reading", "Instrument", "Counts?")
        widths: tuple[int, ...] = (7, 14, 20, 28, 12, 19)
        mine = [row for row in readings if row["kind"] == kind]
        rows = [_reading(row, place) for row in mine]
        if who:
            head, widths = (*head, "Entered by"), (7, 12, 16, 22, 12, 19, 12)
            rows = [(*row, _entered(reading)) for row, reading in zip(rows, mine, strict=True)]
        rest = f"/v1/lots/{lot_id}/readings?kind={kind}"
        tables.append(Table(registry.said(kind).capitalize(), head, widths, rows, frozenset({0}), rest))
    count = sum(row["counts"] for row in readings)
    said = f"{count} of {counted(len(readings), 'reading')} {plural(count, 'counts', 'count')}. Those that do not are shown with the reason."
    return Section(title, paragraphs=[said], tables=tables)


def _reading(row: dict[str, Any], place: Place) -> tuple[str, ...]:
    return (
        str(row["id"]),
        row["spool_code"],
        place.moment(row["measured_at"]),
        place.prose(row["says"]) + (" (repeated)" if row["retest"] else ""),
        row["instrument_code"] or "not named",
        "counts" if row["counts"] else place.prose(f"does not count: {row['why_not']}"),
    )


def _entered(row: dict[str, Any]) -> str:
    return f"{row['recorded_by']}: {row['note']}" if row["note"] else str(row["recorded_by"])


def _decisions(report: dict[str, Any], place: Place) -> Section:
    rows = [
        (place.moment(row["decided_at"]), action_said(row), row["standing"], row["decided_by"], reason_said(row, place))
        for row in report["decisions"]
    ]
    head = ("Date", "Decision", "Status", "By", "Reason")
    rest = f"/v1/lots/{report['lot']['id']}/decisions"
    tables = [Table("Decisions on the lot so far", head, (20, 10, 13, 13, 44), rows, rest=rest)]
    permitted = _prose([row["says"] for row in report["concessions"]], place)
    return Section("Decisions and concessions" if permitted else "Decisions", paragraphs=permitted, tables=tables)
