"""Sections of an acceptance agreement, for its page and its PDF."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lots.api.documents.report_pages import (
    DEFAULT_PLACE,
    Section,
    Table,
    asked_facts,
    grade_said,
    label_of,
    uncertain,
)
from lots.domain.characteristics import registry
from lots.domain.words import hyphenated, listed
from lots.services.setup.place import Place

# Blank line for handwriting.
_ROOM = "____________________________________"
_TO_SIGN = "\nName ________________   Date ___________   Signature ________________"


def title_of(agreed: dict[str, Any]) -> str:
    """Returns the title of an agreement, with its number."""
    return f"Acceptance agreement {agreed['number']}"


def sections(agreed: dict[str, Any], place: Place = DEFAULT_PLACE) -> list[Section]:
    """Returns all sections of an agreement, from the parties to the signatures.

    Args:
        agreed: Agreement as in JSON.
        place: Date and number format of the site.
    """
    return [
        _parties(agreed, place),
        _limits(agreed, place),
        _methods(agreed["method"], place),
        _sampling(agreed, place),
        _decision(agreed, place),
        _references(agreed, place),
        Section("Disputed lots", paragraphs=_prose(agreed["disputes"], place)),
        Section("Cautions", paragraphs=_prose(agreed["cautions"], place)),
        _signatures(agreed),
    ]


def _prose(sentences: Sequence[str], place: Place) -> list[str]:
    return [place.prose(text) for text in sentences]


def _parties(agreed: dict[str, Any], place: Place) -> Section:
    supplier = agreed["supplier"]
    facts = [
        ("Agreement", f"{agreed['number']}, made {place.moment(agreed['made_at'])}"),
        ("Supplier", f"{supplier['name']} ({supplier['code']})" if supplier else _ROOM),
        ("Grade", grade_said(agreed["grade"], place)),
        *asked_facts({**agreed["asked"], "shade": None}, place)[:1],
    ]
    if supplier and supplier["contact"]:
        facts.insert(2, ("Contact", supplier["contact"]))
    said = "Buyer and supplier assess lots of this grade by the limits, methods and rules stated here."
    return Section("Parties and grade", facts, [said])


def _limits(agreed: dict[str, Any], place: Place) -> Section:
    asked = agreed["asked"]
    judged = [
        (label_of(row), place.prose(row["says"]), ", ".join(map(hyphenated, row["uses"])) or "no use")
        for row in asked["limits"]
    ]
    whole = [(row["title"], row["label"], place.prose(row["says"])) for row in agreed["requirements"]]
    uses = [(hyphenated(row["use"]), _named(row["requires"])) for row in agreed["uses"]]
    tables = [
        Table("Limits", ("Measure", "Limit (ends included)", "Required for"), (38, 38, 24), judged),
        Table("Uses", ("Use", "Characteristics required"), (32, 68), uses),
        Table(
            f"All values of limits revision {asked['limits_revision']}",
            ("Characteristic", "Requirement", "Value"),
            (22, 50, 28),
            whole,
        ),
    ]
    since = f"These are limits revision {asked['limits_revision']} of {place.moment(asked['limits_recorded_at'])}."
    return Section("Limits", paragraphs=[since], tables=tables)


def _named(characteristics: Sequence[str]) -> str:
    return listed([registry.said(name) for name in characteristics])


def _methods(methods: Sequence[dict[str, Any]], place: Place) -> Section:
    said = [
        f"{part['title']}: {place.prose(' '.join(filter(None, (part['says'], part['terms']))))}" for part in methods
    ]
    rows = [
        (part["title"], row["kind"], str(row["instruments"]), _uncertainty(row, place))
        for part in methods
        for row in part["instruments"]
    ]
    head = ("Characteristic", "Kind of instrument", "Instruments", "Standard uncertainty")
    tables = [Table("Instruments of the buyer", head, (22, 32, 14, 32), rows, frozenset({2}))] if rows else []
    if not rows:
        said.append("The buyer has no instrument on record for these characteristics.")
    return Section("Methods", paragraphs=said, tables=tables)


def _uncertainty(row: dict[str, Any], place: Place) -> str:
    low, high = row["standard_uncertainty_low"], row["standard_uncertainty_high"]
    if low is None:
        return "not stated"
    ends = uncertain(low, place) if low == high else f"{uncertain(low, place)} to {uncertain(high, place)}"
    return f"{ends} {row['unit']}".strip()


def _sampling(agreed: dict[str, Any], place: Place) -> Section:
    sample = agreed["sampling"]
    rows = [
        (
            str(row["nonconforming"]),
            f"{_percent(row['nonconforming'] / sample['spools'], place)} of spools",
            _percent(row["passes"], place),
            _percent(1 - row["passes"], place),
        )
        for row in sample["chances"]
    ]
    title = f"Probability that a delivery of {sample['spools']} spools is accepted"
    head = ("Nonconforming spools", "Quality", "Accepted", "Rejected")
    table = Table(title, head, (28, 28, 22, 22), rows, frozenset({0, 1, 2, 3}))
    said = [agreed["asked"]["sampling"], *sample["terms"], sample["says"]]
    return Section("Sampling and its risks", paragraphs=_prose(said, place), tables=[table])


def _percent(chance: float, place: Place) -> str:
    return f"{place.number(100 * chance, 1)} %"


def _decision(agreed: dict[str, Any], place: Place) -> Section:
    risks = agreed["risks"]
    rows = [
        (
            label_of(row),
            f"{row['spools']} x {row['readings_per_spool']}",
            _chance(row["false_accept_probability"], place),
            _chance(row["false_reject_probability"], place),
        )
        for row in risks["measures"]
    ]
    head = ("Measure", "Spools x readings", "Lot on its limit accepted", "Good lot held or rejected")
    tables = [Table("Risks of the decision", head, (38, 14, 24, 24), rows, frozenset({1, 2, 3}))] if rows else []
    said = [agreed["asked"]["decision_rule"], *agreed["decision"]]
    if rows:
        part = place.number(100 * risks["good"], 0)
        said += [risks["says"], f"A good lot lies {part} % of the way from its target to its limit."]
    return Section("Decision rule and its risks", paragraphs=_prose(said, place), tables=tables)


def _chance(chance: float | None, place: Place) -> str:
    return "unknown" if chance is None else _percent(chance, place)


def _references(agreed: dict[str, Any], place: Place) -> Section:
    facts = [fact for fact in asked_facts({**agreed["asked"], "limits_revision": None}, place) if fact]
    return Section("References", facts, _prose(agreed["references"], place))


def _signatures(agreed: dict[str, Any]) -> Section:
    supplier = agreed["supplier"]["name"] if agreed["supplier"] else "the supplier"
    return Section("Signatures", [("For the buyer", _TO_SIGN), (f"For {supplier}", _TO_SIGN)])
