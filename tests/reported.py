"""A lot that does not conform, and its report in each form.

Diameters by a micrometer of u = 0.002 mm against 1.75 +- 0.05 mm, colours against CIEDE2000, both invented.
"""

from __future__ import annotations

from typing import Any

from werkzeug.test import TestResponse

from tests.shop import Shop

NAME = '<b>&"x"'
LIMITS = {
    "sampling": {"fixed": 2},
    "color": {"lot_max": 1.0, "spool_max": 1.3, "components_max": {"b": 0.8}},
    "diameter": {"reading_tolerance_mm": 0.05, "ovality_max_mm": 0.05},
    "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]},
}
# Yellower than the reference by 3: outside every limit on colour.
YELLOW = [95.0, -0.8, 4.5]


def bad_lot(shop: Shop) -> Any:
    """The shop with a lot that fails in colour and diameter, one of its readings voided; `lot_id`, its spools and related data."""
    made: Any = shop
    made.supplier_row = shop.supplier("NBK", contact="Jory, sales@ninebark.example")
    made.grade_row = shop.grade(limits=LIMITS, cautions=["keep dry"])
    micrometer = {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 30, "standard_uncertainty": 0.002}
    instrument = shop.post("quality", "/instruments", micrometer)["id"]
    for day, artefact in (("18", "pin 1.750"), ("10", "an older pin"), ("22", "pin 2")):
        check = {"checked_at": f"2026-11-{day}T08:00:00Z", "result": "pass", "artefact": artefact}
        shop.post("quality", f"/instruments/{instrument}/checks", check)
    got = shop.receive(made.supplier_row, made.grade_row, NAME, 3, order_ref="PO-7", note="dented <box>")
    made.lot_id, made.codes = got["lot_id"], [spool["code"] for spool in got["spools"]]
    for code, d1 in zip(made.codes, (1.75, 1.82, 1.76), strict=True):
        shop.diameter(code, d1, d1, instrument_id=instrument, position_m=3)
    slip = shop.diameter(made.codes[0], 1.70, 1.76, instrument_id=instrument)
    shop.void(slip["id"], "the <jaw> was dirty")
    made.slip = slip["id"]
    for code in made.codes:
        shop.color(code, YELLOW)
    return made


def path_of(shop: Any) -> str:
    """The path of the report."""
    return f"/lots/{shop.lot_id}/nonconformity-report"


def fetch(shop: Any, accept: str, query: str = "", role: str = "purchasing") -> TestResponse:
    """The report in the requested form."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", "Accept": accept}
    return shop.client.get(f"/v1{path_of(shop)}{query}", headers=headers)


def report(shop: Any, query: str = "", status: int = 200) -> Any:
    """The report as JSON, or its refusal."""
    return shop.get("purchasing", f"{path_of(shop)}{query}", status)
