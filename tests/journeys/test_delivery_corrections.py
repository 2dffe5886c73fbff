"""Corrections of a delivery: by the clerk, then by quality, then by closing and logging it again."""

from datetime import UTC, datetime, timedelta

import pytest

from lots.services.assessment import integrity_checks
from tests.shop import RECEIVED, SIMPLE_LIMITS
from tests.store.rows import connected, counts

REASON = "as the packing slip says"


@pytest.fixture
def clerk(shop):
    """A clerk of a shop with a supplier and two grades."""
    return Clerk(shop)


class Clerk:
    """Logs, corrects and closes deliveries of one supplier."""

    def __init__(self, shop):
        self.shop, self.supplier = shop, shop.supplier()
        self.grade, self.black = shop.grade(limits=SIMPLE_LIMITS), shop.grade("PLA-BK-175", limits=SIMPLE_LIMITS)

    def log(self, lot="L-0071", count=8, status=201, **more):
        """A delivery of so many spools of 1 kg."""
        body = {"supplier_id": self.supplier["id"], "grade_id": self.grade["id"], "supplier_lot": lot}
        body |= {"received_at": RECEIVED, "spool_count": count, "net_mass_g": 1000, **more}
        return self.shop.post("receiving", "/deliveries", body, status)

    def show(self, number):
        """A delivery in its present form."""
        return self.shop.get("receiving", f"/deliveries/{number}")

    def correct(self, number, body, role="receiving", status=200):
        """The answer to a correction with the newest ETag."""
        path = f"/deliveries/{number}"
        etag = self.shop.call(role, "GET", path).headers["ETag"]
        answer = self.shop.call(role, "PATCH", path, body, If_Match=etag)
        assert status == answer.status_code, answer.get_data(as_text=True)
        return answer.get_json()

    def close(self, number, reason="it is lot L-0072", status=200):
        """Quality closes a delivery."""
        return self.shop.post("quality", f"/deliveries/{number}/close", {"reason": reason}, status)


def came(delivery):
    """Codes of spools that were not withdrawn, with their masses."""
    return {one["code"]: one["net_mass_g"] for one in delivery["spools"] if one["withdrawn_at"] is None}


def pointers(refused):
    """The pointers of a refusal."""
    return [error["pointer"] for error in refused["errors"]]


def sound():
    """Asserts that lots check finds no fault."""
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_80_spools_were_8(clerk):
    """Of 80 logged spools 72 are withdrawn; the sample is the next in the order of the seed, and the logged count is kept."""
    logged = clerk.log(count=80)
    corrected = clerk.correct(logged["id"], {"spool_count": 8})
    assert [f"L1-S00{number}" for number in range(1, 9)] == list(came(corrected))
    assert set(corrected["sample"]["spool_codes"]) <= set(came(corrected))
    assert logged["sample"]["seed"] == corrected["sample"]["seed"]
    (correction,) = corrected["corrections"]
    changes = {change["field"]: (change["before"], change["after"]) for change in correction["changes"]}
    assert (80, 8) == changes["spool_count"]
    assert 72 == len(changes["withdrawn"][0])
    assert logged["sample"] == changes.get("sample", (logged["sample"],))[0]
    assert (None, "receiving person", False) == tuple(correction[k] for k in ("reason", "recorded_by", "closes"))
    assert 8 == len(clerk.shop.get("receiving", f"/deliveries/{logged['id']}/labels")["labels"])
    sound()


def test_everything_that_is_said_of_the_receipt_can_be_corrected(clerk):
    """Order, dates, cost and note can be corrected and emptied; each changes the ETag, and the list shows present values."""
    number = clerk.log()["id"]
    body = {"order_ref": "PO 8", "due_at": RECEIVED, "cost": 120.0, "currency": "EUR", "note": "dented"}
    body["received_at"] = "2026-11-19T08:00:00Z"
    corrected = clerk.correct(number, body)
    assert body == {name: corrected[name] for name in body}
    assert (2, "2026-11-19T08:00:00Z") == (corrected["version"], corrected["lot"]["received_at"])
    found = clerk.shop.get("receiving", "/deliveries?received_to=2026-11-19T09:00:00Z")["items"]
    assert [("PO 8", 120.0)] == [(one["order_ref"], one["cost"]) for one in found]
    emptied = clerk.correct(number, {"order_ref": None, "cost": None, "currency": None})
    assert (None, None, None, "dented") == tuple(emptied[k] for k in ("order_ref", "cost", "currency", "note"))
    assert 3 == emptied["version"]
    same = clerk.correct(number, {"note": "dented"})
    assert (3, 2) == (same["version"], len(same["corrections"]))
    sound()


