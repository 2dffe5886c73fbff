"""A valid body for every path that takes one, so that a test can spoil one field at a time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

from lots.domain.characteristics.registry import DECLARED
from tests.journeys.supply import whites
from tests.kept_rows import made_once
from tests.shop import CONDITIONS, FULL_LIMITS, MEASURED, RECEIVED, RECIPE, SIMPLE_LIMITS, WHITE, Shop

_number = count(1)


def _furnish(shop: Shop) -> dict[str, Any]:
    """Creates one of everything in a shop and returns each answer of the API."""
    supplier, shade = shop.supplier(), shop.shade("HW")
    grade = shop.grade(shade_id=shade["id"], limits=SIMPLE_LIMITS)
    instrument = {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 30}
    # Every kind of reading may name it, so that each body has one.
    instrument["measures"] = list(DECLARED)
    made = {"supplier": supplier, "shade": shade, "grade": grade}
    made["instrument"] = shop.post("quality", "/instruments", instrument)
    return made | {"delivery": shop.good_lot(supplier, grade), "_series": [], "_untouched": {}}


class Furnished:
    """A shop with one of everything, and valid bodies for it."""

    def __init__(self, shop: Shop, known: dict[str, Any] | None = None) -> None:
        self.shop = shop
        vars(self).update(known or made_once(shop, "furnished", lambda: _furnish(shop)))
        self.lot_id: int = self.delivery["lot_id"]
        self.spool: str = self.delivery["spools"][0]["code"]

    def numbers(self) -> dict[str, Any]:
        """Known values of the shop, without the people."""
        return {name: known for name, known in vars(self).items() if name != "shop"}

    def fresh_lot(self, **more: Any) -> dict[str, Any]:
        """A delivery of a new lot."""
        return self.shop.receive(self.supplier, self.grade, f"F-{next(_number)}", **more)

    def untouched(self) -> dict[str, Any]:
        """A delivery without measurements, one spool of three drawn; the same until that spool has a substitute."""
        if self._untouched:
            sample = self.shop.get("quality", f"/lots/{self._untouched['lot_id']}/sample")["deliveries"][0]
        if not self._untouched or sample["substitutes"]:
            self._untouched = self.fresh_lot()
        return self._untouched

    def person(self) -> int:
        """A person with an unused token."""
        body = {"name": f"P{next(_number)}", "role": "production"}
        number: int = self.shop.post("admin", "/people", body)["id"]
        return number

    def substitute(self) -> dict[str, Any]:
        """A substitute for the drawn spool of the delivery from `untouched`."""
        drawn, other, _ = (spool["code"] for spool in self.untouched()["spools"])
        return {"drawn": drawn, "substitute": other, "reason": "damaged"}

    def more_drawn(self) -> None:
        """Draws a second spool of a lot whose limits require a spread."""
        limits = {"sampling": {"fixed": 1}, "color": {"spread_max": 0.5}}
        grade = self.shop.grade(f"G-{next(_number)}", limits, shade_id=self.shade["id"])
        delivery = self.shop.receive(self.supplier, grade, f"F-{next(_number)}")
        conditions = self.shop.get("quality", f"/shades/{self.shade['id']}/revisions")["items"][-1]["conditions"]
        self.shop.color(delivery["spools"][0]["code"], WHITE, conditions=conditions)

    def concession(self) -> int:
        """The number of a concession in force."""
        lot_id = self.fresh_lot()["lot_id"]
        return self.shop.post("quality", f"/lots/{lot_id}/concessions", _concession(self))["id"]

    def blocked_lot(self) -> int:
        """The number of a lot blocked by a manual decision."""
        lot_id: int = self.fresh_lot(spools=1)["lot_id"]
        self.shop.decide(lot_id, "block")
        return lot_id

    def action(self, *, answered: bool = False) -> int:
        """The number of a corrective action; once answered, with a conforming lot that closes it."""
        body = {"requested_action": "find out why", "conforming_lots": 1}
        number: int = self.shop.post("quality", f"/lots/{self.blocked_lot()}/corrective-actions", body)["id"]
        if answered:
            self.shop.post("quality", f"/corrective-actions/{number}/answer", _answer(self))
            came = (datetime.now(UTC) + timedelta(minutes=1)).isoformat()
            self.shop.good_lot(self.supplier, self.grade, f"F-{next(_number)}", spools=1, received_at=came)
        return number

    def letter(self) -> str:
        """The number of an unsent letter."""
        number: str = self.shop.post("quality", f"/lots/{self.blocked_lot()}/letters", _letter(self))["number"]
        return number

    def series(self) -> list[int]:
        """Numbers of nine lots for a baseline."""
        if not self._series:
            self._series = whites(self.supplier, self.grade, [0.1, 0.2, 0.1, 0.3, 0.2, 0.1, 0.3, 0.2, 0.4])
        return self._series

    def reading(self) -> int:
        """The number of a counted reading."""
        return self.shop.diameter(self.spool)["id"]

    def recipe(self) -> int:
        """The number of a test print."""
        return self.shop.post("quality", "/test-prints", {"code": f"BAR-{next(_number)}", "name": "Bar"})["id"]

    def doubt(self) -> int:
        """The number of a suspect build: its control specimen broke at half the force of nine earlier builds."""
        number = self.recipe()
        recipe = self.shop.post("quality", f"/test-prints/{number}/revisions", _recipe(self))["test_print"]
        code = self.fresh_lot(spools=1)["spools"][0]["code"]
        for build, stress in enumerate((29, 31, 30, 30, 29, 31, 30, 30, 15)):
            made = {"printer": "T1", "build": f"{recipe}-{build}", "test_print": recipe, "control": True}
            self.shop.measure("bond", {"spool_code": code, "stress_mpa": stress, "measured_at": MEASURED, **made})
        newest: int = self.shop.get("quality", "/build-doubts?in_force=true&limit=500")["items"][-1]["id"]
        return newest

    def undone(self) -> int:
        """The number of a failing reading voided by its author, which waits for quality."""
        far = {"spool_code": self.fresh_lot(spools=1)["spools"][0]["code"], "d1_mm": 1.83, "d2_mm": 1.83}
        number: int = self.shop.measure("diameter", far, role="receiving")["id"]
        self.shop.post("receiving", f"/readings/{number}/void", {"reason": "typed 1.83 for 1.75"})
        return number

    def ageing_lot(self) -> int:
        """The number of a lot of a grade with a shelf life."""
        code = f"A-{next(_number)}"
        grade = self.shop.grade(code, SIMPLE_LIMITS, shade_id=self.shade["id"], shelf_life_days=365)
        number: int = self.shop.receive(self.supplier, grade, code, spools=1)["lot_id"]
        return number

    def study(self) -> int:
        """The number of a valid study."""
        return self.shop.post("quality", f"/instruments/{self.instrument['id']}/studies", _study(self))["id"]

    def remeasurement(self) -> int:
        """The number of a valid session."""
        return self.shop.post("quality", f"/shades/{self.shade['id']}/remeasurements", _remeasurement(self))["id"]

    def far_off(self) -> int:
        """The number of a reading far from its neighbours, which waits for confirmation."""
        code = self.fresh_lot(spools=1)["spools"][0]["code"]
        rows = [{"spool_code": code, "d1_mm": d, "d2_mm": 1.75} for d in (1.748, 1.75, 1.478)]
        number: int = self.shop.measure("diameter", rows)["items"][-1]["id"]
        return number

    def strange(self, *, excluded: bool = False) -> int:
        """The number of an outlier among ten readings; counted or excluded."""
        code = self.fresh_lot(spools=1)["spools"][0]["code"]
        sizes = [1.75, 1.751, 1.749, 1.752, 1.75, 1.748, 1.751, 1.749, 1.75, 1.79]
        made = self.shop.measure("diameter", [{"spool_code": code, "d1_mm": d, "d2_mm": d} for d in sizes])
        number: int = made["items"][-1]["id"]
        if excluded:
            body = {"cause": "position", "reason": "at the crimped end"}
            self.shop.post("quality", f"/readings/{number}/exclude", body)
        return number

    def load(self) -> int:
        """The number of an open load."""
        return self.shop.load(self.free_spool())["id"]

    def containment(self) -> int:
        """The number of an open containment."""
        code = self.free_spool()
        lot_id = self.shop.load(code)["lot_id"]
        self.shop.decide(lot_id, "block")
        (entry,) = self.shop.get("quality", f"/containments?open=true&lot_id={lot_id}")["items"]
        return entry["id"]

    def webhook(self) -> int:
        """The number of a webhook with an unresolvable receiver."""
        number: int = self.shop.post("admin", "/webhooks", _webhook(self))["id"]
        return number

    def machine(self) -> int:
        """The number of a machine."""
        self.load()
        number: int = self.shop.get("production", "/machines")["items"][0]["id"]
        return number

    def free_spool(self) -> str:
        """The code of a spool that is clear to load."""
        delivery = self.shop.good_lot(self.supplier, self.grade, f"F-{next(_number)}", spools=1)
        return delivery["spools"][0]["code"]


def _measured(at: Furnished, **fields: Any) -> dict[str, Any]:
    common = {"spool_code": at.spool, "measured_at": MEASURED, "instrument_id": at.instrument["id"]}
    return {**common, "screening": False, "note": "by the window", **fields}


def _recipe(_: Furnished) -> dict[str, Any]:
    return {**RECIPE, "note": "beside the window"}


def _grade(at: Furnished) -> dict[str, Any]:
    return {
        "polymer": "PLA",
        "color_name": "Harbour White",
        "finish": "plain",
        "filler": "none",
        "nominal_diameter_mm": 1.75,
        "density_g_cm3": 1.24,
        "shade_id": at.shade["id"],
        "cautions": ["keep dry"],
        "brightened": True,
        "filler_kind": "mineral",
        "forbidden_uses": ["fit"],
        "permitted_uses": ["flexing"],
        "forbidden_shapes": ["thin_upright"],
        "reason": "its tabs snapped, its bars did not",
    }


def _limits(_: Furnished) -> dict[str, Any]:
    return {**FULL_LIMITS, "decision_rule": "guarded", "guard_z": 1.645, "note": "for the spring"}


def _revision(_: Furnished) -> dict[str, Any]:
    return {"lab": WHITE, "conditions": {**CONDITIONS, "backing": "white"}, "approved_by": "Wilhelmina", "note": "x"}


def _visual_trial(_: Furnished) -> dict[str, Any]:
    return {
        "judged_at": MEASURED,
        "conditions": {**CONDITIONS},
        "plaques": [
            {"code": "V1", "lab": [95.5, -0.8, 1.5], "accepted": 9, "judged": 12},
            {"code": "V2", "apart": [0.0, 0.5, 0.0], "judgements": [{"observer": "Ilse", "accepted": True}]},
        ],
        "share": 0.5,
        "confidence": 0.95,
        "within": 0.1,
        "note": "in the booth",
    }


def _reinspection(_: Furnished) -> dict[str, Any]:
    soon = datetime.now(UTC) + timedelta(days=10)
    return {"measure": ["diameter"], "use_by": soon.isoformat(), "reason": "kept dry"}


def _check(_: Furnished) -> dict[str, Any]:
    return {"checked_at": MEASURED, "result": "pass", "artefact": "pin 3", "readings": [1.75], "note": "fine"}


def _study(_: Furnished) -> dict[str, Any]:
    read = {"ann": (1.75, 1.752), "bo": (1.751, 1.749)}
    return {
        "kind": "repeatability",
        "measure": "diameter",
        "studied_at": MEASURED,
        "trials": [
            {"part": part, "operator": who, "value": value + more}
            for part, more in (("pin 1", 0.0), ("pin 2", 0.01))
            for who, values in read.items()
            for value in values
        ],
        "tolerance_width": 0.1,
        "note": "on a Friday",
    }


def _working_copy(at: Furnished) -> dict[str, Any]:
    return {
        "code": "W1",
        "master": [WHITE],
        "copy": [[95.0, -0.8, 1.7]],
        "conditions": {**CONDITIONS},
        "instrument_id": at.instrument["id"],
        "measured_at": MEASURED,
        "remeasure_every_days": 90,
        "note": "kept in the dark",
    }


def _remeasurement(at: Furnished) -> dict[str, Any]:
    tile = {"artefact": "tile", "code": "T-1", "readings": [[97.0, 0.0, 0.4]]}
    return {
        "measured_at": MEASURED,
        "instrument_id": at.instrument["id"],
        "conditions": {**CONDITIONS},
        "read": [tile, {"artefact": "master", "readings": [WHITE]}],
        "note": "before the audit",
    }


def _concession(_: Furnished) -> dict[str, Any]:
    soon = datetime.now(UTC) + timedelta(days=10)
    return {
        "uses": ["hidden"],
        "max_mass_g": 500,
        "valid_until": soon.isoformat(),
        "reason": "for brackets",
        "requested_by": "Wilhelmina",
        "finish_running": True,
    }


def _answer(_: Furnished) -> dict[str, Any]:
    now = datetime.now(UTC).isoformat()
    return {"cause": "worn die", "action": "new die", "answered_by": "Jory", "answered_at": now, "evidence": "record 7"}


def _letter(_: Furnished) -> dict[str, Any]:
    soon = (datetime.now(UTC) + timedelta(days=10)).isoformat()
    claimed = {"claim": "credit", "spools": 1, "mass_g": 500.0, "amount": 24.5, "currency": "EUR", "answer_by": soon}
    return {**claimed, "signed_by": "Isolde Marrow", "addressed_to": "Jory", "note": "kept apart"}


def _sent(_: Furnished) -> dict[str, Any]:
    return {"sent_at": datetime.now(UTC).isoformat(), "sent_to": "sales@ninebark.example", "note": "by post"}


def _request(_: Furnished) -> dict[str, Any]:
    soon = (datetime.now(UTC) + timedelta(days=10)).isoformat()
    return {"requested_action": "find out why", "due_at": soon, "conforming_lots": 2}


def _baseline(at: Furnished) -> dict[str, Any]:
    return {
        "supplier_id": at.supplier["id"],
        "grade_id": at.grade["id"],
        "lot_ids": at.series(),
        "excluded": [{"lot_id": at.series()[-1], "reason": "the die was changed"}],
        "given": {"color.component_a": {"mean": 0.0, "sigma": 0.1}},
        "reason": "a good year",
    }


def _certificate(at: Furnished) -> dict[str, Any]:
    """The supplier's own values of a delivery."""
    stated = {"measure": "diameter.mean", "value": 1.752, "standard_uncertainty": 0.002}
    return {"reference": "C-1", "issued_at": MEASURED, "values": [stated], "note": "by e-mail"}


