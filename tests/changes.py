"""Every possible change over HTTP, made once on something that allows it."""

from __future__ import annotations

import io
from typing import Any
from unittest.mock import patch

from werkzeug.test import TestResponse

from lots.domain.receiving.severity import Severity
from lots.services.instruments import due_notes
from lots.services.setup import access
from tests.api.bodies import CASES, Furnished
from tests.kept_rows import made_once
from tests.shop import MEASURED, SIMPLE_LIMITS, Shop
from tests.store.rows import connected

# POSTs that only work something out, or only send.
READS = {"/v1/picks", "/v1/tab-checks", "/v1/color-differences", "/v1/webhooks/{number}/test"}
# After these the grade of the furnished shop asks for more than its lots have.
LAST = ("/v1/shades/{number}/revisions", "/v1/grades/{number}/limits")
_MORE = {
    "/v1/lots/{number}/reassess": ("POST", lambda at: at.lot_id, lambda at: None),
    "/v1/concessions/{number}/approve": ("POST", lambda at: at.concession(), lambda at: None),
    "/v1/imports": ("POST", lambda at: "", lambda at: None),
    "/v1/people/{number}/revoke": ("POST", lambda at: at.person(), lambda at: None),
    "/v1/webhooks/{number}/end": ("POST", lambda at: at.webhook(), lambda at: None),
    "/v1/webhooks/{number}/test": ("POST", lambda at: at.webhook(), lambda at: None),
    "/v1/baselines": (
        "POST",
        lambda at: "",
        lambda at: {
            "supplier_id": at.supplier["id"],
            "grade_id": at.grade["id"],
            "given": {"diameter.mean": {"mean": 1.75, "sigma": 0.01}},
            "reason": "from the supplier's own sheet",
        },
    ),
}
_ALL = {**_MORE, **CASES}
CHANGES = [*(path for path in _ALL if path not in (*READS, *LAST)), *LAST]


class Change:
    """A prepared change."""

    def __init__(self, at: Furnished, path: str) -> None:
        self.shop, self.path = at.shop, path
        self.method, number, body = _ALL[path]
        self.number, self.body = number(at), body(at)
        self.url = path.removeprefix("/v1").replace("{number}", str(self.number)).replace("{code}", str(self.number))
        self.spool = at.spool

    def make(self, **headers: str) -> TestResponse:
        """Makes it as the administrator."""
        if self.path == "/v1/imports":
            return self._import(headers)
        if self.method == "PATCH":
            headers["If_Match"] = self.shop.call("admin", "GET", self.url).headers["ETag"]
        # Inspection can be resumed only where it was discontinued, which takes five lots refused.
        said = Severity("discontinued", 1, "Five lots were refused.")
        with patch("lots.services.receiving.inspection_severity.severity_of", return_value=said):
            return self.shop.call("admin", self.method, self.url, self.body, **headers)

    def _import(self, headers: dict[str, str]) -> TestResponse:
        text = f"spool_code,d1_mm,d2_mm,measured_at\n{self.spool},1.75,1.76,{MEASURED}\n"
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        named["Authorization"] = f"Bearer {self.shop.tokens['admin']}"
        form: dict[str, Any] = {"kind": "diameter", "file": (io.BytesIO(text.encode()), "bench.csv")}
        return self.shop.client.post("/v1/imports", data=form, headers=named)


def lived_in(shop: Shop) -> Furnished:
    """A shop with every change made once, a refused load, respooled lots, and created and revoked tokens."""
    return Furnished(shop, made_once(shop, "lived in", lambda: _live_in(Furnished(shop)).numbers()))


def _live_in(at: Furnished) -> Furnished:
    shop = at.shop
    for path in CHANGES:
        answer = Change(at, path).make()
        assert answer.status_code in (200, 201), f"{path}: {answer.get_data(as_text=True)}"
        if path == "/v1/spools":
            wind_two_lots(at)
    at.more_drawn()
    every_kind_of_change(at)
    shop.load(at.fresh_lot()["spools"][0]["code"], status=409)
    with connected():
        access.add_token("Ilse", "quality")
        access.renew_token("Ilse")
        access.revoke_token("Ilse")
    return at


def every_kind_of_change(at: Furnished) -> None:
    """Lots of each status, an ended load, a containment, and a due instrument: every kind of change in the feed."""
    shop = at.shop
    for action in ("return", "scrap"):
        shop.decide(at.fresh_lot()["lot_id"], action)
    limits = {**SIMPLE_LIMITS, "uses": {"cosmetic": ["color"], "hidden": ["diameter"]}}
    grade = shop.grade("G-RESTRICTED", limits)
    spool = shop.receive(at.supplier, grade, "Q-RESTRICTED")["spools"][0]["code"]
    shop.diameter(spool)
    shop.color(spool, [80.0, 0.0, 0.0])
    other = shop.post("quality", "/instruments", {"code": "MIC-DUE", "kind": "k", "check_interval_days": 9})
    shop.post("quality", f"/instruments/{other['id']}/checks", {"checked_at": MEASURED, "result": "fail"})
    with connected():
        due_notes.note_due()


def wind_two_lots(at: Furnished) -> dict[str, Any]:
    """A spool respooled from spools of two lots."""
    parents = [{"spool_code": at.free_spool(), "mass_g": mass} for mass in (50.0, 20.0)]
    return at.shop.post("production", "/spools", {"parents": parents})
