"""Home: the open work of the signed-in person's desk, and its refresh by script."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

from flask import Response, g, render_template, request

from lots.pages.site import desks
from lots.pages.site.desks import Part
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.documents import changes

# Role -> the desks whose work it sees.
DESKS: dict[str, dict[str, Callable[[], list[Part]]]] = {
    "receiving": {"Receiving": desks.receiving_desk},
    "quality": {"Quality": desks.quality_desk},
    "purchasing": {"Purchasing": desks.purchasing_desk},
    "production": {"Production": desks.production_desk},
}
DESKS["admin"] = {
    name: parts for role in ("receiving", "quality", "production", "purchasing") for name, parts in DESKS[role].items()
}
# Interval, s, after which the page is made again without a change, because some things become due by time alone.
_ANEW_S = 300


@pages.get("/")
@signed_in()
def home() -> str:
    """Shows the open work of the desk."""
    return render_template("site/home.html", now=clock.now(), tag=_tag(), desks=_desks())


@pages.get("/home/now")
def home_now() -> Any:
    """Returns the parts of Home for the refreshing script; 304 while nothing has changed."""
    if g.me is None:
        return Response("", 401)
    tag = _tag()
    answer = Response(mimetype="text/html")
    answer.set_etag(tag)
    if not request.if_none_match.contains(tag):
        answer.set_data(render_template("site/home_parts.html", desks=_desks()))
    return answer.make_conditional(request)


def _desks() -> dict[str, list[Part]]:
    return {name: parts() for name, parts in DESKS[g.me["role"]].items()}


def _tag() -> str:
    """Returns a digest of the newest history entry, the person and the time step. One query."""
    step = int(clock.now().timestamp()) // _ANEW_S
    return hashlib.sha256(f"{changes.mark()} {g.me['name']} {g.me['role']} {step}".encode()).hexdigest()[:24]