def _delivery(at: Furnished) -> dict[str, Any]:
    return {
        "supplier_id": at.supplier["id"],
        "grade_id": at.grade["id"],
        "supplier_lot": f"D-{next(_number)}",
        "order_ref": "PO 7",
        "received_at": RECEIVED,
        "due_at": RECEIVED,
        "cost": 25.5,
        "currency": "EUR",
        "spools": [{"code": f"S-{next(_number)}", "net_mass_g": 1000}],
        "confirm_new_lot": False,
        "confirm_spool_count": False,
        "note": "dented box",
    }


def _correction(at: Furnished) -> dict[str, Any]:
    return {
        "reason": "as the packing slip says",
        "order_ref": "PO 8",
        "received_at": RECEIVED,
        "due_at": RECEIVED,
        "cost": 26.5,
        "currency": "EUR",
        "note": "no dent after all",
        "supplier_id": at.supplier["id"],
        "grade_id": at.grade["id"],
        "supplier_lot": f"D-{next(_number)}",
        "confirm_new_lot": True,
        "add": [{"code": f"S-{next(_number)}", "net_mass_g": 750}],
        "confirm_spool_count": True,
        "net_mass_g": 800,
    }


def _webhook(_: Furnished) -> dict[str, Any]:
    return {"url": f"https://receiver.invalid/{next(_number)}", "kinds": ["lot.blocked", "containment.opened"]}


