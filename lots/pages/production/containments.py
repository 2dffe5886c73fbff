"""Containments: the machines and jobs that a lot had reached when it was taken out of use, each closed with a note."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.production.tracing import CloseArgs, CloseContainment, ContainmentFilterArgs, Containments
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every, once
from lots.pages.site.files import csv_file
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import signed_in
from lots.services import exposure

_PAGE = 25


@pages.get("/containments")
@signed_in((Containments, "GET"))
def containments() -> Any:
    """Shows the open containments, or the closed ones with ?closed=1, the oldest first."""
    asked = {name: text for name in ("cursor", "lot_id") if (text := request.args.get(name, "").strip())}
    closed = request.args.get("closed") == "1"

    def listed() -> Any:
        filters = checked(ContainmentFilterArgs, {**asked, "open": "false" if closed else "true"})
        cursor = filters.pop("cursor", None)
        del filters["limit"]
        return exposure.containments(filters, cursor, _PAGE)

    found = attempt(listed, ContainmentFilterArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.containments"))
    following = {**asked, "cursor": found.next, **({"closed": "1"} if closed else {})}
    return render_template(
        "production/containments.html",
        items=found.rows,
        closed=closed,
        lot_id=asked.get("lot_id"),
        first_page="cursor" not in asked,
        following=url_for("pages.containments", **following) if found.next else None,
        done=request.args.get("done", type=int),
    )


@pages.get("/containments.csv")
@signed_in((Containments, "GET"))
def containments_file() -> Any:
    """Returns at most 2,000 containments of these filters as CSV, with the columns of the API."""
    asked = {name: text for name in ("open", "lot_id") if (text := request.args.get(name, "").strip())}

    def listed() -> Any:
        filters = checked(ContainmentFilterArgs, asked)
        del filters["limit"]
        return every(partial(exposure.containments, filters))

    found = attempt(listed, ContainmentFilterArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.containments"))
    return csv_file("containments", Containments, {"items": found})


@pages.get(f"/containments/<{NUMBER}:number>")
@signed_in((Containments, "GET"))
def containment(number: int) -> Any:
    """Shows a containment with its action, and the form that closes it."""
    return _one(number)


@pages.post(f"/containments/<{NUMBER}:number>")
@signed_in((CloseContainment, "POST"), (Containments, "GET"))
def close_containment(number: int) -> Any:
    """Asks for confirmation, then closes a containment with a note."""
    note = request.form.get("note", "")
    if not request.form.get("confirm"):
        said: Shown | Refusal = attempt(lambda: checked(CloseArgs, {"note": note}), CloseArgs)
        wrong = said if isinstance(said, Refusal) else None
        return _one(number, note, wrong, confirm=wrong is None)

    def close() -> str:
        said = checked(CloseArgs, {"note": note})
        exposure.close_containment(number, said["note"], g.me["name"])
        return url_for("pages.containments", done=number)

    done = once(close, CloseArgs)
    return _one(number, note, done) if isinstance(done, Refusal) else done


def _one(number: int, note: str = "", wrong: Refusal | None = None, *, confirm: bool = False) -> Any:
    found: Shown | Refusal = attempt(lambda: exposure.containment(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.containments"), "Unknown containment")
    page = render_template(
        "production/containment.html", one=found, note=note, refused=wrong, confirm=confirm and not found["closed_at"]
    )
    return page, wrong.status if wrong else 200
