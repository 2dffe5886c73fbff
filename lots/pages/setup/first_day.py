"""The first administrator of a shop, added by a link that `lots serve` prints, once and on its own machine."""

from __future__ import annotations

import hmac
import logging
import secrets
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from flask import Flask, current_app, g, make_response, request, url_for

from lots.api.http.proxy import from_this_machine
from lots.api.setup.people import PersonArgs
from lots.pages.setup.people import token_page
from lots.pages.site import cookies, session, strangers_form
from lots.pages.site.calls import Refusal, Shown, attempt, checked
from lots.pages.site.frame import pages
from lots.services import clock
from lots.services.errors import Settled, Unavailable
from lots.services.setup import access, sessions
from lots.services.setup.roles import ADMIN

log = logging.getLogger(__name__)

VALID = timedelta(minutes=30)
# An address that means all networks of this machine -> an address at which this machine reaches itself.
_EVERY = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104  # read, not listened at
_HERE = ("127.", "::1", "localhost")
_ADD = "lots token add NAME --role admin"
_OLD_FORM = (
    "This form is too old, or the browser did not send its cookie. Allow cookies for this address, "
    "then send the form again."
)


@dataclass(slots=True)
class FirstLink:
    """The link of one serving process. Its secret is printed once; the process keeps only the SHA-256."""

    digest: str
    made_at: datetime
    used: bool = False
    # Serialises the forms, so that the second click of a double click finds the link used.
    turn: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def opens(self, secret: str) -> bool:
        """Returns whether this secret is right and the link still valid, compared in constant time."""
        right = hmac.compare_digest(access.digest_of(secret), self.digest)
        return right and not self.used and timedelta() <= clock.now() - self.made_at <= VALID


def offer(app: Flask, host: str, port: int) -> Iterator[str]:
    """Yields the lines to print at the start of a server while nobody can sign in, else nothing. One query.

    Args:
        app: gets the link; without this call it has none.
        host, port: where the server listens.
    """
    if not access.nobody_yet():
        return
    name = _EVERY.get(host, host)
    if not name.startswith(_HERE):
        yield f"lots: nobody can sign in yet. Make the first administrator with the command: {_ADD}"
        return
    secret = secrets.token_urlsafe(32)
    app.extensions["first_link"] = FirstLink(access.digest_of(secret), clock.now())
    yield "lots: nobody can sign in yet. To make the first administrator, open this link in a browser on this machine within 30 minutes:"
    yield f"  http://{f'[{name}]' if ':' in name else name}:{port}/first/{secret}"


@pages.get("/first/<secret>")
def first(secret: str) -> Any:
    """Asks for the name of the first administrator."""
    return _form() if _opens(secret) else _invalid_link()


@pages.post("/first/<secret>")
def first_made(secret: str) -> Any:
    """Adds the first administrator, signs this browser in and shows the token once."""
    if not _opens(secret):
        return _invalid_link()
    typed = request.form.get("name", "")
    if not strangers_form.came_back():
        return _form(typed, _OLD_FORM, 400)
    said = attempt(lambda: checked(PersonArgs, {"name": typed, "role": ADMIN}), PersonArgs)
    if isinstance(said, Refusal):
        return _form(typed, " ".join(told.says for told in said.faults), 422)
    link: FirstLink = current_app.extensions["first_link"]
    with link.turn:
        try:
            made = access.add_first_administrator(said["name"]) if link.opens(secret) else None
        except Settled:
            made = None
        link.used = link.used or made is not None
    if made is None:
        return _invalid_link()
    log.info("first administrator %s made from %s", made["name"], request.remote_addr)
    return _shown(made)


def _opens(secret: str) -> bool:
    link: FirstLink | None = current_app.extensions.get("first_link")
    return link is not None and link.opens(secret) and from_this_machine(request.environ) and access.nobody_yet()


def _form(typed: str = "", wrong: str = "", status: int = 200) -> Any:
    return strangers_form.shown("setup/first.html", status, typed=typed, wrong=wrong)


def _invalid_link() -> Any:
    """Shows what to do instead, the same for every reason, so that a guess reveals nothing."""
    log.warning("link for the first administrator refused from %s", request.remote_addr)
    return strangers_form.shown("setup/first_over.html", 404, command=_ADD)


def _shown(made: Shown) -> Any:
    try:
        started = sessions.start_session(made["token"], request.remote_addr, cookies.read(session.COOKIE))
    except Unavailable as error:
        # The token is still shown, because it is stored nowhere else.
        log.error("sign-in of %s failed: %s", made["name"], error)
        started = None
    if started is not None:
        session.enter(started)
    onward = url_for("pages.setup" if g.me else "pages.sign_in")
    answer = make_response(token_page(made, made["token"], onward))
    if started is not None:
        session.begin(answer, started)
    strangers_form.drop(answer)
    return answer
