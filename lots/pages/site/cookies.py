"""Cookies of the pages: HttpOnly, SameSite=Strict and, over HTTPS, with the prefix __Host- or __Secure-."""

from __future__ import annotations

import re
from datetime import timedelta

from flask import Response, request

# The form of `secrets.token_urlsafe(32)`. Any other value was not set by this program.
_VALUE = re.compile(r"[A-Za-z0-9_-]{43}")
# The cookie of earlier versions, which held the token itself.
_FORMER = "lots_token"


def read(name: str, form: re.Pattern[str] = _VALUE) -> str:
    """Returns the value of one of our cookies; "" without it or for a value of another form."""
    value = request.cookies.get(_full(name), "")
    return value if form.fullmatch(value) else ""


def put(answer: Response, name: str, value: str, kept: timedelta | None = None) -> None:
    """Sets one of our cookies, for the time `kept` or until the browser is closed."""
    secure = request.is_secure
    answer.set_cookie(_full(name), value, kept, path=_path(), secure=secure, httponly=True, samesite="Strict")


def drop(answer: Response, name: str) -> None:
    """Deletes one of our cookies."""
    answer.delete_cookie(_full(name), path=_path(), secure=request.is_secure, httponly=True, samesite="Strict")


def drop_former(answer: Response) -> None:
    """Deletes the cookie of earlier versions, which holds a token, if a browser still sends it."""
    if _FORMER in request.cookies:
        answer.delete_cookie(_FORMER, path="/", httponly=True, samesite="Strict", secure=request.is_secure)


def _full(name: str) -> str:
    """Returns the name of a cookie in the browser, with its prefix.

    A browser accepts `__Host-` only over HTTPS, for the whole host and from that host itself. Neither a neighbouring host nor somebody
    on an unencrypted line can set such a cookie (RFC 6265bis, 4.1.3.2). `__Secure-` requires only HTTPS and is used below a path
    prefix. Over plain HTTP, as on this machine, a browser accepts neither.
    """
    if not request.is_secure:
        return name
    return f"__Secure-{name}" if request.script_root else f"__Host-{name}"


def _path() -> str:
    return request.script_root or "/"