# Path in the document -> (method, number or code in the path, body).
Case = tuple[str, Callable[[Furnished], Any], Callable[[Furnished], dict[str, Any]]]
CASES: dict[str, Case] = {
    "/v1/shop": (
        "PATCH",
        lambda at: "",
        lambda at: {
            "name": "N",
            "address": "A",
            "site": "https://lots.example.org",
            "time_zone": "UTC",
            "date_form": "YYYY-MM-DD",
            "decimal_sign": "point",
            "label_width_mm": 70,
            "label_height_mm": 36,
            "label_margin_mm": 2,
            "sheet_top_mm": 4.5,
            "sheet_left_mm": 0,
            "label_paper": "sheet",
            "usual_quarantine_days": 9,
            "bench_cost_per_h": 42.5,
            "bench_currency": "EUR",
            "minutes_per_reading": 3,
        },
    ),
    "/v1/people": ("POST", lambda at: "", lambda at: {"name": f"P{next(_number)}", "role": "quality", "days": 30}),
    "/v1/people/{number}/renew": ("POST", lambda at: at.person(), lambda at: {"days": 30}),
    "/v1/suppliers": (
        "POST",
        lambda at: "",
        lambda at: {"code": f"C{next(_number)}", "name": "N", "contact": "tel. 7"},
    ),
    "/v1/suppliers/{number}": ("PATCH", lambda at: at.supplier["id"], lambda at: {"name": "N", "contact": "tel. 8"}),
    "/v1/shades": (
        "POST",
        lambda at: "",
        lambda at: {"code": f"C{next(_number)}", "name": "N", "remeasure_every_days": 180},
    ),
    "/v1/shades/{number}": (
        "PATCH",
        lambda at: at.shade["id"],
        lambda at: {"name": "N", "remeasure_every_days": 180},
    ),
    "/v1/test-prints": ("POST", lambda at: "", lambda at: {"code": f"C{next(_number)}", "name": "N"}),
    "/v1/test-prints/{number}/revisions": ("POST", lambda at: at.recipe(), _recipe),
    "/v1/build-doubts/{number}/lift": ("POST", lambda at: at.doubt(), lambda at: {"reason": "the bar had a void"}),
    "/v1/shades/{number}/working-copies": ("POST", lambda at: at.shade["id"], _working_copy),
    "/v1/shades/{number}/remeasurements": ("POST", lambda at: at.shade["id"], _remeasurement),
    "/v1/remeasurements/{number}/void": ("POST", lambda at: at.remeasurement(), lambda at: {"reason": "dusty tile"}),
    "/v1/shades/{number}/revisions": ("POST", lambda at: at.shade["id"], _revision),
    "/v1/grades": ("POST", lambda at: "", lambda at: {"code": f"C{next(_number)}", **_grade(at)}),
    "/v1/grades/{number}": ("PATCH", lambda at: at.grade["id"], _grade),
    "/v1/grades/{number}/limits": ("POST", lambda at: at.grade["id"], _limits),
    "/v1/grades/{number}/visual-trials": ("POST", lambda at: at.grade["id"], _visual_trial),
    "/v1/instruments": (
        "POST",
        lambda at: "",
        lambda at: {
            "code": f"C{next(_number)}",
            "kind": "k",
            "standard_uncertainty": 0.01,
            "resolution": 0.001,
            "check_interval_days": 9,
            "measures": ["gloss"],
        },
    ),
    "/v1/instruments/{number}": (
        "PATCH",
        lambda at: at.instrument["id"],
        lambda at: {"measures": [*reversed(DECLARED)], "check_interval_days": 60},
    ),
    "/v1/instruments/{number}/studies": ("POST", lambda at: at.instrument["id"], _study),
    "/v1/studies/{number}/void": ("POST", lambda at: at.study(), lambda at: {"reason": "the pins were mixed up"}),
    "/v1/instruments/{number}/checks": ("POST", lambda at: at.instrument["id"], _check),
    "/v1/deliveries": ("POST", lambda at: "", _delivery),
    "/v1/deliveries/{number}": ("PATCH", lambda at: at.fresh_lot()["id"], _correction),
    "/v1/deliveries/{number}/close": (
        "POST",
        lambda at: at.fresh_lot()["id"],
        lambda at: {"reason": "it is of another lot"},
    ),
    "/v1/diameter-readings": ("POST", lambda at: "", lambda at: _measured(at, d1_mm=1.75, d2_mm=1.75, position_m=3)),
    "/v1/color-readings": (
        "POST",
        lambda at: "",
        lambda at: _measured(at, lab=WHITE, conditions={**CONDITIONS}, plaque="A1"),
    ),
    "/v1/shrink-tests": (
        "POST",
        lambda at: "",
        lambda at: _measured(
            at,
            axis="x",
            feature="outside",
            designed_mm=100,
            measured_mm=99.7,
            age_h=24,
            printer="P1",
        ),
    ),
    "/v1/bond-tests": (
        "POST",
        lambda at: "",
        lambda at: _measured(at, break_force_n=900, area_mm2=40, control=False, printer="P1"),
    ),
    "/v1/surface-checks": ("POST", lambda at: "", lambda at: _measured(at, specks=1, area_dm2=2)),
    "/v1/moisture-readings": (
        "POST",
        lambda at: "",
        lambda at: _measured(at, moisture_percent=0.02, method="loss on drying"),
    ),
    "/v1/gloss-readings": ("POST", lambda at: "", lambda at: _measured(at, geometry_deg=60, gloss_gu=40.0)),
    "/v1/stringing-checks": ("POST", lambda at: "", lambda at: _measured(at, hairs=1, gaps=20)),
    "/v1/opacity-readings": (
        "POST",
        lambda at: "",
        lambda at: _measured(at, over_black=[94.95, -0.8, 1.5], over_white=WHITE),
    ),
    "/v1/readings/{number}/void": (
        "POST",
        lambda at: at.reading(),
        lambda at: {"reason": "r", "replaced_by": at.reading()},
    ),
    "/v1/readings/{number}/confirm": ("POST", lambda at: at.far_off(), lambda at: {"reason": "measured twice"}),
    "/v1/readings/{number}/void/agree": ("POST", lambda at: at.undone(), lambda at: {"reason": "a slip of typing"}),
    "/v1/lots/{number}/reinspections": ("POST", lambda at: at.ageing_lot(), _reinspection),
    "/v1/readings/{number}/exclude": (
        "POST",
        lambda at: at.strange(),
        lambda at: {"cause": "instrument", "reason": "the jaw was dirty"},
    ),
    "/v1/readings/{number}/include": (
        "POST",
        lambda at: at.strange(excluded=True),
        lambda at: {"reason": "the jaw was clean"},
    ),
    "/v1/deliveries/{number}/substitutes": (
        "POST",
        lambda at: at.untouched()["id"],
        lambda at: at.substitute(),
    ),
    "/v1/lots/{number}/decisions": (
        "POST",
        lambda at: at.fresh_lot()["lot_id"],
        lambda at: {"action": "hold", "reason": "seen on parts"},
    ),
    "/v1/spools": (
        "POST",
        lambda at: "",
        lambda at: {"parents": [{"spool_code": at.free_spool(), "mass_g": 5.0}], "code": f"MIX-{next(_number)}"},
    ),
    "/v1/spools/{code}/dryings": (
        "POST",
        lambda at: at.spool,
        lambda at: {"temperature_c": 45, "hours": 6, "ended_at": MEASURED},
    ),
    "/v1/spools/{code}/events": ("POST", lambda at: at.spool, lambda at: {"event": "dried", "at": MEASURED}),
    "/v1/containments/{number}/close": ("POST", lambda at: at.containment(), lambda at: {"note": "parts set aside"}),
    "/v1/picks": (
        "POST",
        lambda at: "",
        lambda at: {
            "grade_id": at.grade["id"],
            "use": "general",
            "mass_g": 100.0,
            "match_max": 1.0,
            "waste_percent": 5.0,
        },
    ),
    "/v1/tab-checks": (
        "POST",
        lambda at: "",
        lambda at: {
            "lot_id": at.lot_id,
            "width_mm": 10.0,
            "thickness_mm": 2.0,
            "lever_mm": 20.0,
            "load_n": 5.0,
            "layers": "across",
            "reserve": 2.0,
        },
    ),
    "/v1/loads": (
        "POST",
        lambda at: "",
        lambda at: {
            "spool_code": at.free_spool(),
            "machine": "P1",
            "job": "J",
            "use": "hidden",
            "loaded_at": MEASURED,
            "confirm_new_job": False,
            "confirm_new_machine": False,
        },
    ),
    "/v1/machines/{number}": ("PATCH", lambda at: at.machine(), lambda at: {"slots": 4}),
    "/v1/loads/{number}/unload": ("POST", lambda at: at.load(), lambda at: {"remaining_mass_g": 500.0}),
    "/v1/lots/{number}/concessions": ("POST", lambda at: at.fresh_lot()["lot_id"], _concession),
    "/v1/concessions/{number}/withdraw": ("POST", lambda at: at.concession(), lambda at: {"reason": "no longer"}),
    "/v1/deliveries/{number}/certificate": ("POST", lambda at: at.delivery["id"], _certificate),
    "/v1/lots/{number}/corrective-actions": ("POST", lambda at: at.blocked_lot(), _request),
    "/v1/lots/{number}/letters": ("POST", lambda at: at.blocked_lot(), _letter),
    "/v1/letters/{number}/sent": ("POST", lambda at: at.letter(), _sent),
    "/v1/corrective-actions/{number}/answer": ("POST", lambda at: at.action(), _answer),
    "/v1/corrective-actions/{number}/close": ("POST", lambda at: at.action(answered=True), lambda at: {"note": "held"}),
    "/v1/inspection-severity": (
        "POST",
        lambda at: "",
        lambda at: {"supplier_id": at.supplier["id"], "grade_id": at.grade["id"], "reason": "they changed the line"},
    ),
    "/v1/baselines": ("POST", lambda at: "", _baseline),
    "/v1/webhooks": ("POST", lambda at: "", _webhook),
    "/v1/webhooks/{number}/replay": ("POST", lambda at: at.webhook(), lambda at: {"after": "0.0"}),
    "/v1/color-differences": (
        "POST",
        lambda at: "",
        lambda at: {
            "pairs": [{"reference": WHITE, "sample": WHITE}],
            "formula": "CIEDE2000",
            "weights": [1, 1, 1],
        },
    ),
}
