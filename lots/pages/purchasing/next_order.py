"""The next order: the expected cost per usable kilogram of each supplier of a grade."""

from __future__ import annotations

from typing import Any

from flask import render_template, request, url_for

from lots.api.pictures.purchasing.order_cost import draw
from lots.api.pictures.sheet import NARROW, WIDE
from lots.api.purchasing.next_order import NextOrder, NextOrderArgs
from lots.domain.assessment.limits_revision import GENERAL
from lots.pages.production.check import USES
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages, refused
from lots.pages.site.pictures import sent
from lots.pages.site.place import grade_choice, place
from lots.pages.site.session import signed_in
from lots.services.purchasing import next_order as orders
from lots.services.purchasing import overview
from lots.services.setup import catalog

_USES = (*USES, (GENERAL, "General: every limit"))


@pages.get("/purchasing/next-order")
@signed_in((NextOrder, "GET"))
def next_order() -> Any:
    """Shows the suppliers of a grade by the expected cost of a usable kilogram."""
    known = catalog.directory("grade")["grades"]
    asked = _asked()
    if "grade_id" not in asked and (first := overview.first_grade()) is not None:
        asked["grade_id"] = str(first)
    seen = attempt(lambda: _seen(asked), NextOrderArgs) if known else None
    wrong = seen if isinstance(seen, Refusal) else None
    page = render_template(
        "purchasing/next_order.html",
        a=None if isinstance(seen, Refusal) else seen,
        refused=wrong,
        asked=asked,
        grades=[*map(grade_choice, known)],
        uses=_USES,
        picture=url_for("pages.next_order_picture", **asked),
        narrow=url_for("pages.next_order_picture", size="narrow", **asked),
    )
    return page, wrong.status if wrong else 200


@pages.get("/purchasing/next-order.svg")
@signed_in((NextOrder, "GET"))
def next_order_picture() -> Any:
    """Returns the picture of the comparison as SVG."""
    found = attempt(lambda: _seen(_asked()), NextOrderArgs)
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.next_order"))
    look = NARROW if request.args.get("size") == "narrow" else WIDE
    return sent(draw(found, look.at(place())))


def _asked() -> dict[str, Any]:
    """Returns the parameters of the address, with the first use as the default."""
    said = {name: request.args[name].strip() for name in ("grade_id", "use") if name in request.args}
    return {"use": USES[0][0], **{name: text for name, text in said.items() if text}}


def _seen(said: dict[str, Any]) -> dict[str, Any]:
    asked = checked(NextOrderArgs, said)
    return orders.next_order(asked["grade_id"], asked["use"])
