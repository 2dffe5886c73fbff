"""The red bar above every page of production, quality and administrators: the spools that must come off now."""

from __future__ import annotations

import hashlib
from typing import Any

from flask import Response, g, render_template, request
from markupsafe import Markup

from lots.pages.site.frame import pages
from lots.services import exposure
from lots.services.views import View

WATCHING = ("production", "quality", "admin")
# Spools that the bar names. The page of loaded spools names all.
_NAMED = 3


def watches() -> bool:
    """Returns whether the signed-in person sees the bar."""
    return bool(g.get("me")) and g.me["role"] in WATCHING


@pages.app_context_processor
def _bar() -> dict[str, Any]:
    return {"red_bar": _drawn if watches() else lambda: None}


def spools() -> list[View]:
    """Returns the spools that must come off now, the longest contained first. One query per request."""
    if "come_off" not in g:
        g.come_off = exposure.must_come_off()
    found: list[View] = g.come_off
    return found


def _drawn() -> tuple[Markup, str]:
    """Returns the HTML of the bar, empty if nothing must come off, and its tag."""
    off = spools()
    html = render_template("site/red_bar.html", spools=off[:_NAMED], more=len(off) - _NAMED) if off else ""
    return Markup(html.strip()), hashlib.sha256(html.encode()).hexdigest()[:24]  # noqa: S704  # a template of ours, which escapes


@pages.get("/must-come-off")
def must_come_off() -> Any:
    """Returns the bar for the refreshing script; 304 while it has not changed."""
    if not watches():
        return Response("", 401 if g.me is None else 403)
    html, tag = _drawn()
    answer = Response(html, mimetype="text/html")
    answer.set_etag(tag)
    return answer.make_conditional(request)
