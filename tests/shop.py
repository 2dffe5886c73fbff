"""Actions of the shop's people over HTTP, with defaults, each by a person of the right role."""

from __future__ import annotations

from typing import Any

from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from lots.domain.characteristics.registry import DECLARED
from tests.contract import Contract

CONDITIONS = {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included", "uv": "excluded"}
WHITE = [95.0, -0.8, 1.5]
MEASURED = "2026-11-20T11:00:00Z"
RECEIVED = "2026-11-20T08:00:00Z"

# How specimens are printed, for tests that are not about it.
RECIPE: dict[str, Any] = {
    "nozzle_c": 215,
    "bed_c": 60,
    "layer_height_mm": 0.2,
    "speed_mm_s": 60,
    "cooling_percent": 40,
    "orientation": "upright",
    "geometry": "Bar 10 x 4 mm, 80 mm tall.",
}

# Limits in the form of the contract's example, with every block.
FULL_LIMITS: dict[str, Any] = {
    "sampling": {"fixed": 3},
    "color": {
        "formula": "CIEDE2000",
        "weights": [1, 1, 1],
        "lot_max": 1.0,
        "spool_max": 1.3,
        "spread_max": 0.5,
        "step_max": 0.8,
        "components_max": {"L": 0.8, "a": 0.4, "b": 0.8},
        "readings_per_spool_min": 3,
    },
    "diameter": {
        "mean_tolerance_mm": 0.03,
        "reading_tolerance_mm": 0.05,
        "ovality_max_mm": 0.05,
        "readings_per_spool_min": 5,
    },
    "shrinkage": {
        "x_percent": [0.1, 0.5],
        "y_percent": [0.1, 0.5],
        "z_percent": [0.0, 0.5],
        "step_max_percent": 0.15,
        "tests_per_axis_min": 2,
        "age_h": [20, 30],
    },
    "bond": {"mean_min_mpa": 20, "single_min_mpa": 14, "control_ratio_min": 0.7, "tests_min": 5},
    "surface": {"specks_per_dm2_max": 2, "area_dm2_min": 2},
    "moisture": {"max_percent": 0.05},
    "gloss": {"deg_60_gu": [30, 50], "readings_per_spool_min": 1},
    "opacity": {"contrast_ratio_min": 0.98},
    "uses": {
        "cosmetic": ["color", "diameter", "surface"],
        "load_bearing": ["diameter", "bond", "shrinkage"],
        "hidden": ["diameter"],
    },
}
# Limits for tests that are not about them: colour and diameter, one reading each.
SIMPLE_LIMITS: dict[str, Any] = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.0},
    "diameter": {"reading_tolerance_mm": 0.05, "ovality_max_mm": 0.05},
}

PATHS = {name: declared.path for name, declared in DECLARED.items()}


def drawn_first(delivery: dict[str, Any]) -> dict[str, Any]:
    """The same delivery with the drawn spools first."""
    drawn = set(delivery["sample"]["spool_codes"])
    delivery["spools"].sort(key=lambda spool: spool["code"] not in drawn)
    return delivery