def test_a_spool_weighs_less_and_two_more_were_in_the_box(clerk):
    """Masses are corrected by code; further spools get codes and the mass common to the others."""
    number = clerk.log(count=3)["id"]
    corrected = clerk.correct(number, {"spool_count": 5})
    assert {"L1-S001": 1000, "L1-S002": 1000, "L1-S003": 1000, "L1-S004": 1000, "L1-S005": 1000} == came(corrected)
    corrected = clerk.correct(number, {"spools": [{"code": "L1-S003", "net_mass_g": 750}]})
    assert 750 == came(corrected)["L1-S003"]
    assert 750 == clerk.shop.get("production", "/spools/L1-S003")["remaining_mass_g"]
    corrected = clerk.correct(number, {"withdraw": ["L1-S001"], "add": [{"code": "WB-1", "net_mass_g": 500}]})
    assert {"L1-S002", "L1-S003", "L1-S004", "L1-S005", "WB-1"} == set(came(corrected))
    asked = clerk.correct(number, {"spool_count": 6}, status=422)
    assert ["/net_mass_g"] == pointers(asked)
    assert 2000 == sum(came(clerk.correct(number, {"net_mass_g": 400})).values())
    sound()


def test_every_fault_is_told_at_once(clerk):
    """An unknown spool, a mass in kilograms, a cost without currency and a future time are reported together."""
    number = clerk.log(count=2)["id"]
    soon = (datetime.now(UTC) + timedelta(days=2)).isoformat()
    body = {"withdraw": ["X"], "spools": [{"code": "L1-S001", "net_mass_g": 0.75}], "cost": 5, "received_at": soon}
    refused = clerk.correct(number, body, status=422)
    assert {"/withdraw/0", "/spools/0/net_mass_g", "/currency", "/received_at"} == set(pointers(refused))
    assert ["/spool_count"] == pointers(clerk.correct(number, {"spool_count": 3, "withdraw": ["L1-S001"]}, status=422))
    gone = clerk.correct(number, {"withdraw": ["L1-S001", "L1-S002"]}, status=422)
    assert "close the delivery" in gone["errors"][0]["hint"]
    assert [] == clerk.show(number)["corrections"]


def test_after_the_first_reading_it_is_quality_that_corrects_with_a_reason(clerk):
    """After the first reading, voided ones included, only quality corrects, with a reason; readings stay."""
    logged = clerk.log(count=8)
    number, drawn = logged["id"], logged["sample"]["spool_codes"][0]
    clerk.shop.post("quality", f"/readings/{clerk.shop.diameter(drawn)['id']}/void", {"reason": "wrong spool"})
    refused = clerk.correct(number, {"order_ref": "PO 9"}, status=409)
    assert "Ask quality to correct it, with a reason." in refused["detail"]
    assert ["/reason"] == pointers(clerk.correct(number, {"order_ref": "PO 9"}, "quality", 422))
    corrected = clerk.correct(number, {"order_ref": "PO 9", "reason": REASON}, "quality")
    assert ("PO 9", REASON) == (corrected["order_ref"], corrected["corrections"][0]["reason"])
    clerk.shop.diameter(drawn)
    for body, pointer in (
        ({"withdraw": [drawn]}, "/withdraw/0"),
        ({"spools": [{"code": drawn, "net_mass_g": 750}]}, "/spools/0/net_mass_g"),
        ({"net_mass_g": 750}, "/net_mass_g"),
    ):
        assert [pointer] == pointers(clerk.correct(number, {**body, "reason": REASON}, "quality", 422))
    corrected = clerk.correct(number, {"spool_count": 3, "reason": REASON}, "quality")
    assert drawn in came(corrected)
    assert [drawn] == corrected["sample"]["spool_codes"]
    sound()


def test_supplier_grade_and_number_are_corrected_before_any_reading_only(clerk):
    """Before any reading supplier, grade and number can be corrected, with the limits of the new grade."""
    number = clerk.log("L-OO71")["id"]
    corrected = clerk.correct(number, {"supplier_lot": "L-0071", "grade_code": "PLA-BK-175"})
    assert ("L-0071", clerk.black["id"]) == (corrected["lot"]["supplier_lot"], corrected["grade_id"])
    assert ["L-0071"] == [lot["supplier_lot"] for lot in clerk.shop.get("receiving", "/lots")["items"]]
    clerk.shop.diameter(corrected["sample"]["spool_codes"][0])
    refused = clerk.correct(number, {"supplier_lot": "L-9", "reason": REASON}, "quality", 409)
    assert "close this delivery with a reason, and log it again" in refused["detail"]
    sound()


