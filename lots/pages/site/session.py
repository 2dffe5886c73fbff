"""Authentication: the session cookie, the roles of pages, and the CSRF token of forms ("seal")."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeAlias

from flask import Response, abort, current_app, g, redirect, render_template, request, url_for
from itsdangerous import BadData, URLSafeSerializer

from lots.api.http.routes import Resource
from lots.pages.site import cookies, destinations
from lots.services.setup.access import Person
from lots.services.setup.roles import PEOPLE
from lots.services.setup.sessions import KEPT, Started, person_of_session

# A method of a resource of the API. A page is open to the roles that may make its calls.
Call: TypeAlias = tuple[type[Resource], str]

COOKIE = "lots_session"
# The endpoint of files that need no session.
STATIC = "pages.static_file"


def load() -> None:
    """Loads the person of the session cookie, with the present role of their token, before each page. One query."""
    forget()
    secret = cookies.read(COOKIE) if request.endpoint != STATIC else ""
    found = person_of_session(secret) if secret else None
    if found is not None:
        _set_person(found, secret)


def begin(answer: Response, started: Started) -> None:
    """Sets the cookie of a session that was just started."""
    current_app.extensions["token_uses"].note(started.person)
    cookies.put(answer, COOKIE, started.secret, KEPT)


def enter(started: Started) -> None:
    """Signs a person in for the rest of this request."""
    _set_person(started.person, started.secret)


def _set_person(found: Person, secret: str) -> None:
    g.secret, g.person, g.comer = secret, found, found
    current_app.extensions["token_uses"].note(found)
    g.me = {"name": found.name, "role": found.role}


def forget() -> None:
    """Signs everybody out for the rest of this request."""
    g.secret, g.person, g.me = "", None, None


def seal() -> str:
    """Returns the CSRF token of forms, an HMAC of the session secret.

    SameSite=Strict keeps the cookie from requests of other sites. This token protects browsers that do not support it.
    """
    return hmac.new(g.secret.encode(), b"lots form", hashlib.sha256).hexdigest()


def same(sent: str, expected: str) -> bool:
    """Returns whether a text is the expected one, compared in constant time. The text may be anything that a client can send."""
    return hmac.compare_digest(sent.encode("utf-8", "surrogatepass"), expected.encode())


def pack(about: str, told: Any) -> str:
    """Returns a message signed with the session secret, as text for the address of a redirect.

    Args:
        about: the kind of message, so that no other kind is accepted in its place.
        told: any JSON value.
    """
    return str(_signer(about).dumps(told))


def unpack(about: str, text: str) -> Any:
    """Returns the message that `pack` was given in this session; None for anything else."""
    try:
        return _signer(about).loads(text)
    except BadData:
        return None


def _signer(about: str) -> URLSafeSerializer:
    return URLSafeSerializer(g.secret, salt=f"lots {about}")


def roles_of(*calls: Call, any_of: bool = False) -> tuple[str, ...]:
    """Returns the roles that may make all of these calls, or any of them. An administrator always may."""
    admitted = [resource.who[method] for resource, method in calls]
    enough = any if any_of else all
    return tuple(role for role in PEOPLE if enough(role in roles for roles in admitted))


def signed_in(*calls: Call, any_of: bool = False) -> Callable[[Any], Any]:
    """Decorates a page: requires a session, one of the admitted roles and, for a form, its CSRF token.

    Args:
        calls: the page is open to roles that the API admits to all of these calls; without calls, to everybody.
        any_of: one admitted call is enough.
    """
    roles = roles_of(*calls, any_of=any_of) if calls else PEOPLE

    def decorate(page: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(page)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            if g.me is None:
                # A redirect cannot send a late form again, so people begin at Home.
                wanted = destinations.here() if request.method == "GET" else url_for("pages.home")
                return redirect(url_for("pages.sign_in", then=wanted))
            if request.method == "POST" and not same(request.form.get("seal", ""), seal()):
                abort(
                    400,
                    "This form belongs to another sign-in or another site. Go back, reload the page and send the form again.",
                )
            if g.me["role"] not in (*roles, "admin"):
                return render_template("site/not_yours.html", roles=roles), 403
            return page(*args, **kwargs)

        guarded.roles = roles  # type: ignore[attr-defined]  # read by `may`
        return guarded

    return decorate


def may(endpoint: str) -> bool:
    """Returns whether the signed-in person may open a page, so that menus and links offer only such pages.

    Args:
        endpoint: as in `url_for`. The decorator of the page names its roles.
    """
    roles = getattr(current_app.view_functions[endpoint], "roles", PEOPLE)
    return g.get("me") is not None and g.me["role"] in (*roles, "admin")


def may_call(resource: type[Resource], method: str) -> bool:
    """Returns whether the API admits the signed-in person to a method of a path."""
    return g.get("me") is not None and g.me["role"] in (*resource.who[method], "admin")


def once() -> str:
    """Returns a new idempotency key for a form, so that a double click does its work once."""
    return secrets.token_urlsafe(16)
