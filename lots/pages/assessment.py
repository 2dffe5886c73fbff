"""Quality: lots that wait and what they lack, concessions to approve, instruments due, decisions by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from flask import redirect, render_template, request, url_for

from lots.domain.characteristics.registry import DECLARED
from lots.pages.site.api_client import ask, at, end_of, items
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in


@pages.get("/quality")
@signed_in("quality")
def quality() -> str:
    """What waits for quality: lots, concessions, instruments, corrective actions."""
    return _quality()


# Further down the page nobody reads.
_MOST_LOTS = 60


def _due(instrument: dict[str, Any]) -> dict[str, Any]:
    """An instrument with its last check, and when the next is due."""
    checks = items(at("instruments", instrument["id"], "checks"))
    last = max(checks, key=lambda check: str(check["checked_at"]), default=None)
    since = last["checked_at"] if last else instrument["recorded_at"]
    due = datetime.fromisoformat(since) + timedelta(days=instrument["check_interval_days"])
    return {**instrument, "last": last, "due": due, "overdue": due < datetime.now(UTC)}


def _quality(done: Any = None) -> str:
    waiting = [lot for lot in items(at("lots", standing="quarantined")) if not lot["closed"]]
    blocked = items(at("lots", standing="blocked"))
    asked = [
        {**concession, "lot": lot}
        for lot in (*blocked, *waiting)[:_MOST_LOTS]
        for concession in items(at("lots", lot["id"], "concessions"))
        if not concession["approved_by"] and not concession["withdrawn_by"]
    ]
    return render_template(
        "assessment/quality.html",
        waiting=waiting,
        blocked=blocked,
        concessions=asked,
        instruments=[_due(instrument) for instrument in items("/instruments")],
        references=[item for item in ask("GET", "/due").body["items"] if item["shade_id"]],
        grades=items("/grades?to_review=true"),
        voids=items("/voids?held=true"),
        actions=items("/corrective-actions?state=open") + items("/corrective-actions?state=answered"),
        doubtful=ask("GET", "/codes-in-doubt").body,
        declared=DECLARED,
        done=done,
    )


@pages.post("/lots/<int:number>/decide")
@signed_in("quality")
def decide(number: int) -> Any:
    """Takes a decision by hand about a lot. A return or a scrapping is confirmed on a page of its own first."""
    body = {name: request.form.get(name, "").strip() for name in ("action", "reason")}
    if body["action"] in ("return", "scrap") and request.form.get("confirm") != f"{body['action']} {number}":
        lot = ask("GET", at("lots", number))
        if not lot.good:
            return render_template("lots/no_lot.html", number=number), lot.status
        return render_template("assessment/confirm.html", lot=lot.body, asked=body)
    done = ask("POST", at("lots", number, "decisions"), body, key=request.form.get("once"))
    if done.good:
        return redirect(url_for("pages.lot", number=number))
    return render_template("site/refused.html", answer=done, back=url_for("pages.lot", number=number)), done.status


@pages.post("/lots/<int:number>/reinspections")
@signed_in("quality")
def inspect_again(number: int) -> Any:
    """Records what of a lot past its shelf life to measure again, and the new date."""
    body = {
        "measure": request.form.getlist("measure"),
        "use_by": end_of(request.form.get("use_by", "").strip()),
        "reason": request.form.get("reason", "").strip(),
    }
    done = ask("POST", at("lots", number, "reinspections"), body, key=request.form.get("once"))
    back = url_for("pages.lot", number=number, _anchor="reinspections")
    return redirect(back) if done.good else (render_template("site/refused.html", answer=done, back=back), done.status)


@pages.post("/concessions/<int:number>/approve")
@signed_in("quality")
def approve(number: int) -> Any:
    """Approves a concession that somebody else asked for."""
    done = ask("POST", at("concessions", number, "approve"), {}, key=request.form.get("once"))
    if done.good:
        return redirect(url_for("pages.quality"))
    return render_template("site/refused.html", answer=done, back=url_for("pages.quality")), done.status


@pages.post("/deliveries/<int:number>/substitute")
@signed_in("quality")
def substitute(number: int) -> Any:
    """Accepts another spool in place of a drawn one."""
    body = {name: request.form.get(name, "").strip() for name in ("drawn", "substitute", "reason")}
    done = ask("POST", at("deliveries", number, "substitutes"), body, key=request.form.get("once"))
    back = url_for("pages.lot", number=request.form.get("lot", 0, type=int), _anchor="sample")
    if done.good:
        return redirect(back)
    return render_template("site/refused.html", answer=done, back=back), done.status
