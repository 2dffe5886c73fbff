"""Who comes in over HTTP: the bearer token, whose it is, and what is answered to one that opens nothing."""

from __future__ import annotations

import logging
from typing import Any

from flask import Flask, Response, current_app, g, request
from flask_httpauth import HTTPTokenAuth

from lots.api.http.errors import http_problem, problem
from lots.api.http.throttle import WrongTokens
from lots.services.setup import access
from lots.services.setup.access import Expired, Person

log = logging.getLogger(__name__)


class Bearer(HTTPTokenAuth):  # type: ignore[misc]  # flask-httpauth ships no types
    """Bearer tokens; a header that cannot be read is none."""

    def get_auth(self) -> Any:
        """Returns the header as the library reads it; None where it cannot be read, such as Basic with letters beyond ASCII."""
        try:
            return super().get_auth()
        except ValueError:
            return None


auth = Bearer(scheme="Bearer")


# Lists of what is set up, of which everybody may know the numbers and codes.
_SET_UP = tuple(f"/v1/{name}" for name in ("suppliers", "grades", "shades", "instruments"))
_DIRECTORY = "Numbers and codes of what is set up are at /v1/directory, for everybody."


def register(app: Flask) -> None:
    """Gives an application its own memory of wrong tokens and of when tokens were used."""
    app.extensions["wrong_tokens"] = WrongTokens()
    app.extensions["token_uses"] = access.Uses()
    # Registered functions run in the reverse order, so this one still has the connection that was opened before it.
    app.teardown_request(lambda _error: app.extensions["token_uses"].write_due())


def person() -> Person:
    """Who this request comes from."""
    return auth.current_user()  # type: ignore[no-any-return]  # flask-httpauth ships no types


@auth.verify_token
def _verify(token: str) -> Person | None:
    found = access.person_of(token) if token else None
    if isinstance(found, Person):
        g.comer = found
        current_app.extensions["token_uses"].note(found)
        return found
    if isinstance(found, Expired):
        g.expired = found
    elif token:
        g.wait_s = current_app.extensions["wrong_tokens"].wait_s(request.remote_addr, token)
        if g.wait_s:
            log.warning("too many different wrong tokens from %s", request.remote_addr)
    return None


@auth.get_user_roles
def _roles(who: Person) -> list[str]:
    return [who.role]


@auth.error_handler
def _refused(status: int) -> Response:
    if status == 403:
        needed = " or ".join(dict.fromkeys([*g.allowed, "admin"]))
        known = f" {_DIRECTORY}" if request.method in ("GET", "HEAD") and request.path in _SET_UP else ""
        return http_problem(403, f"{g.comer.name} has the role {g.comer.role}; this needs {needed}.{known}")
    if g.wait_s:
        return http_problem(429, headers=[("Retry-After", str(g.wait_s))])
    if g.expired:
        name, ended = g.expired.name, f"{g.expired.at:%Y-%m-%d %H:%M} UTC"
        text = f"The token of {name} expired on {ended}. An administrator makes another with `lots token renew '{name}'`, or for a new name with `lots token add`."
        return problem(401, "token-expired", "This token has expired", text)
    return http_problem(401, "The token is missing, mistyped or revoked.")
