"""Sections of a letter to a supplier: findings, claim, requests, then annexes.

The letter names only the signatory, and omits internal tasks of the shop.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lots.api.documents.print_limits import MOST_ROWS_OF_LETTER
from lots.api.documents.printed import Paper
from lots.api.documents.report_pages import (
    Section,
    Table,
    asked_facts,
    deliveries_table,
    grade_said,
    label_of,
    measure_of,
    method_section,
    number_of,
    reading_cells,
    uncertain,
    value_of,
)
from lots.domain.characteristics import registry
from lots.domain.purchasing import letters as rules
from lots.domain.words import clause, counted, plural
from lots.services.documents.letters import Terms
from lots.services.setup.place import Place

_BY_HAND = {"block": "blocked", "return": "returned", "scrap": "scrapped"}
_WHOLE = "The complete data are available on request."


def letter_paper(report: dict[str, Any], terms: Terms, place: Place) -> Paper:
    """Returns a signed letter, or an unsigned nonconformity report.

    Args:
        report: Report on the lot, for print.
        terms: Terms of the letter.
        place: Date and number format of the site.
    """
    signed = terms.number is not None
    title = f"Letter {terms.number}" if signed else f"Nonconformity report {report['number']}"
    name = f"letter-{terms.number}" if signed else f"nonconformity-report-{report['number']}"
    kind = "letter" if signed else "report"
    parts = sections(report, terms, place)
    return Paper(kind, title, parts, terms.dated, name, whole=_WHOLE, most=MOST_ROWS_OF_LETTER)


def sections(report: dict[str, Any], terms: Terms, place: Place) -> list[Section]:
    """Returns all sections of a letter in reading order. Arguments as in `letter_paper`."""
    parts = [
        _about(report, terms, place),
        _claim(terms, place),
        _answer(terms, place),
        _found(report["found"], place),
        Section("Cautions", paragraphs=list(rules.CAUTIONS)),
        _signature(report, terms, place),
        _limits(report["asked"], place),
        method_section(report["method"], place),
        _readings(report, place),
    ]
    return _with_annexes([part for part in parts if part is not None])


def _with_annexes(parts: list[Section]) -> list[Section]:
    """Returns the sections, with those after the signature as numbered annexes."""
    signature = next(place for place, part in enumerate(parts) if part.title == _SIGNATURE)
    annexes = [
        Section(f"Annex {number}: {part.title[0].lower()}{part.title[1:]}", part.facts, part.paragraphs, part.tables)
        for number, part in enumerate(parts[signature + 1 :], start=1)
    ]
    return [*parts[: signature + 1], *annexes]


def _prose(sentences: Sequence[str], place: Place) -> list[str]:
    return [place.prose(text) for text in sentences]


def _about(report: dict[str, Any], terms: Terms, place: Place) -> Section:
    grade, lot = report["grade"], report["lot"]
    came = [row for row in report["deliveries"] if row["closed"] is None]
    then = report["as_of"] if report["as_of"] != report["made_at"] else None
    facts = [
        ("From", report["issued_by"]),
        ("To", terms.addressed_to),
        (
            "Date",
            place.day(terms.dated) if then is None else f"{place.day(terms.dated)}, as known at {place.moment(then)}",
        ),
        ("Your lot number", lot["supplier_lot"]),
        ("Grade", grade_said(grade, place)),
        ("Our lot number", str(lot["id"])),
    ]
    if lot["resubmission_of"] is not None:
        facts.append(("Resubmission", f"We rejected this lot before, as our lot {lot['resubmission_of']}."))
    return Section(
        _subject(report),
        facts,
        _prose(_opening(report), place),
        [deliveries_table(came, place, notes=False)],
    )


def _rejected(report: dict[str, Any]) -> bool:
    return report["lot"]["by_hand"] is not None or any(row["required"] for row in report["found"]["failing"])


def _subject(report: dict[str, Any]) -> str:
    what = "Nonconforming lot" if _rejected(report) else "Values outside limits in lot"
    return f"{what} {report['lot']['supplier_lot']}"


def _opening(report: dict[str, Any]) -> list[str]:
    """Returns the opening sentences."""
    grade, lot, failing = report["grade"], report["lot"], report["found"]["failing"]
    required = [row for row in failing if row["required"]]
    said = [f"We inspected your lot {lot['supplier_lot']} of {grade['color_name']} ({grade['code']})."]
    if required:
        said.append(f"It was rejected: {counted(len(required), 'required limit is', 'required limits are')} not met.")
        if all(row["proof"] == "not proved" for row in required):
            said.append(f"Nonconformity is not proved{plural(len(required), '', ' for any of them')}.")
    elif failing:
        said.append(
            "We did not reject the lot as a whole. Single spools, or values that no use requires, are outside limits."
        )
    if lot["by_hand"] is not None:
        reason = lot["by_hand"]["reason"]
        why = f" Reason: {clause(reason)}" if reason else ""
        said.append(f"We {_BY_HAND[lot['by_hand']['action']]} this lot.{why}")
    return [" ".join(said)]


def _found(found: dict[str, Any], place: Place) -> Section | None:
    if not found["failing"]:
        return None
    failing = [(measure_of(row, place), row) for row in found["failing"]]
    tables = [_failures("Limits that are not met", "Measure", failing, place)]
    each = [
        (f"{spool['spool_code']}: {label_of(row)}", row)
        for spool in found["nonconforming_spools"]
        for row in spool["findings"]
    ]
    if each:
        tables.append(_failures("Nonconforming spools", "Spool and measure", each, place))
    messages = [row["message"] for row in found["failing"]]
    units = "u is the standard uncertainty of a value, U its expanded uncertainty (k = 2, about 95 %)."
    return Section("Findings", paragraphs=_prose([*messages, units, *found["notes"]], place), tables=tables)


def _failures(title: str, first: str, rows: list[tuple[str, dict[str, Any]]], place: Place) -> Table:
    head = (first, "Value", "Limit", "Outside by", "From", "u", "U, k = 2", "Proof of nonconformity")
    cells = [
        (
            name,
            value_of(row, place),
            place.prose(row["limit_says"]),
            number_of(row["outside_by"], row, place),
            f"{row['n']} {row['counted']}",
            uncertain(row["standard_uncertainty"], place),
            uncertain(row["expanded_uncertainty"], place),
            place.prose(row["claim_says"]),
        )
        for name, row in rows
    ]
    return Table(title, head, (22, 10, 11, 9, 10, 9, 9, 20), cells, frozenset({1, 3, 5, 6}))


def _claim(terms: Terms, place: Place) -> Section:
    claim, facts = rules.CLAIMS[terms.claim], []
    facts.append(("Claim", claim.name))
    parts = []
    if terms.spools is not None:
        parts.append(counted(terms.spools, "spool"))
    if terms.mass_g is not None:
        parts.append(f"{place.number(terms.mass_g / 1000)} kg")
    if parts:
        facts.append(("Quantity", ", ".join(parts)))
    if terms.amount is not None:
        facts.append(("Amount", place.money(terms.amount, terms.currency or "")))
    return Section("Claim", facts, [claim.asks, *([terms.note] if terms.note else [])])


def _answer(terms: Terms, place: Place) -> Section:
    facts = [("Answer due", place.day(terms.answer_by))]
    if terms.action_id is not None:
        facts += [("Corrective action", str(terms.action_id)), ("We ask you to", terms.requested or "")]
    asks = f"Please answer in writing by {place.day(terms.answer_by)}. {rules.answer_asked(terms.claim)}"
    late = " This answer is overdue." if terms.answer_by < terms.dated else ""
    return Section("Your answer", facts, [asks + late])


_SIGNATURE = "Signature"


def _signature(report: dict[str, Any], terms: Terms, place: Place) -> Section:
    if terms.signed_by is None:
        return Section(_SIGNATURE, paragraphs=["This report is not signed."])
    facts = [("Signed by", terms.signed_by), ("For", report["issued_by"]), ("Date", place.day(terms.dated))]
    return Section(_SIGNATURE, facts)


def _limits(asked: dict[str, Any], place: Place) -> Section | None:
    """Returns all limits of the failing characteristics, with revision, rule and reference."""
    facts = asked_facts(asked, place)
    rows = [(label_of(row), place.prose(row["says"])) for row in asked["all_limits"]]
    if not rows:
        return None
    head = ("Measure", "Limit (ends included)")
    tables = [Table("Limits of the characteristics concerned", head, (55, 45), rows)]
    return Section("Limits", facts, _prose(asked["terms"], place), tables)


def _readings(report: dict[str, Any], place: Place) -> Section | None:
    """Returns the readings that count, those of nonconforming spools first. Other readings are internal."""
    readings = report["readings"]
    if not readings:
        return None
    bad = {spool["spool_code"] for spool in report["found"]["nonconforming_spools"]}
    counting = sorted((row for row in readings if row["counts"]), key=lambda row: row["spool_code"] not in bad)
    head, widths = ("No.", "Spool", "Measured", "Reading", "Instrument"), (10, 20, 22, 28, 20)
    tables = [
        Table(
            registry.said(kind).capitalize(),
            head,
            widths,
            [reading_cells(row, place) for row in counting if row["kind"] == kind],
            frozenset({0}),
        )
        for kind in dict.fromkeys(row["kind"] for row in readings)
        if any(row["kind"] == kind for row in counting)
    ]
    left = len(readings) - len(counting)
    voided = sum(row["voided"] is not None for row in readings)
    said = [f"The findings come from {counted(len(counting), 'reading')}."]
    if left and voided == left:
        said.append(
            f"{counted(left, 'further reading')} {plural(left, 'was voided and does', 'were voided and do')} not count."
        )
    elif left:
        said.append(f"{counted(left, 'further reading')} {plural(left, 'does', 'do')} not count.")
        said += [f"{voided} of them {plural(voided, 'was', 'were')} voided."] if voided else []
    return Section("Readings behind the findings", paragraphs=[" ".join(said)], tables=tables)
