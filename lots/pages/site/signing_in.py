"""Signing in with a token, which starts a session, and signing out."""

from __future__ import annotations

import logging
from typing import Any

from flask import Response, current_app, g, make_response, redirect, render_template, request, url_for
from werkzeug.exceptions import ServiceUnavailable

from lots.pages.site import cookies, destinations, session, strangers_form
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in
from lots.services.errors import Unavailable
from lots.services.setup import access, sessions
from lots.services.setup.access import Expired, Person
from lots.services.setup.roles import PROGRAMS
from lots.services.setup.sessions import Started

log = logging.getLogger(__name__)

_STALE = (
    "This form is too old, or the browser did not send its cookie. "
    "Allow cookies for this address. Then type your token again."
)
_MISSING = "Type or scan your token first."
_UNKNOWN = "This token is mistyped, revoked or expired. Ask your administrator for another."
_FOR_PROGRAM = "This token is for a program. Sign in with the token of your desk."
_TOO_MANY = "Too many wrong tokens came from your network address. Wait a minute, then try again."
_NOT_KEPT = "Sign-in is not possible now, because the database accepts no changes. Try again in a minute. If that fails, tell your administrator."
_STILL_OPEN = (
    "You are signed out in this browser. The database accepts no changes, so the session itself ends only after twelve hours. "
    "Ask your administrator to end it with the command lots token sessions."
)


@pages.get("/sign-in")
def sign_in() -> Any:
    """Shows the form that asks for the token."""
    if g.me is not None:
        return redirect(url_for("pages.home"))
    return _form(destinations.inside(request.args.get("then", "")))


@pages.post("/sign-in")
def signed() -> Any:
    """Starts a session with a valid token, or shows the form with the reason why not."""
    then = destinations.inside(request.form.get("then", ""))
    if not strangers_form.came_back():
        log.warning("sign-in refused from %s: the form came without its cookie or its seal", request.remote_addr)
        return _form(then, _STALE, 400)
    token = request.form.get("token", "").strip()
    if not token:
        return _form(then, _MISSING, 401)
    found = access.person_of(token)
    if not isinstance(found, Person):
        return _refused(then, token, found)
    if found.role in PROGRAMS:
        log.warning("sign-in of the program %s refused from %s", found.name, request.remote_addr)
        return _form(then, _FOR_PROGRAM, 403)
    try:
        started = sessions.start_session(token, request.remote_addr, cookies.read(session.COOKIE))
    except Unavailable as error:
        log.error("sign-in of %s failed: %s", found.name, error)
        return _form(then, _NOT_KEPT, 503)
    return _refused(then, token, None) if started is None else _welcome(then, started)


def _welcome(then: str, started: Started) -> Response:
    g.comer = started.person
    log.info("sign-in of %s from %s", started.person.name, request.remote_addr)
    answer = make_response(redirect(then or url_for("pages.home")))
    session.begin(answer, started)
    strangers_form.drop(answer)
    return answer


def _refused(then: str, token: str, found: Expired | None) -> Response:
    """Shows the form with the reason why a token is refused. An unknown token counts as a guess."""
    log.warning("sign-in refused from %s", request.remote_addr)
    if found is not None:
        expired = (
            f"The token of {found.name} expired on {found.at:%Y-%m-%d %H:%M} UTC. Ask your administrator to renew it."
        )
        return _form(then, expired, 401)
    wait_s = current_app.extensions["wrong_tokens"].wait_s(request.remote_addr, token)
    if not wait_s:
        return _form(then, _UNKNOWN, 401)
    log.warning("too many different wrong tokens from %s", request.remote_addr)
    answer = _form(then, _TOO_MANY, 429)
    answer.headers["Retry-After"] = str(wait_s)
    return answer


def _form(then: str, wrong: str = "", status: int = 200) -> Response:
    return strangers_form.shown("site/sign_in.html", status, then=then, wrong=wrong)


@pages.post("/sign-out")
@signed_in()
def sign_out() -> Any:
    """Ends the session and deletes its cookie."""
    name, secret = g.me["name"], g.secret
    session.forget()
    answer = make_response(redirect(url_for("pages.sign_in")))
    try:
        sessions.end_session(secret)
        log.info("sign-out of %s from %s", name, request.remote_addr)
    except Unavailable as error:
        log.error("sign-out of %s failed: %s", name, error)
        answer = make_response(render_template("site/wrong.html", error=ServiceUnavailable(_STILL_OPEN)), 503)
    cookies.drop(answer, session.COOKIE)
    return answer
