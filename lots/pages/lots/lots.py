"""A lot for everybody: the whole story of one, to read or to print."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import render_template, request

from lots.api.assessment.decisions import Assessment, Decisions
from lots.api.assessment.reinspections import Reinspections
from lots.api.documents.lot_pictures import ColorMap, LotUses
from lots.api.http.fields import NUMBER
from lots.api.pictures import color_map
from lots.api.production.tracing import Exposure
from lots.api.purchasing.corrective_actions import LotActions
from lots.api.readings.readings import LotReadings
from lots.api.receiving.lots_and_deliveries import OneLot
from lots.api.receiving.samples import LotSample
from lots.api.setup.grades import OneGrade
from lots.domain.characteristics.registry import DECLARED
from lots.pages.purchasing.suppliers import CHARACTERISTICS, drawn
from lots.pages.readings.voids import may_confirm, may_void
from lots.pages.site.calls import Refusal, attempt, every
from lots.pages.site.frame import pages
from lots.pages.site.session import may_call, signed_in
from lots.services import exposure
from lots.services.assessment import decisions, reinspections
from lots.services.assessment.counting import OnRecord
from lots.services.documents import lot_pictures
from lots.services.production import lot_uses
from lots.services.purchasing import corrective_actions
from lots.services.readings import recording
from lots.services.receiving import substitutes

# Readings on the page of a lot.
_READINGS = 100


@pages.get(f"/lots/<{NUMBER}:number>")
@signed_in(*((one, "GET") for one in (OneLot, LotUses, Assessment, LotSample, LotReadings, ColorMap)))
def lot(number: int) -> Any:
    """One lot: where it stands and why, what it measured, what was decided, where it went."""
    record = attempt(lambda: recording.everything_of(number))
    if isinstance(record, Refusal):
        return render_template("lots/no_lot.html", number=number), record.status
    all_readings = request.args.get("readings") == "all"
    shown, sample = substitutes.lot_and_sample(record)
    return render_template(
        "lots/lot.html",
        lot=shown,
        may_void=may_void,
        may_confirm=may_confirm,
        characteristics=dict(CHARACTERISTICS),
        declared=DECLARED,
        permitted=lot_uses.of_lot(record.lot),
        assessment=decisions.assessment_now(record),
        sample=sample,
        readings=recording.newest_of(record, None if all_readings else _READINGS),
        recorded=len(record.every or ()),
        all_readings=all_readings,
        map=drawn(color_map.draw(lot_pictures.color_map_of(record))),
        **_for_some_desks(record),
    )


def _for_some_desks(record: OnRecord) -> dict[str, Any]:
    """What of a lot not every desk may ask for."""
    lot = record.lot
    actions = partial(corrective_actions.listed, {"lot_id": lot.id})
    return {
        "shelf_life_days": lot.grade.shelf_life_days if may_call(OneGrade, "GET") else None,
        "inspections": reinspections.of_record(record) if may_call(Reinspections, "GET") else [],
        "decisions": every(partial(decisions.history_of, lot)) if may_call(Decisions, "GET") else [],
        "exposure": exposure.exposure(lot) if may_call(Exposure, "GET") else None,
        "actions": every(actions) if may_call(LotActions, "GET") else [],
    }
