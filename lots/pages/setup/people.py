"""People and their roles: adding people, and renewing and revoking their tokens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import segno
from flask import g, make_response, redirect, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.setup.people import OnePerson, People, PersonArgs, PersonRenewed, PersonRevoked, RenewArgs
from lots.pages.site import cookies, session
from lots.pages.site.calls import Refusal, Shown, attempt, checked, every
from lots.pages.site.frame import pages, refused
from lots.pages.site.place import number as typed_number
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.errors import Unavailable
from lots.services.setup import access, sessions
from lots.services.setup.roles import ADMIN, INTEGRATION, MONITORING

# A role, its title, and its tasks.
ROLES = (
    ("receiving", "Receiving", "Logs deliveries, prints labels, and measures at the bench."),
    (
        "quality",
        "Quality",
        "Sets up shades, grades, limits and instruments. Measures, decides on lots, and approves concessions.",
    ),
    ("purchasing", "Purchasing", "Keeps suppliers and compares them."),
    ("production", "Production", "Checks, loads and unloads spools."),
    (
        ADMIN,
        "Administrator",
        "May do everything. Only an administrator adds people, revokes tokens and states the shop's details.",
    ),
    (INTEGRATION, "Program: integration", "Reads, imports files and follows changes. Cannot sign in on pages."),
    (MONITORING, "Program: monitoring", "Reads the metrics of the server only. Cannot sign in on pages."),
)
CALLED = {role: called for role, called, _ in ROLES}
_ENDS = "Tick the box to confirm: a revoked token cannot be restored."


@pages.get("/setup/people")
@signed_in((People, "GET"))
def people() -> str:
    """Shows the people with a token, and the form for a new person."""
    return _people({"days": str(access.DAYS)}, None)


@pages.post("/setup/people")
@signed_in((People, "POST"))
def person_added() -> Any:
    """Adds a person and shows the token, once."""
    typed = request.form.to_dict()
    body = {name: text for name in ("name", "role") if (text := typed.get(name, "").strip())} | _days(typed)

    def add() -> Any:
        said = checked(PersonArgs, body)
        return access.add_person(said["name"], said["role"], said["days"], g.me["name"])

    done = attempt(add, PersonArgs)
    if isinstance(done, Refusal):
        return _people(typed, done), done.status
    return token_page(done, done["token"], url_for("pages.people"))


@pages.get(f"/setup/people/<{NUMBER}:number>")
@signed_in((OnePerson, "GET"))
def person(number: int) -> Any:
    """Shows one person, and the forms that renew and revoke the token."""
    return _person(number, {"days": str(access.DAYS)}, None)


@pages.post(f"/setup/people/<{NUMBER}:number>/renew")
@signed_in((PersonRenewed, "POST"))
def person_renewed(number: int) -> Any:
    """Replaces a token and shows the new one, once."""
    typed = request.form.to_dict()

    def renew() -> Any:
        return access.renew_person(number, checked(RenewArgs, _days(typed))["days"], g.me["name"])

    done = attempt(renew, RenewArgs)
    if isinstance(done, Refusal):
        return _person(number, typed, done)
    onward = url_for("pages.people")
    if done["name"] != g.me["name"]:
        return token_page(done, done["token"], onward)
    return _renewed_own(done, onward)


@pages.post(f"/setup/people/<{NUMBER}:number>/revoke")
@signed_in((PersonRevoked, "POST"))
def person_revoked(number: int) -> Any:
    """Revokes a token permanently."""
    typed = request.form.to_dict()
    if not typed.get("sure"):
        return _person(number, typed, Refusal(422, _ENDS), sure=_ENDS)
    done = attempt(lambda: access.revoke_person(number, g.me["name"]))
    if isinstance(done, Refusal):
        return _person(number, typed, done)
    return redirect(url_for("pages.people"), 303)


def token_page(who: Shown, token: str, onward: str) -> str:
    """Returns the page that shows a token once, as text and as QR symbol, and leads on."""
    symbol = segno.make_qr(token, error="m").svg_data_uri(scale=5, border=4)
    return render_template(
        "setup/token.html",
        person=who,
        role=CALLED[who["role"]],
        token=token,
        symbol=symbol,
        onward=onward,
        signs_in=who["role"] not in (INTEGRATION, MONITORING),
    )


def _renewed_own(who: Shown, onward: str) -> Any:
    """Shows the new token and begins a new session in this browser, since the old token's session has ended."""
    try:
        started = sessions.start_session(who["token"], request.remote_addr, cookies.read(session.COOKIE))
    except Unavailable:
        started = None
    if started is None:
        session.forget()
        return token_page(who, who["token"], url_for("pages.sign_in"))
    session.enter(started)
    answer = make_response(token_page(who, who["token"], onward))
    session.begin(answer, started)
    return answer


def _days(typed: Mapping[str, str]) -> dict[str, Any]:
    return {"days": typed_number(text)} if (text := typed.get("days", "").strip()) else {}


def _people(typed: Mapping[str, str], not_done: Refusal | None) -> str:
    now = clock.now()
    found = [{**one, "status": _status(one, now)} for one in every(access.people)]
    return render_template(
        "setup/people.html",
        people=[one for one in found if one["revoked_at"] is None],
        revoked=[one for one in found if one["revoked_at"] is not None],
        roles=ROLES,
        called=CALLED,
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )


def _status(one: Mapping[str, Any], now: Any) -> str:
    """Returns revoked, expired or valid."""
    if one["revoked_at"] is not None:
        return "revoked"
    return "expired" if one["expires_at"] is not None and one["expires_at"] <= now else "valid"


def _person(number: int, typed: Mapping[str, str], not_done: Refusal | None, sure: str = "") -> Any:
    found: Shown | Refusal = attempt(lambda: access.person_numbered(number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.people"))
    page = render_template(
        "setup/person.html",
        person=found,
        status=_status(found, clock.now()),
        role=CALLED[found["role"]],
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
        sure=sure,
    )
    return page, not_done.status if not_done else 200
