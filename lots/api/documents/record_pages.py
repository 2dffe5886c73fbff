"""Sections of the lot record, for its page and its PDF."""

from __future__ import annotations

from typing import Any

from lots.api.documents.report_pages import (
    DEFAULT_PLACE,
    Section,
    Table,
    action_said,
    asked_facts,
    deliveries_table,
    grade_said,
    label_of,
    mark_of,
    measure_of,
    method_section,
    reading_cells,
    reason_said,
    uncertain,
    value_of,
)
from lots.api.pictures.use_grid import WORDS
from lots.domain.assessment.limits_revision import GENERAL
from lots.domain.characteristics import registry
from lots.domain.words import counted, hyphenated, plural, status_said
from lots.services.documents.report_words import DECISION_WORDS
from lots.services.setup.place import Place

_AGAINST = {"fail": "Fails", "near": "Undecided", "missing": "Not measured"}
_ORDER = (*_AGAINST, "pass")


def title_of(record: dict[str, Any]) -> str:
    """Returns the title of a record, with its number."""
    return f"Lot record {record['number']}"


def sections(record: dict[str, Any], place: Place = DEFAULT_PLACE) -> list[Section]:
    """Returns all sections of a record: lot, permitted uses, findings, requirements and evidence.

    Args:
        record: Record as in JSON.
        place: Date and number format of the site.
    """
    parts = [
        _about(record, place),
        _samples(record["samples"], place),
        _spools(record["spools"], place),
        _uses(record, place),
        _findings(record, place),
        _asked(record["asked"], place),
        _concessions(record["concessions"], place),
        _decisions(record["decisions"], record["lot"]["id"], place),
        method_section(record["method"], place),
        _readings(record["readings"], record["lot"]["id"], place),
        Section("Cautions", paragraphs=[place.prose(text) for text in record["cautions"]]),
    ]
    return [part for part in parts if part is not None]


def _about(record: dict[str, Any], place: Place) -> Section:
    supplier, lot = record["supplier"], record["lot"]
    facts = [
        ("Record", f"{record['number']}, made {place.moment(record['made_at'])}"),
        ("Lot number", lot["supplier_lot"]),
        ("Supplier", f"{supplier['name']} ({supplier['code']})"),
        ("Grade", grade_said(record["grade"], place)),
        (
            "Our number",
            f"{lot['id']}, received {place.moment(lot['received_at'])}, recorded {place.moment(lot['recorded_at'])}",
        ),
        ("Status", f"{status_said(lot['standing'])}, by decision {record['decision_id']}"),
    ]
    if lot["by_hand"] is not None:
        readings = f"status by its readings alone: {status_said(lot['assessed'])}"
        facts.append(
            ("Manual decision", f"{DECISION_WORDS[lot['by_hand']['action']]}: {lot['by_hand']['reason']} ({readings})")
        )
    if lot["resubmission_of"] is not None:
        facts.append(("Resubmission", f"rejected before as lot {lot['resubmission_of']}"))
    return Section(
        "Lot", facts, [place.moments(place.prose(record["says"]))], [deliveries_table(record["deliveries"], place)]
    )


def _samples(samples: list[dict[str, Any]], place: Place) -> Section:
    """Returns the drawn spools with their seed, further draws and substitutes."""
    rows = []
    for part in samples:
        came, first = place.moment(part["received_at"]), part["sample"]
        rows.append((came, "first sample", ", ".join(first["spool_codes"]), f"{first['rule']}, seed {first['seed']}"))
        rows += [(came, "further draw", ", ".join(one["spool_codes"]), one["reason"]) for one in part["further_draws"]]
        rows += [
            (came, "substitute", f"{one['substitute']} for {one['drawn']}", f"{one['recorded_by']}: {one['reason']}")
            for one in part["substitutes"]
        ]
    head = ("Delivery of", "What", "Spools", "Rule or reason")
    return Section("Sample", tables=[Table("Sample", head, (16, 14, 32, 38), rows)])


def _spools(spools: list[dict[str, Any]], place: Place) -> Section:
    rows = [
        (
            row["code"] + (" (respooled)" if row["spliced"] else ""),
            place.number(row["net_mass_g"]),
            place.number(row["remaining_mass_g"]),
            "withdrawn" if row["withdrawn_at"] else f"on {row['machine']}" if row["machine"] else "not on a machine",
            _life(row, place),
            place.prose(" ".join(row["nonconforming"])) or "nothing",
        )
        for row in spools
    ]
    head = ("Spool", "Net mass, g", "Left, g", "Where", "Opened, dried", "Failures")
    return Section("Spools", tables=[Table("Spools", head, (16, 10, 10, 14, 22, 28), rows, frozenset({1, 2}))])


def _life(row: dict[str, Any], place: Place) -> str:
    opened = f"opened {place.moment(row['opened_at'])}" if row["opened_at"] else "sealed"
    return opened + (f", dried {place.moment(row['dried_at'])}" if row["dried_at"] else "")


def _uses(record: dict[str, Any], place: Place) -> Section:
    rows = [
        (hyphenated(part["use"]), WORDS[part["answer"]], place.prose(_why(part, record["findings"])))
        for part in record["uses"]
    ]
    told = "This overview is per lot. A single spool may still be refused, by itself or for its job."
    table = Table("Uses", ("Use", "Clearance", "Reason"), (16, 16, 68), rows)
    return Section("Permitted uses", paragraphs=[told], tables=[table])


