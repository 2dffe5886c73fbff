"""Voids: a reading that never was a measurement, by the person who stored it or by quality, and the agreement of quality."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from flask import g, redirect, render_template, request, url_for

from lots.pages.site.api_client import Answer, ask, at
from lots.pages.site.frame import pages
from lots.pages.site.session import pack, signed_in

_BENCH = ("receiving", "quality")


def may_void(reading: Any) -> bool:
    """Returns whether the signed-in person may void a reading now."""
    if reading["voided"] or g.me["role"] not in (*_BENCH, "admin"):
        return False
    mine = reading["recorded_by"] == g.me["name"]
    end = datetime.fromisoformat(reading["recorded_at"]) + timedelta(minutes=g.me["undo_minutes"])
    return g.me["role"] != "receiving" or (mine and datetime.now(UTC) <= end)


def may_confirm(reading: Any) -> bool:
    """Returns whether the signed-in person may confirm a reading: quality, or its author."""
    mine = g.me["role"] in ("quality", "admin") or reading["recorded_by"] == g.me["name"]
    return bool(reading["to_confirm"]) and mine


@pages.get("/readings/<int:number>/void")
@signed_in(*_BENCH)
def void(number: int) -> str:
    """Asks why a reading does not count."""
    return _page(number, None)


@pages.post("/readings/<int:number>/void")
@signed_in(*_BENCH)
def voided(number: int) -> Any:
    """Voids a reading, and leads back to the bench or to its lot."""
    body = {"reason": request.form.get("reason", "").strip()}
    done = ask("POST", at("readings", number, "void"), body, key=request.form.get("once"))
    if not done.good:
        return _page(number, done), done.status
    if kind := request.form.get("kind"):
        lot = {name: done.body["lot"][name] for name in ("supplier_lot", "standing", "uses", "says")}
        told = pack({"reading": number, "lot": lot, "held": done.body["voided"]["held"]})
        return redirect(url_for("pages.bench", spool=done.body["spool_code"], kind=kind, undone=told), 303)
    return redirect(url_for("pages.lot", number=done.body["lot_id"], _anchor="readings"), 303)


def _page(number: int, answer: Answer | None) -> str:
    asked = {name: request.values.get(name, "") for name in ("spool", "kind", "reason")}
    # A number, since it becomes part of an address.
    asked["lot"] = str(request.values.get("lot", type=int) or "")
    return render_template("readings/void.html", number=number, asked=asked, answer=answer)


@pages.post("/readings/<int:number>/agree")
@signed_in("quality")
def agree_to_void(number: int) -> Any:
    """Agrees to the void of a reading by its author."""
    body = {"reason": request.form.get("reason", "").strip()}
    done = ask("POST", at("readings", number, "void", "agree"), body, key=request.form.get("once"))
    back = url_for("pages.quality", _anchor="voids")
    return (
        redirect(back, 303)
        if done.good
        else (render_template("site/refused.html", answer=done, back=back), done.status)
    )


@pages.post("/readings/<int:number>/confirm")
@signed_in(*_BENCH)
def confirm_reading(number: int) -> Any:
    """Confirms a reading far from its neighbours, and leads to its lot."""
    reason = request.form.get("reason", "").strip()
    done = ask(
        "POST", at("readings", number, "confirm"), {"reason": reason} if reason else {}, key=request.form.get("once")
    )
    if not done.good:
        back = url_for("pages.lot", number=request.form.get("lot", 0, type=int), _anchor="readings")
        return render_template("site/refused.html", answer=done, back=back), done.status
    return redirect(url_for("pages.lot", number=done.body["lot_id"], _anchor="readings"), 303)
