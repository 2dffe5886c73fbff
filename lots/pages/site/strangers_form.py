"""CSRF protection of forms before signing in, by a cookie of their own."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Any

from flask import Response, make_response, render_template, request

from lots.pages.site import cookies
from lots.pages.site.session import same

# A cookie with a random value. The CSRF token of the form is its HMAC, so that no other site can sign somebody in under a
# name that is not theirs (login CSRF; OWASP Cross-Site Request Forgery Prevention Cheat Sheet).
_COOKIE = "lots_sign_in"


def shown(template: str, status: int = 200, **values: Any) -> Response:
    """Returns a page with its CSRF token as `form_seal`, and sets the cookie of the token if the browser has none."""
    known = cookies.read(_COOKIE)
    value = known or secrets.token_urlsafe(32)
    answer = make_response(render_template(template, form_seal=_seal(value), **values), status)
    if not known:
        cookies.put(answer, _COOKIE, value)
    return answer


def came_back() -> bool:
    """Returns whether a form came with its CSRF token and the cookie of the same browser."""
    known = cookies.read(_COOKIE)
    return bool(known) and same(request.form.get("seal", ""), _seal(known))


def drop(answer: Response) -> None:
    """Deletes the cookie."""
    cookies.drop(answer, _COOKIE)


def _seal(value: str) -> str:
    return hmac.new(value.encode(), b"lots sign-in", hashlib.sha256).hexdigest()
