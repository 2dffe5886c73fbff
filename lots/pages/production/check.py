"""Production: may this spool be loaded for this job, readable from two metres; and what is loaded where."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.production.clearance import ClearanceArgs, SpoolClearance
from lots.api.production.dryings import DryingArgs, Dryings
from lots.api.production.loads import LoadArgs, LoadFilterArgs, Loads, Unload, UnloadArgs
from lots.api.production.tracing import Containments
from lots.api.setup.names import MachineChange, Machines, OneMachine
from lots.pages.readings.bench import scanned
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, form_number, once, version_read
from lots.pages.site.frame import answered, pages
from lots.pages.site.place import number
from lots.pages.site.session import signed_in
from lots.services import exposure
from lots.services.production import clearance, dryings, loads
from lots.services.production.clearance import Ask
from lots.services.setup import catalog, names

USES = (
    ("cosmetic", "Cosmetic: it is seen"),
    ("fit", "Fit: its size matters"),
    ("load_bearing", "Load-bearing: it carries"),
    ("flexing", "Flexing: it bends or snaps"),
    ("hidden", "Hidden: jigs, insides"),
)
# Loads that one page lists.
_MOST_LOADS = 500
# What is asked of a spool, by the names of the API.
_ASKED = ("use", "job", "machine", "mass_g")


@pages.get("/check")
@signed_in((SpoolClearance, "GET"))
def check() -> str:
    """One answer for a spool in the hand and a job sheet in the other."""
    asked = _asked(request.args)
    return _checked(asked, _clearance(asked) if asked["spool"] else None)


@pages.post("/check")
@signed_in((Loads, "POST"), (SpoolClearance, "GET"))
def load() -> Any:
    """Loads the spool that was just checked; refused, it says why where the answer stood."""
    asked = _asked(request.form)
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
    return (_checked(asked, _clearance(asked), done), done.status) if isinstance(done, Refusal) else done


def _asked(typed: Mapping[str, str]) -> dict[str, str]:
    """What was typed, with the spool's code for the address that the symbol on its label holds."""
    asked = {name: typed.get(name, "").strip() for name in ("spool", *_ASKED)}
    return {**asked, "spool": scanned(asked["spool"])}


def _clearance(asked: dict[str, str]) -> Shown | Refusal:
    said = {name: asked[name] for name in _ASKED if asked[name]}
    return attempt(lambda: clearance.clearance(asked["spool"], Ask(**checked(ClearanceArgs, said))), ClearanceArgs)


def _checked(asked: dict[str, str], found: Shown | Refusal | None, not_loaded: Refusal | None = None) -> str:
    refused = found if isinstance(found, Refusal) else None
    return render_template(
        "production/check.html",
        asked=asked,
        answer=None if refused else found,
        refused=refused,
        uses=USES,
        not_loaded=not_loaded,
    )


def _whole(typed: str) -> int | str:
    """A whole number; what is none stays as it was typed, so that the schema can say so."""
    return int(typed) if re.fullmatch(r"\s*[0-9]{1,15}\s*", typed) else typed


@pages.post("/spools/<code>/dryings")
@signed_in((Dryings, "POST"))
def dried(code: str) -> Any:
    """Records a drying of a spool."""
    typed = {name: request.form.get(name, "").strip() for name in ("temperature_c", "hours")}
    body = {name: number(text) for name, text in typed.items() if text}
    back = url_for("pages.spool", code=code)

    def record() -> str:
        dryings.record(code, checked(DryingArgs, body), g.me["name"])
        return f"{back}#dryings"

    return answered(once(record, DryingArgs), back)


@pages.get("/loaded")
@signed_in((Loads, "GET"), (Containments, "GET"), (Machines, "GET"))
def loaded() -> str:
    """What is on which machine, what must come off first."""
    return _loaded(just=request.args.get("spool", ""), off=_came_off(request.args.get("off", "")))


def _came_off(code: str) -> Shown | None:
    """How the last load of a spool ended; None while it is on a machine, whatever the address says."""
    found = attempt(
        lambda: every(
            partial(loads.listed, {"spool_code": checked(LoadFilterArgs, {"spool_code": code})["spool_code"]})
        )
    )
    ended = found[-1] if code and not isinstance(found, Refusal) and found else None
    return ended if ended and not ended["still_loaded"] else None


def _loaded(just: str = "", off: Shown | None = None, kept_on: Refusal | None = None) -> str:
    """The page, with what was refused at the machine that it was asked for."""
    open_loads = every(partial(loads.listed, {"open": True}), most=_MOST_LOADS)
    load_id = request.form.get("load", "")
    reached = [place for place in every(partial(exposure.containments, {"open": True})) if place["still_loaded"]]
    return render_template(
        "production/loaded.html",
        loads=open_loads,
        # What only possibly got there is not the spool that is there now.
        first=[place for place in reached if place["certainty"] == "certain"],
        doubtful=[place for place in reached if place["certainty"] != "certain"],
        machines=every(names.machines),
        just=just,
        off=off,
        kept_on=kept_on,
        refused=next((load for load in open_loads if str(load["id"]) == load_id), None) if kept_on else None,
        left=request.form.get("remaining_mass_g", ""),
    )


@pages.post("/loaded")
@signed_in((Unload, "POST"), (Loads, "GET"))
def unload() -> Any:
    """Takes a spool off its machine."""
    left = request.form.get("remaining_mass_g", "").strip()

    def take_off() -> str:
        said = checked(UnloadArgs, {"remaining_mass_g": number(left)} if left else {})
        freed = loads.unload(form_number("load"), said["remaining_mass_g"], None, g.me["name"])
        return url_for("pages.loaded", off=freed["spool_code"])

    done = once(take_off, UnloadArgs)
    return (_loaded(kept_on=done), done.status) if isinstance(done, Refusal) else done


@pages.post(f"/machines/<{NUMBER}:number>")
@signed_in((OneMachine, "PATCH"))
def slots(number: int) -> Any:
    """Says how many spools a machine holds at once."""
    version, back = version_read(), url_for("pages.loaded")

    def change() -> str:
        said = checked(MachineChange, {"slots": _whole(request.form.get("slots", ""))})
        catalog.change("machine", number, version, said, g.me["name"])
        return back

    return answered(once(change, MachineChange), back)
