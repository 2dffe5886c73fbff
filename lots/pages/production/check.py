"""The check of a spool before loading, with an answer that is readable from two metres."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.production.clearance import ClearanceArgs, SpoolClearance
from lots.api.production.loads import LoadArgs, Loads
from lots.domain.assessment.assessment import work_left
from lots.domain.production.clearance import PART_CAUTION
from lots.pages.site.calls import Refusal, Shown, attempt, checked, once, refusal_of
from lots.pages.site.frame import pages
from lots.pages.site.place import number
from lots.pages.site.session import signed_in
from lots.services.documents.search import scanned
from lots.services.errors import Fault, Invalid
from lots.services.production import clearance, loads, lot_uses
from lots.services.production.clearance import Ask
from lots.services.setup import names

USES = (
    ("cosmetic", "Cosmetic: visible surface"),
    ("fit", "Fit: dimensions matter"),
    ("load_bearing", "Load-bearing: carries load"),
    ("flexing", "Flexing: bends or snaps"),
    ("hidden", "Hidden: jigs and insides"),
)
# The parameters of a clearance, by their names in the API.
_ASKED = ("use", "job", "machine", "mass_g")
# The most machines that the field suggests.
_MACHINES = 100


@pages.get("/check")
@signed_in((SpoolClearance, "GET"))
def check() -> str:
    """Shows whether a spool may be loaded for a use and a job."""
    asked = asked_of(request.args)
    return _answer_page(asked, _clearance(asked) if "spool" in request.args else None)


@pages.post("/check")
@signed_in((Loads, "POST"), (SpoolClearance, "GET"))
def load() -> Any:
    """Loads the spool that was just checked, or shows why it cannot be loaded."""
    asked = asked_of(request.form)
    body: dict[str, Any] = {
        "spool_code": asked["spool"],
        **{n: asked[n] for n in ("use", "job", "machine") if asked[n]},
    }
    if asked["mass_g"]:
        body["mass_g"] = number(asked["mass_g"])
    body |= {name: True for name in ("confirm_new_job", "confirm_new_machine") if request.form.get(name)}

    def put_on() -> str | Refusal:
        answer, loaded = loads.load(checked(LoadArgs, body), g.me["name"])
        return url_for("pages.loaded", spool=asked["spool"]) if loaded else Refusal(409, str(answer["says"]))

    done = once(put_on, LoadArgs)
    return (_answer_page(asked, _clearance(asked), done), done.status) if isinstance(done, Refusal) else done


def asked_of(typed: Mapping[str, str]) -> dict[str, str]:
    """Returns the form, with the spool code in place of the address in a label's QR code."""
    asked = {name: typed.get(name, "").strip() for name in ("spool", *_ASKED)}
    return {**asked, "spool": scanned(asked["spool"])}


def _clearance(asked: dict[str, str]) -> Shown | Refusal:
    if not asked["spool"]:
        return refusal_of(Invalid(Fault("/spool", "This is required.")), ClearanceArgs)
    said = {name: asked[name] for name in _ASKED if asked[name]}
    if "mass_g" in said:
        said["mass_g"] = str(number(said["mass_g"]))
    return attempt(lambda: clearance.clearance(asked["spool"], Ask(**checked(ClearanceArgs, said))), ClearanceArgs)


def _answer_page(asked: dict[str, str], found: Shown | Refusal | None, not_loaded: Refusal | None = None) -> str:
    refused = found if isinstance(found, Refusal) else None
    answer = None if isinstance(found, Refusal) else found
    reasons, left = work_left(answer["reasons"] if answer else ())
    return render_template(
        "production/check.html",
        asked=asked,
        answer=answer,
        reasons=reasons,
        left=left,
        refused=refused,
        permitted=lot_uses.of_code(str(answer["spool_code"])) if answer else [],
        part_caution=PART_CAUTION,
        machines=[machine["name"] for machine in names.machines(None, _MACHINES).rows],
        uses=USES,
        not_loaded=not_loaded,
    )
