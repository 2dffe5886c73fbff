"""The page of a spool, where its label leads: identity, permitted uses, mass left and history."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import g, redirect, render_template, request, url_for

from lots.api.production.dryings import DryingArgs, Dryings
from lots.api.production.loads import Loads
from lots.api.production.spools import EventArgs, Events, OneSpool
from lots.api.receiving.lots_and_deliveries import OneLot
from lots.domain.production.drying import CAUTION as DRYING_CAUTION
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once
from lots.pages.site.frame import pages
from lots.pages.site.place import moment_typed, number
from lots.pages.site.session import may_call, signed_in, unpack
from lots.services.documents.search import scanned
from lots.services.production import dryings, loads, spools

# The newest loads that the page of a spool lists.
_LOADS = 20


@pages.get("/find-spool")
@signed_in((OneSpool, "GET"), (OneLot, "GET"))
def find_spool() -> Any:
    """Redirects to the page of the spool whose code was typed or scanned."""
    code = scanned(request.args.get("code", ""))
    return redirect(url_for("pages.spool", code=code) if code else url_for("pages.home"))


@pages.get("/spools/<code>")
@signed_in((OneSpool, "GET"), (OneLot, "GET"))
def spool(code: str) -> Any:
    """Shows one spool: identity, status, mass left, permitted uses and history."""
    return _spool_page(code)


def _spool_page(code: str, wrong: Refusal | None = None) -> Any:
    """Returns the page of a spool, with a refused form as it was typed and its faults."""
    found: Shown | Refusal = attempt(lambda: spools.sheet(scanned(code)))
    if isinstance(found, Refusal):
        return render_template("production/spool.html", refused=found, code=code), found.status
    # The code as printed on the label, whatever was typed.
    code = str(found["code"])
    may_load = may_call(Loads, "GET")
    history = every(partial(loads.listed, {"spool_code": code})) if may_load else []
    page = render_template(
        "production/spool.html",
        code=code,
        spool=found,
        lot=found["lot"],
        dryings=every(partial(dryings.listed, code)) if may_call(Dryings, "GET") else [],
        loads=history[: -_LOADS - 1 : -1],
        more_loads=len(history) - _LOADS,
        may_open=may_call(Events, "POST"),
        caution=DRYING_CAUTION,
        wound=unpack("wound", request.args.get("wound", "")),
        wrong=wrong,
        faults=wrong.beside() if wrong else {},
        typed=request.form,
    )
    return page, wrong.status if wrong else 200


@pages.post("/spools/<code>/dryings")
@signed_in((Dryings, "POST"), (OneSpool, "GET"), (OneLot, "GET"))
def dried(code: str) -> Any:
    """Records a drying of a spool."""
    back = url_for("pages.spool", code=code)

    def record() -> str:
        typed = {name: request.form.get(name, "").strip() for name in ("temperature_c", "hours")}
        body: dict[str, Any] = {name: number(text) for name, text in typed.items() if text}
        if ended := request.form.get("ended_at", "").strip():
            body["ended_at"] = moment_typed("/ended_at", ended)
        dryings.record(code, checked(DryingArgs, body), g.me["name"])
        return f"{back}#history"

    done = once(record, DryingArgs)
    return _spool_page(code, done) if isinstance(done, Refusal) else done


@pages.post("/spools/<code>/opened")
@signed_in((Events, "POST"), (OneSpool, "GET"), (OneLot, "GET"))
def opened(code: str) -> Any:
    """Records that a sealed spool was opened."""
    back = url_for("pages.spool", code=code)

    def record() -> str:
        body: dict[str, Any] = {"event": "opened"}
        if at := request.form.get("at", "").strip():
            body["at"] = moment_typed("/at", at)
        said = checked(EventArgs, body)
        spools.note(code, said["event"], said.get("at"), g.me["name"])
        return f"{back}#history"

    done = once(record, EventArgs)
    return _spool_page(code, done) if isinstance(done, Refusal) else done
