"""Working copies of a shade's master, and the sessions in which master and copies are measured again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.instruments.references import (
    RemeasurementArgs,
    Remeasurements,
    RemeasurementVoid,
    RemeasurementVoidArgs,
    WorkingCopies,
    WorkingCopyArgs,
)
from lots.api.setup.shades import OneShade, Revisions
from lots.domain.colorimetry.color_values import Conditions
from lots.pages.site.calls import Refusal, attempt, checked, every, form_number, once
from lots.pages.site.frame import answered, pages, refused
from lots.pages.site.place import moment_field, moment_typed
from lots.pages.site.place import number as number_typed
from lots.pages.site.results import pack_result
from lots.pages.site.session import signed_in
from lots.pages.site.typed_tables import beside_lines, colors_of, lines_with_text
from lots.services import clock
from lots.services.instruments import references
from lots.services.setup import catalog, shade_revisions

_COPY = ("code", "master", "copy", "instrument_id", "measured_at", "remeasure_every_days", "note")
_SESSION = ("measured_at", "instrument_id", "tile_code", "tile", "master", "note")
_OF_COPY = "copy-"


@pages.get(f"/setup/shades/<{NUMBER}:number>/copies")
@signed_in(*((one, "GET") for one in (OneShade, Revisions, WorkingCopies, Remeasurements)))
def copies(number: int) -> Any:
    """Shows the working copies of a shade, their forms and the earlier sessions."""
    return _page(number, {}, None)


@pages.post(f"/setup/shades/<{NUMBER}:number>/copies")
@signed_in((WorkingCopies, "POST"))
def copy_added(number: int) -> Any:
    """Adds a working copy."""
    typed = {name: request.form.get(name, "").strip() for name in (*_COPY, "same")}

    def add() -> str:
        body = checked(WorkingCopyArgs, _copy_body(typed, _conditions(number)))
        done: Any = references.add_copy(number, body, g.me["name"])
        warnings = [f"{one['detail']} {one.get('hint', '')}" for one in done["warnings"][:2]]
        result = pack_result(f"Working copy {done['code']} added", done["says"], *warnings)
        return url_for("pages.copies", number=number, result=result)

    done = once(add, WorkingCopyArgs)
    if not isinstance(done, Refusal):
        return done
    lines = {side: lines_with_text(typed[side]) for side in ("master", "copy")}
    return _page(number, {"copy": typed}, done, {"copy": beside_lines(done, **lines)})


def _copy_body(typed: Mapping[str, str], conditions: Mapping[str, Any] | None) -> dict[str, Any]:
    body: dict[str, Any] = {name: typed[name] for name in ("code", "note") if typed[name]}
    body |= {name: number_typed(typed[name]) for name in ("instrument_id", "remeasure_every_days") if typed[name]}
    body |= {side: rows for side in ("master", "copy") if (rows := colors_of(typed[side]))}
    return body | _measured(typed, conditions)


def _measured(typed: Mapping[str, str], conditions: Mapping[str, Any] | None) -> dict[str, Any]:
    """Returns the time of measurement and, if the box is ticked, the conditions of the reference."""
    body: dict[str, Any] = {"conditions": conditions} if typed["same"] and conditions else {}
    if typed["measured_at"]:
        body["measured_at"] = moment_typed("/measured_at", typed["measured_at"])
    return body


@pages.post(f"/setup/shades/<{NUMBER}:number>/remeasurements")
@signed_in((Remeasurements, "POST"))
def remeasured(number: int) -> Any:
    """Stores a session in which the master, working copies or both were measured again."""
    typed = {name: request.form.get(name, "").strip() for name in (*_SESSION, "same")}
    typed |= {name: text.strip() for name, text in request.form.items() if name.startswith(_OF_COPY)}
    read, places = _read(typed)

    def store() -> str:
        body: dict[str, Any] = {"read": read, **_measured(typed, _conditions(number))}
        body |= {"instrument_id": number_typed(typed["instrument_id"])} if typed["instrument_id"] else {}
        body |= {"note": typed["note"]} if typed["note"] else {}
        done: Any = references.remeasure(number, checked(RemeasurementArgs, body), g.me["name"])
        found = [one["says"] for one in done["found"][:4]]
        return url_for("pages.copies", number=number, result=pack_result("Session stored", done["says"], *found))

    done = once(store, RemeasurementArgs)
    if not isinstance(done, Refusal):
        return done
    return _page(number, {"session": typed}, done, {"session": _beside(done, typed, places)})


def _read(typed: Mapping[str, str]) -> tuple[list[dict[str, Any]], list[str]]:
    """Returns the readings of each plaque and the name of their field."""
    read: list[dict[str, Any]] = []
    places: list[str] = []
    for name, text in typed.items():
        if not text or not (name in ("tile", "master") or name.startswith(_OF_COPY)):
            continue
        one: dict[str, Any] = {"artefact": name.partition("-")[0], "readings": colors_of(text)}
        code = typed["tile_code"] if name == "tile" else name.removeprefix(_OF_COPY)
        read.append(one if name == "master" else {**one, "code": code})
        places.append(name)
    return read, places


def _beside(not_done: Refusal, typed: Mapping[str, str], places: Sequence[str]) -> dict[str, list[str]]:
    """Returns the faults of a session by field. Faults of a plaque are at the field of its readings."""
    found: dict[str, list[str]] = {}
    for one in not_done.faults:
        name, *inside = one.path
        says = one.says
        if name == "read" and inside and inside[0].isdigit() and int(inside[0]) < len(places):
            name = places[int(inside[0])]
            lines = lines_with_text(typed[name])
            if len(inside) > 2 and inside[2].isdigit() and int(inside[2]) < len(lines):
                says = f"Line {lines[int(inside[2])]}: {says}"
            elif inside[1:2] == ["code"] and name == "tile":
                name = "tile_code"
        found.setdefault(name, []).append(says)
    return found


@pages.post(f"/remeasurements/<{NUMBER}:number>/void")
@signed_in((RemeasurementVoid, "POST"))
def remeasurement_voided(number: int) -> Any:
    """Voids a session."""
    body = {"reason": request.form.get("reason", "").strip()}
    shade = form_number("shade")

    def void() -> str:
        done: Any = references.void_session(number, checked(RemeasurementVoidArgs, body)["reason"], g.me["name"])
        return url_for("pages.copies", number=done["shade_id"], result=pack_result("Session voided", done["says"]))

    return answered(once(void, RemeasurementVoidArgs), url_for("pages.copies", number=shade))


def _conditions(shade: int) -> Mapping[str, Any] | None:
    """Returns the measuring conditions of the newest revision of a shade, or None without one."""
    known: list[Any] = every(partial(shade_revisions.listed, shade))
    return {name: one for name, one in known[-1]["conditions"].items() if one is not None} if known else None


def _page(
    number: int,
    typed: Mapping[str, Mapping[str, str]],
    not_done: Refusal | None,
    faults: Mapping[str, Mapping[str, list[str]]] | None = None,
) -> Any:
    shade = attempt(lambda: references.shade(number))
    if isinstance(shade, Refusal):
        return refused(shade, url_for("pages.quality", _anchor="references"))
    now = {"measured_at": moment_field(clock.now())}
    conditions = _conditions(number)
    known = every(partial(references.copies, number))
    page = render_template(
        "instruments/copies.html",
        shade=shade,
        conditions=conditions and str(Conditions(**conditions)),
        copies=sorted(known, key=lambda one: not one["in_use"]),
        sessions=every(partial(references.sessions, number))[::-1],
        instruments=[
            ("", "choose"),
            *((one["id"], one["code"]) for one in catalog.directory("instrument")["instruments"]),
        ],
        copy={**now, **typed.get("copy", {})},
        session={**now, **typed.get("session", {})},
        refused=not_done,
        faults=faults or {},
    )
    return page, not_done.status if not_done else 200
