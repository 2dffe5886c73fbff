"""The check of a thin tab before printing: permission of the lot, and strength against stress."""

from __future__ import annotations

from typing import Any

from flask import render_template, request

from lots.api.production.tab_checks import TabArgs, TabChecks
from lots.pages.site.calls import Refusal, attempt, checked
from lots.pages.site.frame import pages
from lots.pages.site.place import number
from lots.pages.site.session import signed_in
from lots.services.documents.search import scanned
from lots.services.production import tab_checks

USES = (("", "Load-bearing and flexing"), ("load_bearing", "Load-bearing"), ("flexing", "Flexing"))
LAYERS = (("across", "Across: pulled apart"), ("along", "Along the tab"))
_SIZES = ("width_mm", "thickness_mm", "lever_mm", "load_n")


@pages.get("/tabs")
@signed_in((TabChecks, "POST"))
def tabs() -> Any:
    """Asks for a tab and answers whether it may be printed and holds. Nothing is stored."""
    names = ("spool_code", "lot_id", "use", "layers", *_SIZES)
    asked = {name: request.args.get(name, "").strip() for name in names}
    asked["spool_code"] = scanned(asked["spool_code"])
    answer = None
    if asked["layers"]:
        body = {name: asked[name] for name in ("spool_code", "use", "layers") if asked[name]}
        body |= {name: number(asked[name]) for name in ("lot_id", *_SIZES) if asked[name]}
        answer = attempt(lambda: tab_checks.tab_check(checked(TabArgs, body)), TabArgs)
    refused = answer if isinstance(answer, Refusal) else None
    faults = refused.beside() if refused else {}
    if refused and not (asked["spool_code"] or asked["lot_id"]):
        faults["spool_code"] = ["This is required."]
    page = render_template(
        "production/tabs.html",
        asked=asked,
        a=None if refused else answer,
        refused=refused,
        faults=faults,
        uses=USES,
        layers=LAYERS,
    )
    return page, refused.status if refused else 200