def test_a_lot_is_not_renamed_into_another_or_under_another_delivery(clerk):
    """A used number, or a lot of two deliveries, must be closed by quality; a similar number is questioned."""
    first, second = clerk.log("L-0071"), clerk.log("K-1")
    refused = clerk.correct(second["id"], {"supplier_lot": "L-0071"}, status=409)
    assert (first["lot_id"], True) == (refused["existing_id"], "Ask quality to close" in refused["detail"])
    asked = clerk.correct(second["id"], {"supplier_lot": "L-OO71"}, status=409)
    assert [first["lot_id"]] == [one["id"] for one in asked["candidates"]]
    assert "It differs only in O and 0." in asked["detail"]
    kept = clerk.correct(second["id"], {"supplier_lot": "L-OO71", "confirm_new_lot": True})
    assert "L-OO71" == kept["lot"]["supplier_lot"]
    clerk.log("L-0071")
    assert (
        "has other deliveries, decisions or requests"
        in clerk.correct(first["id"], {"supplier_lot": "L-5"}, status=409)["detail"]
    )


def test_a_stale_correction_is_refused(clerk):
    """A correction with a stale ETag is refused."""
    number = clerk.log()["id"]
    old = clerk.shop.call("receiving", "GET", f"/deliveries/{number}").headers["ETag"]
    clerk.correct(number, {"note": "dented"})
    answer = clerk.shop.call("receiving", "PATCH", f"/deliveries/{number}", {"note": "x"}, If_Match=old)
    assert (412, "dented") == (answer.status_code, clerk.show(number)["note"])
    assert 428 == clerk.shop.call("receiving", "PATCH", f"/deliveries/{number}", {"note": "x"}).status_code


def test_withdrawn_spools_count_for_nothing(clerk):
    """Withdrawn spools cannot be measured, opened, respooled, loaded or labelled, and are in no stock."""
    shop = clerk.shop
    lot = shop.good_lot(clerk.supplier, clerk.grade, "L-0071", spools=3)
    gone = next(one["code"] for one in lot["spools"] if one["code"] not in lot["sample"]["spool_codes"])
    clerk.correct(lot["id"], {"withdraw": [gone], "reason": REASON}, "quality")
    assert ["/spool_code"] == pointers(
        shop.measure("diameter", {"spool_code": gone, "d1_mm": 1.75, "d2_mm": 1.75}, 422)
    )
    shop.post("production", f"/spools/{gone}/events", {"event": "opened"}, 409)
    shop.post("production", "/spools", {"parents": [{"spool_code": gone, "mass_g": 5}]}, 422)
    shop.load(gone, status=409)
    clear = shop.ask_clearance(gone)
    assert [f"Spool {gone} was withdrawn when its delivery was corrected. Take it to quality."] == clear["reasons"]
    assert gone not in {one["spool_code"] for one in clear["others"]}
    picture = shop.client.get(
        f"/v1/spools/{gone}/label",
        headers={"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": "image/svg+xml"},
    )
    assert 409 == picture.status_code
    assert 2 == shop.get("quality", f"/lots/{lot['lot_id']}/record")["deliveries"][0]["spools"]
    sound()


