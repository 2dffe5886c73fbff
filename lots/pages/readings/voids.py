"""Voids of mistaken readings by their author or by quality, the agreement of quality, and confirmations."""

from __future__ import annotations

from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.readings.voids import AgreeArgs, AgreeToVoid, Confirm, ConfirmArgs, Void, VoidArgs, Voids, of_quality
from lots.domain.assessment.voids import may_undo
from lots.domain.characteristics.registry import DECLARED
from lots.pages.readings import bench_answers
from lots.pages.site.calls import Refusal, Shown, attempt, checked, form_number, once
from lots.pages.site.frame import answered, pages, refused
from lots.pages.site.results import pack_result
from lots.pages.site.session import may_call, pack, signed_in
from lots.services import clock
from lots.services.assessment.lot_after import status_sentences
from lots.services.readings import confirmations, recording, voids


def may_void(reading: Any) -> bool:
    """Returns whether the signed-in person may void a reading now."""
    if reading["voided"] or not may_call(Void, "POST"):
        return False
    mine = reading["recorded_by"] == g.me["name"]
    return of_quality(g.person) or (mine and may_undo(reading["recorded_at"], clock.now()))


def may_confirm(reading: Any) -> bool:
    """Returns whether the signed-in person may confirm a reading: quality, or its author."""
    if not reading["to_confirm"] or not may_call(Confirm, "POST"):
        return False
    return of_quality(g.person) or reading["recorded_by"] == g.me["name"]


@pages.get(f"/readings/<{NUMBER}:number>/void")
@signed_in((Void, "POST"))
def void(number: int) -> Any:
    """Shows the form that voids a reading, or why this person cannot void it."""
    found = attempt(lambda: voids.to_void(number, g.me["name"], of_quality=of_quality(g.person)))
    return refused(found, url_for("pages.home")) if isinstance(found, Refusal) else _page(found, None)


@pages.post(f"/readings/<{NUMBER}:number>/void")
@signed_in((Void, "POST"))
def voided(number: int) -> Any:
    """Voids a reading and redirects to the bench or to its lot."""
    body = {"reason": request.form.get("reason", "").strip()}

    def leave_out() -> str:
        reason = checked(VoidArgs, body)["reason"]
        left: Any = voids.void(number, reason, None, g.me["name"], of_quality=of_quality(g.person))
        if not (kind := request.form.get("kind")):
            return _of_lot(left, pack_result(f"Reading {number} is voided", left["lot"]["says"]))
        lot = {name: left["lot"][name] for name in ("supplier_lot", "standing", "uses")}
        lot["says"] = status_sentences(left["lot"])
        packed = pack("void", {"reading": number, "lot": lot, "held": left["voided"]["held"]})
        others = bench_answers.without(request.form.get("told", ""), number, left["lot"])
        return url_for("pages.bench", spool=left["spool_code"], kind=kind, undone=packed, told=others or None)

    done = once(leave_out, VoidArgs)
    if not isinstance(done, Refusal):
        return done
    found = attempt(lambda: recording.whole_reading(number))
    return refused(done, url_for("pages.home")) if isinstance(found, Refusal) else (_page(found, done), done.status)


def _of_lot(reading: Shown, result: str) -> str:
    """Returns the address of the page of the lot, with the result of the void."""
    return url_for("pages.lot", number=reading["lot_id"], result=result)


def _page(reading: Shown, not_done: Refusal | None) -> str:
    asked = {name: request.values.get(name, "") for name in ("spool", "kind", "reason", "told")}
    # A number, since it becomes part of an address.
    asked["lot"] = str(request.values.get("lot", type=int) or "")
    kind = DECLARED[reading["kind"]]
    return render_template(
        "readings/void.html", number=reading["id"], reading=reading, kind=kind, asked=asked, refused=not_done
    )


@pages.get(f"/readings/<{NUMBER}:number>/agree")
@signed_in((Voids, "GET"), (AgreeToVoid, "POST"))
def agreeing(number: int) -> Any:
    """Shows the form with which quality agrees to a void by the author of a reading."""
    return _of_reading("readings/agree.html", number, None)


@pages.post(f"/readings/<{NUMBER}:number>/agree")
@signed_in((AgreeToVoid, "POST"))
def agree_to_void(number: int) -> Any:
    """Agrees to the void of a reading by its author."""
    body = {"reason": request.form.get("reason", "").strip()}
    of_page = request.form.get("page") == "agree"

    def agree() -> str:
        done: Any = voids.agree(number, checked(AgreeArgs, body)["reason"], g.me["name"])
        result = pack_result("Void agreed", f"Reading {number} does not count.", done["lot"]["says"])
        return url_for("pages.quality", result=result)

    done = once(agree, AgreeArgs)
    if isinstance(done, Refusal) and of_page:
        return _of_reading("readings/agree.html", number, done)
    return answered(done, url_for("pages.quality", _anchor="voids"))


@pages.get(f"/readings/<{NUMBER}:number>/confirm")
@signed_in((Confirm, "POST"))
def confirming(number: int) -> Any:
    """Shows the form that confirms a reading far from its neighbours."""
    return _of_reading("readings/confirm.html", number, None)


@pages.post(f"/readings/<{NUMBER}:number>/confirm")
@signed_in((Confirm, "POST"))
def confirm_reading(number: int) -> Any:
    """Confirms a reading far from its neighbours and redirects to its lot."""
    reason = request.form.get("reason", "").strip()

    def confirm() -> str:
        said = checked(ConfirmArgs, {"reason": reason} if reason else {})
        right: Any = confirmations.confirm(number, said.get("reason"), g.me["name"], of_quality=of_quality(g.person))
        result = pack_result(f"Reading {number} confirmed", status_sentences(right["lot"]))
        return url_for("pages.lot", number=right["lot_id"], result=result)

    done = once(confirm, ConfirmArgs)
    if isinstance(done, Refusal) and request.form.get("page") == "confirm":
        return _of_reading("readings/confirm.html", number, done)
    return answered(done, url_for("pages.lot", number=form_number("lot"), _anchor="readings"))


def _of_reading(template: str, number: int, not_done: Refusal | None) -> Any:
    """Returns a page about one reading, with its values in words."""
    reading: Any = attempt(lambda: recording.whole_reading(number))
    if isinstance(reading, Refusal):
        return refused(reading, url_for("pages.home"))
    page = render_template(
        template,
        reading=reading,
        kind=DECLARED[reading["kind"]],
        reason=request.form.get("reason", ""),
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
