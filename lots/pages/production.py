"""Production: may this spool be loaded for this job, readable from two metres; and what is loaded where."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from flask import redirect, render_template, request, url_for

from lots.pages.readings.bench import number, scanned
from lots.pages.site.api_client import Answer, ask, at, items
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in

USES = (
    ("cosmetic", "Cosmetic: it is seen"),
    ("fit", "Fit: its size matters"),
    ("load_bearing", "Load-bearing: it carries"),
    ("flexing", "Flexing: it bends or snaps"),
    ("hidden", "Hidden: jigs, insides"),
)
# What is asked of a spool, by the names of the API.
_ASKED = ("use", "job", "machine", "mass_g")


@pages.get("/check")
@signed_in("production")
def check() -> str:
    """One answer for a spool in the hand and a job sheet in the other."""
    asked = _asked(request.args)
    answer = _clearance(asked) if asked["spool"] else None
    like = answer.meant if answer else ""
    return render_template("production/check.html", asked=asked, answer=answer, uses=USES, loaded=None, meant=like)


@pages.post("/check")
@signed_in("production")
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
    done = ask("POST", "/loads", body, key=request.form.get("once"))
    if done.good:
        return redirect(url_for("pages.loaded", spool=asked["spool"]))
    return render_template(
        "production/check.html", asked=asked, answer=_clearance(asked), uses=USES, loaded=done
    ), done.status


def _asked(typed: Mapping[str, str]) -> dict[str, str]:
    """What was typed, with the spool's code for the address that the symbol on its label holds."""
    asked = {name: typed.get(name, "").strip() for name in ("spool", *_ASKED)}
    return {**asked, "spool": scanned(asked["spool"])}


def _clearance(asked: dict[str, str]) -> Answer:
    return ask("GET", at("spools", asked["spool"], "clearance", **{name: asked[name] for name in _ASKED}))


def _whole(typed: str) -> int | str:
    """A whole number; what is none stays as it was typed, so that the API can say so."""
    return int(typed) if re.fullmatch(r"\s*[0-9]{1,15}\s*", typed) else typed


@pages.post("/spools/<code>/dryings")
@signed_in("production", "quality", "receiving")
def dried(code: str) -> Any:
    """Records a drying of a spool."""
    typed = {name: request.form.get(name, "").strip() for name in ("temperature_c", "hours")}
    body = {name: number(text) for name, text in typed.items() if text}
    done = ask("POST", at("spools", code, "dryings"), body, key=request.form.get("once"))
    back = url_for("pages.spool", code=code)
    if done.good:
        return redirect(f"{back}#dryings")
    return render_template("site/refused.html", answer=done, back=back), done.status


@pages.get("/loaded")
@signed_in("production")
def loaded() -> str:
    """What is on which machine, what must come off first."""
    return _loaded(just=request.args.get("spool", ""), off=_came_off(request.args.get("off", "")))


def _came_off(code: str) -> Any:
    """How the last load of a spool ended; None while it is on a machine, whatever the address says."""
    ended = items(at("loads", spool_code=code)) if code else []
    return ended[-1] if ended and not ended[-1]["still_loaded"] else None


def _loaded(just: str = "", off: Any = None, freed: Answer | None = None) -> str:
    """The page, with what was refused at the machine that it was asked for."""
    load_id = request.form.get("load", "")
    answer = ask("GET", "/loads?open=true&limit=500")
    refused = next((load for load in answer.body["items"] if str(load["id"]) == load_id), None) if answer.good else None
    reached = [place for place in items("/containments?open=true") if place["still_loaded"]]
    return render_template(
        "production/loaded.html",
        answer=answer,
        # What only possibly got there is not the spool that is there now.
        first=[place for place in reached if place["certainty"] == "certain"],
        doubtful=[place for place in reached if place["certainty"] != "certain"],
        machines=items("/machines"),
        just=just,
        off=off,
        freed=freed,
        refused=refused,
        left=request.form.get("remaining_mass_g", ""),
    )


@pages.post("/loaded")
@signed_in("production")
def unload() -> Any:
    """Takes a spool off its machine."""
    load, left = request.form.get("load", ""), request.form.get("remaining_mass_g", "").strip()
    freed = Answer(422, {"detail": "Write what is left on the spool in grams, such as 740.", "errors": []})
    if isinstance(grams := number(left), int | float):
        freed = ask("POST", at("loads", load, "unload"), {"remaining_mass_g": grams}, key=request.form.get("once"))
    if freed.good:
        return redirect(url_for("pages.loaded", off=freed.body["spool_code"]))
    return _loaded(freed=freed), freed.status


@pages.post("/machines/<int:number>")
@signed_in("production")
def slots(number: int) -> Any:
    """Says how many spools a machine holds at once."""
    machine, typed = at("machines", number), _whole(request.form.get("slots", ""))
    done = ask("PATCH", machine, {"slots": typed}, etag=ask("GET", machine).etag)
    if done.good:
        return redirect(url_for("pages.loaded"))
    return render_template("site/refused.html", answer=done, back=url_for("pages.loaded")), done.status
