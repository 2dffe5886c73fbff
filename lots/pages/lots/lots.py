"""The page of a lot."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import render_template, request, url_for
from markupsafe import Markup

from lots.api.assessment.concessions import LotConcessions
from lots.api.assessment.decisions import Assessment, Decisions
from lots.api.assessment.reinspections import Reinspections
from lots.api.documents.lot_pictures import LotUses
from lots.api.http.fields import NUMBER
from lots.api.pictures import findings
from lots.api.production.tracing import Exposure
from lots.api.purchasing.corrective_actions import LotActions
from lots.api.readings.readings import LotReadings
from lots.api.receiving.lots_and_deliveries import OneLot
from lots.api.receiving.samples import LotSample
from lots.api.setup.grades import OneGrade
from lots.domain.characteristics.registry import DECLARED
from lots.pages.lots.pictures import measured
from lots.pages.lots.time_line import time_line
from lots.pages.purchasing.suppliers import CHARACTERISTICS, drawn
from lots.pages.readings.voids import may_confirm, may_void
from lots.pages.site.calls import Refusal, attempt, every
from lots.pages.site.files import csv_file
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import place
from lots.pages.site.session import may_call, signed_in
from lots.services import exposure
from lots.services.assessment import concessions, decisions, reinspections
from lots.services.assessment.counting import OnRecord
from lots.services.production import lot_uses
from lots.services.purchasing import corrective_actions
from lots.services.readings import recording
from lots.services.receiving import receiving, substitutes

# Readings on the page of a lot.
_READINGS = 100


@pages.get(f"/lots/<{NUMBER}:number>")
@signed_in(*((one, "GET") for one in (OneLot, LotUses, Assessment, LotSample, LotReadings)))
def lot(number: int) -> Any:
    """Shows a lot: status with reasons, findings, decisions, spools, exposure and readings."""
    record = attempt(lambda: recording.everything_of(number))
    if isinstance(record, Refusal):
        return render_template("lots/no_lot.html", number=number), record.status
    all_readings = request.args.get("readings") == "all"
    shown, sample = substitutes.lot_and_sample(record)
    assessment = decisions.assessment_now(record)
    return render_template(
        "lots/lot.html",
        lot=shown,
        may_void=may_void,
        may_confirm=may_confirm,
        characteristics=dict(CHARACTERISTICS),
        declared=DECLARED,
        permitted=lot_uses.of_lot(record.lot),
        assessment=assessment,
        findings=_rows(assessment["findings"]),
        pictures=list(measured(record)),
        sample=sample,
        orders=[one.now.order_ref for one in record.deliveries],
        readings=recording.newest_of(record, None if all_readings else _READINGS),
        recorded=len(record.every or ()),
        all_readings=all_readings,
        **_for_some_desks(record, sample["deliveries"]),
    )


@pages.get(f"/lots/<{NUMBER}:number>/exposure.csv")
@signed_in((Exposure, "GET"))
def exposure_file(number: int) -> Any:
    """Returns the exposure of a lot as CSV, with the columns of the API."""
    found = attempt(lambda: receiving.exposure(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.lots"))
    return csv_file(f"exposure-{number}", Exposure, found)


def _rows(found: Any) -> list[tuple[Mapping[str, Any], findings.Row, Markup]]:
    """Returns the findings, the worst first, each with its words and, if it has a value, its picture."""
    site = place()
    rows = []
    for one in findings.worst_first(found):
        words = findings.row(one, site)
        rows.append((one, words, drawn(findings.draw_row(one, site) if words.value else "")))
    return rows


def _for_some_desks(record: OnRecord, deliveries: Any) -> dict[str, Any]:
    """Returns the parts of a lot that only some roles may read."""
    lot = record.lot
    actions = partial(corrective_actions.listed, {"lot_id": lot.id})
    inspections = reinspections.of_record(record) if may_call(Reinspections, "GET") else []
    told = every(partial(decisions.history_of, lot)) if may_call(Decisions, "GET") else []
    asked = every(partial(concessions.acts_on, lot)) if may_call(LotConcessions, "GET") else []
    return {
        "shelf_life_days": lot.grade.shelf_life_days if may_call(OneGrade, "GET") else None,
        "inspections": inspections,
        "moments": time_line(told, asked, inspections, deliveries if told else (), dict(CHARACTERISTICS)),
        "exposure": exposure.exposure(lot) if may_call(Exposure, "GET") else None,
        "actions": every(actions) if may_call(LotActions, "GET") else [],
    }
