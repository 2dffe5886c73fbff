"""Authentication by bearer token, and the answers to invalid tokens."""

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
    """Bearer tokens. An unreadable header counts as no token."""

    def get_auth(self) -> Any:
        """Returns the parsed header; None if unreadable, such as Basic with characters outside ASCII."""
        try:
            return super().get_auth()
        except ValueError:
            return None


auth = Bearer(scheme="Bearer")


# Lists whose numbers and codes every role may read.
_SET_UP = tuple(f"/v1/{name}" for name in ("suppliers", "grades", "shades", "instruments"))
_DIRECTORY = "Every role can read numbers and codes at /v1/directory."


def register(app: Flask) -> None:
    """Registers the records of wrong tokens and of token use with the application."""
    app.extensions["wrong_tokens"] = WrongTokens()
    app.extensions["token_uses"] = access.Uses()
    # Teardown functions run in reverse order, so the connection opened earlier is still available.
    app.teardown_request(lambda _error: app.extensions["token_uses"].write_due())


def person() -> Person:
    """Returns the person of this request."""
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
        return http_problem(403, f"{g.comer.name} has the role {g.comer.role}. This requires {needed}.{known}")
    if g.wait_s:
        return http_problem(429, headers=[("Retry-After", str(g.wait_s))])
    if g.expired:
        name, ended = g.expired.name, f"{g.expired.at:%Y-%m-%d %H:%M} UTC"
        text = f"The token of {name} expired on {ended}. An administrator renews it with `lots token renew '{name}'` or adds a new name with `lots token add`."
        return problem(401, "token-expired", "Token expired", text)
    return http_problem(401, "The token is missing, mistyped or revoked.")
