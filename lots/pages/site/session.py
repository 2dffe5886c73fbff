"""Who is signed in: the token in a cookie that no script can read, and a seal on every form that no other site can know."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from collections.abc import Callable
from functools import wraps
from typing import Any

from flask import Response, abort, current_app, g, redirect, render_template, request, url_for

from lots.pages.site.api_client import ask
from lots.services.setup.roles import PROGRAMS

COOKIE = "lots_token"
# Where the script of the red bar is; like the style sheet it is the same for everybody.
SCRIPT = "/static/red-bar.js"
STATIC = ("pages.stylesheet", "pages.red_bar_script")
# A shift and a bit; then the token must be typed again.
KEPT_S = 12 * 3600


def load() -> None:
    """Before each page: takes the token from the cookie and finds out whose it is."""
    g.token = request.cookies.get(COOKIE, "")
    g.me = None
    if g.token and request.endpoint not in STATIC:
        answer = ask("GET", "/me")
        g.me = answer.body if answer.good and answer.body["role"] not in PROGRAMS else None


def seal() -> str:
    """Returns what a form must carry: it follows from the token, which another site cannot read, and says nothing about it.

    SameSite=Strict keeps the cookie from requests that other sites start; the seal holds where a browser does not know that rule.
    """
    return hmac.new(g.token.encode(), b"lots form", hashlib.sha256).hexdigest()


def pack(told: Any) -> str:
    """Returns what a page tells as text for an address, which nobody else can make: a redirect carries it to the page that shows it."""
    text = base64.urlsafe_b64encode(json.dumps(told).encode()).decode()
    return f"{text}.{_mark(text)}"


def unpack(text: str) -> Any:
    """Returns what `pack` was given in this session; None for anything else."""
    told, _, mark = text.partition(".")
    if not told.isascii() or not mark.isascii() or not hmac.compare_digest(mark, _mark(told)):
        return None
    try:
        return json.loads(base64.urlsafe_b64decode(told))
    except (ValueError, binascii.Error):
        return None


def _mark(text: str) -> str:
    return hmac.new(g.token.encode(), b"lots told " + text.encode(), hashlib.sha256).hexdigest()


def signed_in(*roles: str) -> Callable[[Any], Any]:
    """Decorates a page: sends strangers to sign in, keeps other desks out, and refuses a form without its seal."""

    def decorate(page: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(page)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            if g.me is None:
                # A form that came too late cannot be sent again by a link: then people begin at their first page.
                wanted = request.full_path.rstrip("?") if request.method == "GET" else url_for("pages.home")
                return redirect(url_for("pages.sign_in", then=wanted))
            if request.method == "POST" and not hmac.compare_digest(request.form.get("seal", ""), seal()):
                abort(
                    400,
                    "This form was not made by this server, or you signed in anew since. Go back and send it again.",
                )
            if roles and g.me["role"] not in (*roles, "admin"):
                return render_template("site/not_yours.html", roles=roles), 403
            return page(*args, **kwargs)

        guarded.roles = roles  # type: ignore[attr-defined]  # read by `may`
        return guarded

    return decorate


def may(endpoint: str) -> bool:
    """Returns whether whoever is signed in may open a page: no menu and no link offers what would be refused.

    Args:
        endpoint: as in `url_for`; the roles are those its own decorator names.
    """
    page = current_app.view_functions[endpoint]
    roles = getattr(page, "roles", ())
    return g.get("me") is not None and (not roles or g.me["role"] in (*roles, "admin"))


def once() -> str:
    """Returns a fresh key for a form: sent twice by a double click, it does its work once."""
    return secrets.token_urlsafe(16)


def keep(answer: Response, token: str) -> Response:
    """Signs in: puts the token into the cookie."""
    answer.set_cookie(
        COOKIE, token, max_age=KEPT_S, httponly=True, samesite="Strict", secure=request.is_secure, path="/"
    )
    return answer


def drop(answer: Response) -> Response:
    """Signs out."""
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="Strict", secure=request.is_secure)
    return answer