def test_an_undrawn_spool_less_leaves_the_sample_and_a_plan_asks_for_fewer(clerk):
    """Under a plan 80 spools need 13; of 8 it needs 2, taken from the 13 as far as present."""
    plan = {**SIMPLE_LIMITS, "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 1.0}}
    clerk.shop.post("quality", f"/grades/{clerk.grade['id']}/limits", plan)
    logged = clerk.log(count=80)
    drawn = set(logged["sample"]["spool_codes"])
    undrawn = sorted(set(came(logged)) - drawn)
    corrected = clerk.correct(logged["id"], {"withdraw": undrawn[:1]})
    assert drawn == set(corrected["sample"]["spool_codes"])
    keep = {*sorted(drawn)[:2], *undrawn[1:7]}
    corrected = clerk.correct(logged["id"], {"withdraw": sorted(set(came(corrected)) - keep)})
    assert corrected["sample"]["size"] < len(drawn)
    still = drawn & keep
    new = set(corrected["sample"]["spool_codes"])
    assert new <= still or still <= new
    sound()


def test_as_of_knows_what_was_known_then(clerk):
    """Before the correction the sample of 80 applies, and afterwards that of 8."""
    limits = {**SIMPLE_LIMITS, "sampling": {"fixed": 9}}
    clerk.shop.post("quality", f"/grades/{clerk.grade['id']}/limits", limits)
    number = clerk.log(count=80)["id"]
    before = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    lot_id = clerk.correct(number, {"spool_count": 8})["lot_id"]
    then = clerk.shop.get("quality", f"/lots/{lot_id}/assessment?as_of={before}")
    now = clerk.shop.get("quality", f"/lots/{lot_id}/assessment")
    assert any("on 9 spools" in part for part in _wanted(then))
    assert any("on 8 spools" in part for part in _wanted(now))


def _wanted(assessment):
    return [finding["to_measure"] or "" for finding in assessment["findings"]]


def test_what_was_paid_and_when_it_was_due_is_compared_as_corrected(clerk):
    """Comparisons use the corrected cost and due date."""
    shop = clerk.shop
    lot = shop.good_lot(
        clerk.supplier, clerk.grade, "L-0071", spools=2, cost=400.0, currency="EUR", due_at="2026-11-19T08:00:00Z"
    )
    body = {"cost": 40.0, "due_at": "2026-11-21T08:00:00Z", "reason": REASON}
    clerk.correct(lot["id"], body, "quality")
    (row,) = shop.get("purchasing", f"/supplier-comparison?grade_id={clerk.grade['id']}")["suppliers"]
    assert (20.0, 0) == (row["cost"]["per_accepted_kg"], row["late"]["late"])


def test_a_measured_delivery_of_the_wrong_lot_is_closed_and_logged_anew(clerk):
    """A measured delivery of the wrong lot is closed: its spools are withdrawn, and the right number is accepted without a question."""
    shop = clerk.shop
    lot = shop.good_lot(clerk.supplier, clerk.grade, "L-OO71", spools=3)
    code = lot["spools"][0]["code"]
    load = shop.load(code, job="J-7")
    assert "Unload them first" in clerk.close(lot["id"], status=409)["detail"]
    shop.post("production", f"/loads/{load['id']}/unload", {"remaining_mass_g": 900})
    closed = clerk.close(lot["id"], "it is lot L-0071")
    assert ("quarantined", True, "it is lot L-0071") == (
        closed["lot"]["standing"],
        closed["lot"]["closed"],
        closed["closed"],
    )
    assert {} == came(closed)
    assert "J-7" in closed["says"]
    assert ["log the filament again, because every delivery of this lot is closed"] == closed["lot"]["to_measure"]
    assert {"missing"} == set(closed["lot"]["uses"].values())
    assert [load["id"]] == [one["load_id"] for one in shop.get("quality", "/containments?open=true")["items"]]
    shop.load(code, status=409)
    clerk.correct(lot["id"], {"note": "x", "reason": REASON}, "quality", 409)
    clerk.close(lot["id"], status=409)
    assert 409 == shop.call("receiving", "GET", f"/deliveries/{lot['id']}/labels").status_code
    again = clerk.log("L-0071", 3)
    assert again["new_lot"]
    assert closed["lot_id"] != again["lot_id"]
    shown = shop.get("quality", f"/lots/{closed['lot_id']}/record")
    assert ["its spool was withdrawn"] == sorted({one["why_not"] for one in shown["readings"]})
    comparison = shop.get("purchasing", f"/supplier-comparison?grade_id={clerk.grade['id']}")["suppliers"]
    assert [1] == [row["lots"] for row in comparison]
    sound()


def test_a_closed_lot_stays_closed_whatever_is_decided(clerk):
    """A lot with closed deliveries is never released, after any decision or concession."""
    shop = clerk.shop
    lot = shop.good_lot(clerk.supplier, clerk.grade, "L-1")
    clerk.close(lot["id"])
    shop.post("quality", f"/lots/{lot['lot_id']}/reassess")
    assert "quarantined" == shop.lot(lot["lot_id"])["standing"]
    shop.decide(lot["lot_id"], "block")
    shop.decide(lot["lot_id"], "lift")
    assert "quarantined" == shop.lot(lot["lot_id"])["standing"]
    assert not shop.ask_clearance(lot["spools"][0]["code"])["clear"]
    sound()


def test_one_delivery_of_two_is_closed(clerk):
    """With one of two deliveries closed, only readings of the other count."""
    shop = clerk.shop
    good = shop.good_lot(clerk.supplier, clerk.grade, "L-1", spools=2)
    wrong = clerk.log("L-1", 2)
    shop.diameter(wrong["sample"]["spool_codes"][0], 1.9)
    assert "blocked" == shop.lot(good["lot_id"])["standing"]
    before = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    assert "released" == clerk.close(wrong["id"])["lot"]["standing"]
    assert not shop.ask_clearance(wrong["spools"][0]["code"])["clear"]
    assert shop.ask_clearance(good["spools"][0]["code"])["clear"]
    then = shop.get("quality", f"/lots/{good['lot_id']}/assessment?as_of={before}")
    assert "blocked" == then["standing"]
    sound()


def test_what_was_wound_from_a_closed_delivery_is_withdrawn_with_it(clerk):
    """A spool respooled from a closed delivery is withdrawn with it."""
    shop = clerk.shop
    good = shop.good_lot(clerk.supplier, clerk.grade, "L-1", spools=1)
    wrong = shop.good_lot(clerk.supplier, clerk.grade, "L-2", spools=1)
    parents = [(good, 300), (wrong, 100)]
    body = {"parents": [{"spool_code": one["spools"][0]["code"], "mass_g": mass} for one, mass in parents]}
    wound = shop.post("production", "/spools", body)
    last = shop.post("production", "/spools", {"parents": [{"spool_code": wound["code"], "mass_g": 50}]})
    clerk.close(wrong["id"])
    for code in (wound["code"], last["code"]):
        assert not shop.ask_clearance(code)["clear"]
        assert shop.get("production", f"/spools/{code}")["withdrawn_at"]
    assert shop.ask_clearance(good["spools"][0]["code"])["clear"]
    told = [e["lot_id"] for e in shop.get("quality", "/events?what=delivery%20closed")["items"]]
    assert [wrong["lot_id"], good["lot_id"]] == told
    sound()


def test_800_for_8_spools_is_asked_about(clerk):
    """A count over 200, or over ten times the usual, needs a confirmation before anything is stored."""
    before = counts()
    asked = clerk.log("L-1", 800, 409)
    assert ("/problems/unusual-count", []) == (asked["type"], asked["candidates"])
    assert "confirm_spool_count" == asked["errors"][0]["confirm"]
    assert before == counts()
    for number in range(3):
        clerk.log(f"K-{number}", 8)
    clerk.log("L-2", 80)
    assert (
        "81 spools are more than 10 times the usual number from this supplier (8)."
        == clerk.log("L-3", 81, 409)["detail"]
    )
    assert 81 == len(clerk.log("L-3", 81, confirm_spool_count=True)["spools"])
    number = clerk.log("L-4", 8)["id"]
    assert "usual" in clerk.correct(number, {"spool_count": 90}, status=409)["detail"]
    assert 90 == len(came(clerk.correct(number, {"spool_count": 90, "confirm_spool_count": True})))
    both = clerk.log("L-OO4", 800, 409)
    assert (["/supplier_lot", "/spool_count"], "L-4") == (pointers(both), both["candidates"][0]["supplier_lot"])


@pytest.mark.parametrize(
    ("known", "typed", "slip"),
    [
        ("L-0071", "L-OO71", "O and 0"),
        ("L-71", "L-7I", "l, I and 1"),
        ("L-0071", "L-71", "zeros that begin a number"),
        ("AB-71", "\u0410\u0412 71", "separators"),
    ],
)
def test_is_it_this_lot(clerk, known, typed, slip):
    """O for 0, I for 1, a missing zero or foreign letters lead to the question with the known lot and the difference."""
    lot_id = clerk.log(known)["lot_id"]
    asked = clerk.log(typed, status=409)
    assert [lot_id] == [one["id"] for one in asked["candidates"]]
    assert f'"{known}"' in asked["detail"]
    assert f"It differs only in {slip}." in asked["detail"]
    assert clerk.log(typed, confirm_new_lot=True)["new_lot"]


def test_neighbouring_numbers_are_not_asked_about(clerk):
    """L-10, L-100 and L-1000 are three lots without a question."""
    assert [True] * 3 == [clerk.log(number)["new_lot"] for number in ("L-100", "L-10", "L-1000")]