def _why(part: dict[str, Any], findings: list[dict[str, Any]]) -> str:
    """Returns the clearance for a use, with the findings against it."""
    told = [part["says"]]
    for verdict, word in _AGAINST.items():
        against = [row for row in findings if row["verdict"] == verdict and {part["use"], GENERAL} & set(row["uses"])]
        if against:
            told.append(f"{word}: {'; '.join(dict.fromkeys(_named(row) for row in against))}.")
    return " ".join(told)


def _named(row: dict[str, Any]) -> str:
    return f"{label_of(row)} (not proved)" if row["proof"] == "not proved" else label_of(row)


def _findings(record: dict[str, Any], place: Place) -> Section:
    found = sorted(record["findings"], key=lambda row: _ORDER.index(row["verdict"]))
    rows = [
        (
            measure_of(row, place),
            mark_of(row),
            value_of(row, place),
            place.prose(row["limit_says"]),
            f"{row['n']} {row['counted']}",
            uncertain(row["standard_uncertainty"], place),
            "unknown" if row["guard_band"] is None else place.prose(f"{row['guard_band']:.2g}"),
            ", ".join(hyphenated(use) for use in row["uses"]) or "no use",
        )
        for row in found
    ]
    head = ("Measure", "Verdict", "Value", "Limit", "From", "u", "Guard band", "Required for")
    tables = [Table("Findings", head, (22, 10, 11, 13, 10, 11, 10, 13), rows, frozenset({2, 5, 6}))] if rows else []
    said = [row["message"] for row in found if row["verdict"] in ("fail", "near")]
    said += record["notes"]
    if record["to_measure"]:
        said.append(f"Still to do: {'; '.join(record['to_measure'])}.")
    if not rows:
        said.append("The lot has not been assessed yet.")
    else:
        said.append("u is the standard uncertainty of a value.")
    return Section("Findings", paragraphs=[place.prose(text) for text in said], tables=tables)


def _asked(asked: dict[str, Any], place: Place) -> Section:
    facts = asked_facts(asked, place)
    if asked["limits_revision"] is None:
        facts.insert(0, ("Limits", "none were approved for this grade"))
    if asked["shade"] is None:
        facts.append(("Reference colour", "none was approved for this grade"))
    rows = [(label_of(row), place.prose(row["says"])) for row in asked["limits"]]
    head = ("Measure", "Limit (ends included)")
    tables = [Table("Limits", head, (55, 45), rows)] if rows else []
    return Section("Requirements", facts, [place.prose(text) for text in asked["terms"]], tables)


def _concessions(concessions: list[dict[str, Any]], place: Place) -> Section | None:
    if not concessions:
        return None
    rows = [
        (
            str(row["id"]),
            place.moments(place.prose(row["says"])),
            row["reason"],
            *(_by(row, place, *ends) for ends in _WHO),
        )
        for row in concessions
    ]
    head = ("No.", "Concession", "Reason", "Requested by", "Approved by", "Withdrawn by")
    return Section("Concessions", tables=[Table("Concessions", head, (7, 28, 20, 14, 14, 17), rows, frozenset({0}))])


_WHO = (
    ("requested_by", "recorded_at", ""),
    ("approved_by", "approved_at", ""),
    ("withdrawn_by", "withdrawn_at", "withdrawn_reason"),
)


def _by(row: dict[str, Any], place: Place, who: str, when: str, why: str) -> str:
    if row[who] is None:
        return "none"
    said = f"{row[who]}, {place.moment(row[when])}"
    return f"{said}: {row[why]}" if why else said


def _decisions(decisions: list[dict[str, Any]], lot_id: int, place: Place) -> Section:
    rows = [
        (
            str(row["id"]),
            place.moment(row["decided_at"]),
            action_said(row),
            status_said(row["standing"]),
            row["decided_by"],
            f"limits {row['limits_revision'] or 'none'}, reference {row['shade_revision'] or 'none'}",
            reason_said(row, place),
        )
        for row in decisions
    ]
    head = ("No.", "Date", "Decision", "Status", "By", "Revisions", "Reason")
    widths, rest = (7, 13, 10, 12, 12, 14, 32), f"/v1/lots/{lot_id}/decisions"
    return Section("Decisions", tables=[Table("Decisions so far", head, widths, rows, frozenset({0}), rest)])


def _readings(readings: list[dict[str, Any]], lot_id: int, place: Place) -> Section | None:
    """Returns all readings of a lot by kind, with status, author and note."""
    if not readings:
        return None
    tables = []
    head = ("No.", "Spool", "Measured", "Reading", "Instrument", "Status", "Entered by")
    for kind in dict.fromkeys(row["kind"] for row in readings):
        rows = [
            (*reading_cells(row, place), _counts(row, place), _entered(row)) for row in readings if row["kind"] == kind
        ]
        rest = f"/v1/lots/{lot_id}/readings?kind={kind}"
        widths = (7, 12, 16, 22, 12, 19, 12)
        tables.append(Table(registry.said(kind).capitalize(), head, widths, rows, frozenset({0}), rest))
    count = sum(row["counts"] for row in readings)
    said = f"{count} of {counted(len(readings), 'reading')} {plural(count, 'counts', 'count')}. The others are shown with the reason."
    return Section("Readings", paragraphs=[said], tables=tables)


def _counts(row: dict[str, Any], place: Place) -> str:
    return "counts" if row["counts"] else place.prose(f"does not count: {row['why_not']}")


def _entered(row: dict[str, Any]) -> str:
    return f"{row['recorded_by']}: {row['note']}" if row["note"] else str(row["recorded_by"])
