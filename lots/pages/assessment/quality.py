"""The page of quality: all open work, the oldest first, each with a link to act on it."""

from __future__ import annotations

from functools import partial

from flask import render_template

from lots.api.assessment.concessions import LotConcessions
from lots.api.instruments.calibration_checks import Checks
from lots.api.instruments.references import Due
from lots.api.purchasing.corrective_actions import Actions
from lots.api.readings.build_doubts import BuildDoubts
from lots.api.readings.voids import Voids
from lots.api.receiving.lots_and_deliveries import Lots
from lots.api.setup.grades import Grades
from lots.api.setup.names import CodesInDoubt
from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.calls import every
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in
from lots.services.assessment import concessions
from lots.services.instruments import due
from lots.services.purchasing import corrective_actions
from lots.services.readings import build_doubts, voids
from lots.services.receiving import receiving
from lots.services.setup import catalog, names

# Rows of one part that the page names.
_MOST = 20


@pages.get("/quality")
@signed_in(
    *((one, "GET") for one in (Lots, LotConcessions, Checks, Due, Grades, Voids, Actions, CodesInDoubt, BuildDoubts)),
)
def quality() -> str:
    """Shows the open work of quality: lots, concessions, voids, instruments, references, builds, corrective actions."""
    waiting, blocked = receiving.waiting_for_quality()
    actions = every(partial(corrective_actions.listed, {"state": "pending"}))
    return render_template(
        "assessment/quality.html",
        waiting=sorted(waiting, key=lambda lot: lot.received_at),
        blocked=sorted(blocked, key=lambda lot: lot.received_at),
        most=_MOST,
        concessions=concessions.to_approve(),
        instruments=sorted(due.instruments(), key=lambda one: str(one["due_at"])),
        references=due.references(),
        builds=every(partial(build_doubts.listed, True)),
        grades=every(partial(catalog.grades_to_review, colored=False)),
        voids=every(lambda cursor, limit: voids.listed(waiting=True, cursor=cursor, limit=limit)),
        actions=sorted(actions, key=lambda action: action["state"] == "answered"),
        doubtful=names.codes_in_doubt(),
        declared=DECLARED,
    )
