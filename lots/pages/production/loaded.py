"""Production: the loaded spools, those to take off first, and the slots of machines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.production.loads import LoadFilterArgs, Loads, Unload, UnloadArgs
from lots.api.production.tracing import Containments
from lots.api.setup.names import MachineChange, Machines, OneMachine
from lots.pages.site import red_bar
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, form_number, once, version_read
from lots.pages.site.frame import answered, pages
from lots.pages.site.place import number
from lots.pages.site.session import signed_in
from lots.services import exposure
from lots.services.production import loads
from lots.services.setup import catalog, names
from lots.services.views import View

# The most loads and containments that are read, and the most containments that are named.
_MOST_LOADS = 500
_NAMED = 10


@pages.get("/loaded")
@signed_in((Loads, "GET"), (Containments, "GET"), (Machines, "GET"))
def loaded() -> str:
    """Shows the loaded spools, those to take off first at the top."""
    return _loaded(just=request.args.get("spool", ""), off=_last_unloaded(request.args.get("off", "")))


def _last_unloaded(code: str) -> Shown | None:
    """Returns the last load of a spool if it has ended, else None."""
    found = attempt(
        lambda: every(
            partial(loads.listed, {"spool_code": checked(LoadFilterArgs, {"spool_code": code})["spool_code"]})
        )
    )
    ended = found[-1] if code and not isinstance(found, Refusal) and found else None
    return ended if ended and not ended["still_loaded"] else None


def _loaded(just: str = "", off: Shown | None = None, kept_on: Refusal | None = None) -> str:
    """Returns the page, with a refused unload at its machine."""
    open_loads = every(partial(loads.listed, {"open": True}), most=_MOST_LOADS)
    contained = exposure.containments({"open": True}, None, _MOST_LOADS).rows
    machines = every(names.machines)
    load_id = request.form.get("load", "")
    first, rest = _must_come_off(open_loads, contained)
    return render_template(
        "production/loaded.html",
        first=first,
        rest=rest,
        # Containments of unloaded or only possibly affected spools, since another lot's spool may be on the machine now.
        contained=[one for one in contained if one["certainty"] != "certain" or not one["still_loaded"]][:_NAMED],
        contained_count=len(contained),
        counted_all=len(contained) < _MOST_LOADS,
        machines=[
            {**machine, "held": sum(load["machine"] == machine["name"] for load in open_loads)}
            for machine in sorted(machines, key=lambda machine: _in_order(str(machine["name"])))
        ],
        just=just,
        off=off,
        kept_on=kept_on,
        refused=next((load for load in open_loads if str(load["id"]) == load_id), None) if kept_on else None,
        left=request.form.get("remaining_mass_g", ""),
    )


def _must_come_off(open_loads: Sequence[View], contained: Sequence[View]) -> tuple[list[View], list[View]]:
    """Returns the loads that must come off, the longest contained first, each with the reason; and the others by machine."""
    why: dict[Any, Any] = {}
    for one in contained:
        if one["certainty"] == "certain" and one["still_loaded"]:
            why.setdefault(one["load_id"], one["why"])
    by_code = {load["spool_code"]: load for load in open_loads}
    codes = [one["spool_code"] for one in red_bar.spools()]
    first = [{**by_code[code], "why": why.get(by_code[code]["id"], "")} for code in codes if code in by_code]
    rest = [load for load in open_loads if load["spool_code"] not in codes]
    return first, sorted(rest, key=lambda load: _in_order(str(load["machine"])))


def _in_order(name: str) -> list[tuple[int, str]]:
    """Returns the sort key of a machine's name, so that P2 comes before P10."""
    return [(int(part), "") if at % 2 else (0, part.lower()) for at, part in enumerate(re.split(r"(\d+)", name))]


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


def _whole(typed: str) -> int | str:
    """Returns a whole number, or the text as typed where it is none, so that the schema reports it."""
    return int(typed) if re.fullmatch(r"\s*[0-9]{1,15}\s*", typed) else typed


@pages.post(f"/machines/<{NUMBER}:number>")
@signed_in((OneMachine, "PATCH"))
def slots(number: int) -> Any:
    """Stores how many spools a machine holds at once."""
    version, back = version_read(), url_for("pages.loaded")

    def change() -> str:
        said = checked(MachineChange, {"slots": _whole(request.form.get("slots", ""))})
        catalog.change("machine", number, version, said, g.me["name"])
        return back

    return answered(once(change, MachineChange), back)