class Shop:
    """People of the shop. Every answer is compared with the OpenAPI document."""

    def __init__(self, app: Flask, tokens: dict[str, str]) -> None:
        self.app, self.tokens, self.contract = app, tokens, Contract(app)
        self.client: FlaskClient = app.test_client()

    def call(self, role: str, method: str, path: str, body: Any = None, **headers: str) -> TestResponse:
        """One request by a person of this role; header names are written with underscores."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        if role != "nobody":
            named.setdefault("Authorization", f"Bearer {self.tokens[role]}")
        sent = {"json": body} if body is not None else {}
        answer = self.client.open(f"/v1{path}", method=method, headers=named, **sent)
        if answer.status_code != 304:
            bare = f"/v1{path}".partition("?")[0]
            self.contract.check(method, bare, answer, body)
        return answer

    def get(self, role: str, path: str, status: int = 200) -> Any:
        """The answer to a GET, which must have this status."""
        answer = self.call(role, "GET", path)
        assert answer.status_code == status, answer.get_data(as_text=True)
        return answer.get_json()

    def post(self, role: str, path: str, body: Any = None, status: int = 201, **headers: str) -> Any:
        """The answer to a POST, which must have this status."""
        answer = self.call(role, "POST", path, body, **headers)
        assert answer.status_code == status, answer.get_data(as_text=True)
        return answer.get_json()

    # Setting up

    def supplier(self, code: str = "QWT", **more: Any) -> dict[str, Any]:
        """A supplier."""
        return self.post("purchasing", "/suppliers", {"code": code, "name": f"Supplier {code}", **more})

    def shade(self, code: str = "HW", lab: list[float] | None = None, conditions: Any = None) -> dict[str, Any]:
        """A shade with its first revision."""
        shade = self.post("quality", "/shades", {"code": code, "name": f"Shade {code}"})
        self.approve(shade["id"], lab or WHITE, conditions or CONDITIONS)
        return shade

    def approve(self, shade_id: int, lab: list[float], conditions: Any = None) -> dict[str, Any]:
        """The next revision of a shade."""
        body = {"lab": lab, "conditions": conditions or CONDITIONS, "approved_by": "Wilhelmina"}
        return self.post("quality", f"/shades/{shade_id}/revisions", body)

    def grade(self, code: str = "PLA-HW-175", limits: dict[str, Any] | None = None, **more: Any) -> dict[str, Any]:
        """A grade, by default of a new white shade; with limits when given."""
        if "shade_id" not in more:
            more["shade_id"] = self.shade(f"{code}-shade")["id"]
        body = {
            "code": code,
            "polymer": "PLA",
            "color_name": "Harbour White",
            "finish": "plain",
            "filler": "none",
            "nominal_diameter_mm": 1.75,
            "density_g_cm3": 1.24,
            **more,
        }
        grade = self.post("quality", "/grades", body)
        if limits is not None:
            self.limit(grade["id"], limits)
        return grade

    def limit(self, grade_id: int, limits: dict[str, Any]) -> dict[str, Any]:
        """The next limits revision of a grade."""
        return self.post("quality", f"/grades/{grade_id}/limits", limits)

    def recipe(self, code: str = "COUPON", revisions: int = 1, **more: Any) -> str:
        """A test print with its recipe; readings cite the newest revision."""
        made = self.post("quality", "/test-prints", {"code": code, "name": f"Test print {code}"})
        body = {**RECIPE, **more}
        for _ in range(revisions):
            cited: str = self.post("quality", f"/test-prints/{made['id']}/revisions", body)["test_print"]
        return cited

    # The clerk

    def receive(self, supplier: Any, grade: Any, lot: str = "Q-71", spools: int = 3, **more: Any) -> dict[str, Any]:
        """A delivery of so many spools of 1 kg. Those that were drawn come first in `spools`, so that whoever measures from the front measures the sample."""
        body = {
            "supplier_id": supplier["id"],
            "grade_id": grade["id"],
            "supplier_lot": lot,
            "received_at": RECEIVED,
            "spool_count": spools,
            "net_mass_g": 1000,
            **more,
        }
        return drawn_first(self.post("receiving", "/deliveries", body))

    def measure(self, kind: str, body: Any, status: int = 201, role: str = "quality") -> Any:
        """Readings of one kind, one object or a list; measured_at has a default."""
        items = body if isinstance(body, list) else [body]
        filled = [{"measured_at": MEASURED, **item} for item in items]
        return self.post(role, PATHS[kind], filled if isinstance(body, list) else filled[0], status)

    def color(self, spool: str, lab: list[float], status: int = 201, **more: Any) -> Any:
        """One colour reading under the reference's conditions."""
        return self.measure("color", {"spool_code": spool, "lab": lab, "conditions": CONDITIONS, **more}, status)

    def diameter(self, spool: str, d1: float = 1.75, d2: float = 1.75, status: int = 201, **more: Any) -> Any:
        """One diameter reading."""
        return self.measure("diameter", {"spool_code": spool, "d1_mm": d1, "d2_mm": d2, **more}, status)

    def good_lot(self, supplier: Any = None, grade: Any = None, lot: str = "Q-71", **more: Any) -> dict[str, Any]:
        """A released lot under SIMPLE_LIMITS; returns its delivery, with `lot` in that state."""
        supplier = supplier or self.supplier()
        grade = grade or self.grade(limits=SIMPLE_LIMITS)
        delivery = self.receive(supplier, grade, lot, **more)
        spool = delivery["sample"]["spool_codes"][0]
        self.diameter(spool)
        self.color(spool, WHITE)
        delivery["lot"] = self.lot(delivery["lot_id"])
        assert delivery["lot"]["standing"] == "released"
        return delivery

    # Quality

    def void(self, reading_id: int, reason: str = "mistyped", status: int = 201, **more: Any) -> Any:
        """Voids a reading."""
        return self.post("quality", f"/readings/{reading_id}/void", {"reason": reason, **more}, status)

    def decide(self, lot_id: int, action: str, reason: str = "seen on parts", status: int = 201) -> Any:
        """A manual decision."""
        return self.post("quality", f"/lots/{lot_id}/decisions", {"action": action, "reason": reason}, status)

    def assessment(self, lot_id: int, query: str = "") -> dict[str, Any]:
        """A lot's assessment."""
        return self.get("quality", f"/lots/{lot_id}/assessment{query}")

    def finding(self, lot_id: int, code: str) -> dict[str, Any]:
        """One finding of a lot by its code."""
        return next(f for f in self.assessment(lot_id)["findings"] if f["code"] == code)

    def lot(self, lot_id: int) -> dict[str, Any]:
        """A lot in its present state."""
        return self.get("quality", f"/lots/{lot_id}")

    # Production

    def ask_clearance(self, spool: str, use: str = "cosmetic", **query: str) -> dict[str, Any]:
        """Requests the clearance of a spool."""
        asked = "&".join(f"{name}={value}" for name, value in {"use": use, **query}.items())
        return self.get("production", f"/spools/{spool}/clearance?{asked}")

    def load(self, spool: str, use: str = "cosmetic", status: int = 201, **more: Any) -> Any:
        """Loads a spool on a machine."""
        body = {"spool_code": spool, "machine": "P1", "job": "J-1", "use": use, **more}
        return self.post("production", "/loads", body, status)

    def unload(self, load_id: int, remaining_mass_g: float, status: int = 201, **more: Any) -> Any:
        """Unloads a spool."""
        return self.post(
            "production", f"/loads/{load_id}/unload", {"remaining_mass_g": remaining_mass_g, **more}, status
        )
