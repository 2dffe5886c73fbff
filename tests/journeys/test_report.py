"""The report for a supplier: limits, findings and evidence. Expected numbers are computed by hand.

1.645 is the one-sided factor for 95 % (JCGM 106:2012; ISO 14253-1), k = 2 that of JCGM 100:2008, 6.3.3.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from tests.api.test_queries import asked
from tests.reported import NAME, YELLOW, bad_lot, fetch, path_of, report
from tests.shop import CONDITIONS, MEASURED, WHITE
from tests.tolerances import SAME_SUM


@pytest.fixture
def bad(shop):
    """The shop with a lot that fails in colour and diameter, one of its readings voided."""
    return bad_lot(shop)


def test_the_report_says_what_was_asked_and_who_it_concerns(bad):
    """The report has supplier, grade, lot number, deliveries, revision, rule, limits, and the reference with its conditions."""
    said = report(bad)
    assert ("NBK", "Supplier NBK", "Jory, sales@ninebark.example") == tuple(
        said["supplier"][name] for name in ("code", "name", "contact")
    )
    assert (NAME, "blocked", None) == tuple(said["lot"][name] for name in ("supplier_lot", "standing", "by_hand"))
    (delivery,) = said["deliveries"]
    assert ("PO-7", 3, 3.0, "dented <box>") == tuple(
        delivery[name] for name in ("order_ref", "spools", "net_mass_kg", "note")
    )
    asked_for = said["asked"]
    assert 1 == asked_for["limits_revision"]
    assert "JCGM 106:2012, 8.2" in asked_for["decision_rule"]
    assert "1.645 standard uncertainties" in asked_for["decision_rule"]
    assert {
        "color.lot_delta_e": "at most 1",
        "color.spool_delta_e": "at most 1.3",
        "color.component_b": "-0.8 to 0.8",
        "diameter.reading": "1.7 to 1.8 mm",
    } == {limit["code"]: limit["says"] for limit in asked_for["limits"]}
    assert {"ΔE00", "Δb*", ""} == {limit["quantity"] for limit in asked_for["limits"]}
    assert ("CIEDE2000 with kL 1, kC 1, kH 1" in asked_for["terms"][0], WHITE, CONDITIONS) == (
        True,
        asked_for["shade"]["lab"],
        asked_for["shade"]["conditions"],
    )
    assert "Wilhelmina" not in fetch(bad, "application/json").get_data(as_text=True)


def test_its_number_is_that_of_the_lot_and_of_the_decision_in_force(bad):
    """Its number contains the lot and the newest decision."""
    newest = bad.get("quality", f"/lots/{bad.lot_id}/decisions")["items"][-1]["id"]
    assert f"NR-{bad.lot_id}-{newest}" == report(bad)["number"]
    bad.decide(bad.lot_id, "return", "goes back")
    assert f"NR-{bad.lot_id}-{newest + 1}" == report(bad)["number"]


def test_each_failing_finding_has_what_a_claim_rests_on(bad):
    """1.82 mm is 0.02 outside; u = 0.002, U = 0.004, guard band 1.645 u = 0.0033 (by hand).

    The worse of two is proved beyond 1.95 u (Sidak 1967). The colour has no uncertainty, so proof is unknown.
    """
    found = {row["code"]: row for row in report(bad)["found"]["failing"]}
    assert {"diameter.reading", "color.lot_delta_e", "color.spool_delta_e", "color.component_b"} == set(found)
    diameter = found["diameter.reading"]
    assert [0.02, 0.002, 0.004, 1.645 * 0.002] == pytest.approx(
        [diameter[name] for name in ("outside_by", "standard_uncertainty", "expanded_uncertainty", "guard_band")],
        abs=SAME_SUM,
    )
    assert (True, True, None) == (diameter["claimable"], diameter["required"], diameter["direction"])
    assert "Proved: outside by more than the guard band of 0.0039 (ISO 14253-1)" in diameter["claim_says"]
    color = found["color.spool_delta_e"]
    assert (None, None, None) == tuple(
        color[name] for name in ("claimable", "standard_uncertainty", "expanded_uncertainty")
    )
    assert "Not proved. The uncertainty of the value is not known." == color["claim_says"]
    assert "Against the reference: yellower (dL* +0.00, da* +0.00, db* +3.00)." == color["direction"]
    for row in found.values():
        assert row["message"] == bad.finding(bad.lot_id, row["code"])["message"]


def test_nonconforming_spools_are_named_and_the_other_findings_kept_short(bad):
    """Both spools are named for shade, the second also for diameter; ovality passes in short form."""
    said = report(bad)["found"]
    assert {
        bad.codes[0]: ["color.spool_delta_e"],
        bad.codes[1]: ["color.spool_delta_e", "diameter.reading"],
        bad.codes[2]: ["color.spool_delta_e"],
    } == {spool["spool_code"]: [row["code"] for row in spool["findings"]] for spool in said["nonconforming_spools"]}
    assert [("diameter.ovality", "pass")] == [(row["code"], row["verdict"]) for row in said["others"]]


def test_readings_are_listed_with_the_voided_one_and_its_reason(bad):
    """All readings of failing kinds are listed by spool, uncounted ones with the reason, voided ones included."""
    rows = report(bad)["readings"]
    assert ["color"] * 3 + ["diameter"] * 4 == [row["kind"] for row in rows]
    (voided,) = [row for row in rows if not row["counts"]]
    assert (bad.slip, "the <jaw> was dirty", "voided: the <jaw> was dirty") == (
        voided["id"],
        voided["voided"]["reason"],
        voided["why_not"],
    )
    assert "1.82 and 1.82 mm at 3 m" in {row["says"] for row in rows}
    assert ("L* 95, a* -0.8, b* 4.5", YELLOW) == (rows[0]["says"], rows[0]["values"]["lab"])


def test_instruments_come_with_their_uncertainty_and_the_checks_around_the_readings(bad):
    """The report has the last check before the first reading of 20 November and the first one after, without older ones."""
    color, diameter = report(bad)["method"]
    assert ("color", 3, []) == (color["characteristic"], color["without_instrument"], color["instruments"])
    (gauge,) = diameter["instruments"]
    assert ("MIC-1", "micrometer", 0.002, "mm", 3) == tuple(
        gauge[name] for name in ("code", "kind", "standard_uncertainty", "unit", "readings")
    )
    assert ("pin 1.750", "pass", "pin 2") == (
        gauge["last_check"]["artefact"],
        gauge["last_check"]["result"],
        gauge["next_check"]["artefact"],
    )


def test_readings_that_are_in_doubt_or_superseded_say_so(shop):
    """Readings of a suspect instrument and superseded moisture are shown as not counted."""
    limits = {"moisture": {"max_percent": 0.05}, "diameter": {"reading_tolerance_mm": 0.05}}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    shop.lot_id, code = got["lot_id"], got["spools"][0]["code"]
    gauge = {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 30}
    number = shop.post("quality", "/instruments", gauge)["id"]
    shop.diameter(code, 1.9, 1.9, instrument_id=number)
    failed = {"checked_at": "2026-11-21T08:00:00Z", "result": "fail"}
    shop.post("quality", f"/instruments/{number}/checks", failed)
    shop.diameter(code, 1.83, 1.83)
    for hour, percent in (("10", 0.2), ("11", 0.09)):
        wet = {"spool_code": code, "moisture_percent": percent, "measured_at": f"2026-11-20T{hour}:00:00Z"}
        shop.measure("moisture", wet)
    why = {row["says"]: row["why_not"] for row in report(shop)["readings"]}
    assert "failed the next check" in why["1.9 and 1.9 mm"]
    assert {"0.2 %": "a newer reading of its spool counts instead", "0.09 %": None, "1.83 and 1.83 mm": None} == {
        says: text for says, text in why.items() if says != "1.9 and 1.9 mm"
    }


def test_a_lot_without_a_failing_finding_is_nothing_to_report(shop):
    """A lot without a failing finding has no report until it is blocked by a manual decision, with that reason."""
    shop.lot_id = shop.good_lot()["lot_id"]
    assert "nothing to report" in report(shop, status=409)["detail"]
    shop.decide(shop.lot_id, "hold", "waiting for a second look")
    report(shop, status=409)
    shop.decide(shop.lot_id, "block", "wound crosswise")
    said = report(shop)
    assert ({"action": "block", "reason": "wound crosswise"}, [], [], []) == (
        said["lot"]["by_hand"],
        said["found"]["failing"],
        said["readings"],
        said["method"],
    )
    assert "was blocked by a manual decision: wound crosswise." in said["says"]
    assert "Open one" in said["requested"]["hint"]
    for accept in ("text/html", "application/pdf"):
        assert 200 == fetch(shop, accept).status_code
    shop.decide(shop.lot_id, "lift")
    report(shop, status=409)
    shop.lot_id = 999
    report(shop, status=404)


def test_a_bad_spool_that_the_plan_accepts_is_reported_as_what_it_is(shop):
    """A bad spool that the plan accepts is reported as such, without a corrective action."""
    limits = {
        "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 10},
        "diameter": {"reading_tolerance_mm": 0.05},
        "uses": {"hidden": ["diameter"]},
    }
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=8)
    shop.lot_id, sample = got["lot_id"], got["sample"]
    assert sample["accept"] >= 1
    rows = [{"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75} for code in sample["spool_codes"]]
    rows[0] |= {"d1_mm": 1.83}
    (lot,) = shop.measure("diameter", rows)["lots"]
    assert "released" == lot["standing"]
    said = report(shop)
    assert "was not rejected as a whole" in said["says"]
    assert [("diameter.reading", False)] == [(row["code"], row["required"]) for row in said["found"]["failing"]]
    assert "No corrective action is possible" in said["requested"]["hint"]
    shop.post("quality", f"/lots/{shop.lot_id}/corrective-actions", {"requested_action": "x"}, 409)


def test_spools_that_a_count_refuses_are_named_although_each_is_measured_in_part(shop):
    """Spools rejected by a count are named with the readings behind it, though each is incomplete."""
    limits = {
        "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 10},
        "diameter": {"mean_tolerance_mm": 0.03, "readings_per_spool_min": 3},
    }
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=8)
    shop.lot_id, sample = got["lot_id"], got["sample"]
    bad = sorted(sample["spool_codes"][: sample["reject"]])
    rows = [{"spool_code": code, "d1_mm": 1.83, "d2_mm": 1.83} for code in bad]
    shop.measure("diameter", rows)
    said = report(shop)
    assert ["sampling.nonconforming"] == [row["code"] for row in said["found"]["failing"]]
    assert "The count itself is exact" in said["found"]["failing"][0]["claim_says"]
    assert bad == [spool["spool_code"] for spool in said["found"]["nonconforming_spools"]]
    assert len(bad) == len(said["readings"])
    assert {"sampling.nonconforming", "diameter.spool_mean"} == {row["code"] for row in said["asked"]["limits"]}


def test_without_a_plan_a_measure_that_is_not_complete_is_no_nonconformity(shop):
    """One oval position rejects the lot; an incomplete mean outside its limit is not claimed."""
    limits = {"diameter": {"mean_tolerance_mm": 0.03, "ovality_max_mm": 0.05, "readings_per_spool_min": 3}}
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=1)
    shop.lot_id = got["lot_id"]
    shop.diameter(got["spools"][0]["code"], 1.9, 1.7)
    said = report(shop)
    (spool,) = said["found"]["nonconforming_spools"]
    assert ["diameter.ovality"] == [row["code"] for row in spool["findings"]]
    assert ["diameter.ovality"] == [row["code"] for row in said["asked"]["limits"]]
    assert [("diameter.spool_mean", "missing")] == [(row["code"], row["verdict"]) for row in said["found"]["others"]]


def test_it_can_be_asked_what_was_known_then(bad):
    """Before receipt the report is unknown; before the colour was measured only the diameter fails, without a void."""
    decided = bad.get("quality", f"/lots/{bad.lot_id}/decisions")["items"]
    first = datetime.fromisoformat(decided[0]["decided_at"])
    early = (first - timedelta(days=1)).isoformat().replace("+00:00", "Z")
    assert "did not exist at" in report(bad, f"?as_of={early}", 404)["detail"]
    when = next(d["decided_at"] for d in decided if d["standing"] == "blocked")
    then = report(bad, f"?as_of={when}")
    assert ["diameter.reading"] == [row["code"] for row in then["found"]["failing"]]
    assert [None] * 2 == [row["voided"] for row in then["readings"]]
    assert when == then["as_of"]
    report(bad, "?as_of=yesterday", 422)


def test_what_is_asked_of_the_supplier_is_the_newest_action_that_waits_for_an_answer(bad):
    """Without an action only the shop sees how to request one; then its words and due date appear, then the answer."""
    none = report(bad)["requested"]
    assert (None, None) == (none["id"], none["due_at"])
    assert (
        f"Open one with POST /v1/lots/{bad.lot_id}/corrective-actions. By default it is due 14 days later"
        in none["hint"]
    )
    assert "POST" not in none["says"]
    before = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    number, path = None, f"/lots/{bad.lot_id}/corrective-actions"
    for text in ("first <ask>", "second <ask>"):
        older, number = number, bad.post("purchasing", path, {"requested_action": text})["id"]
    said = report(bad)["requested"]
    assert (number, "second <ask>", "open", 3) == tuple(
        said[name] for name in ("id", "requested_action", "state", "conforming_lots")
    )
    answer = {"cause": "worn die", "action": "new die", "answered_by": "Jory"}
    bad.post("quality", f"/corrective-actions/{number}/answer", answer)
    still = report(bad)["requested"]
    assert (older, "first <ask>", "open") == (still["id"], still["requested_action"], still["state"])
    bad.post("quality", f"/corrective-actions/{older}/answer", answer)
    answered = report(bad)["requested"]
    assert number == answered["id"]
    assert ("answered", "worn die", "new die") == tuple(answered[name] for name in ("state", "cause", "action"))
    assert None is report(bad, f"?as_of={before}")["requested"]["id"]


def test_decisions_and_concessions_stand_in_it(bad):
    """Every decision in order and a requested concession are in it, without internal reasons."""
    soon = (datetime.now(UTC) + timedelta(days=5)).isoformat()
    body = {"uses": ["hidden"], "max_mass_g": 500, "valid_until": soon, "reason": "inside of a base"}
    bad.post("quality", f"/lots/{bad.lot_id}/concessions", body)
    said = report(bad)
    (permitted,) = said["concessions"]
    assert ("asked for", ["hidden"]) == (permitted["state"], permitted["uses"])
    assert "for hidden, at most 500 g" in permitted["says"]
    assert "inside of a base" not in str(said)
    decided = bad.get("quality", f"/lots/{bad.lot_id}/decisions")["items"]
    assert [row["id"] for row in decided] == [row["id"] for row in said["decisions"]]


def test_the_report_takes_as_many_queries_however_big_the_lot(bad):
    """More spools, readings, voids, decisions and deliveries need no further statement."""
    few = len(asked(bad, "purchasing", "GET", path_of(bad)))
    more = bad.receive(bad.supplier_row, bad.grade_row, NAME, 20)
    codes = [spool["code"] for spool in more["spools"]]
    rows = [{"spool_code": code, "d1_mm": 1.83, "d2_mm": 1.75} for code in codes for _ in range(4)]
    stored = bad.measure("diameter", [{**row, "measured_at": MEASURED} for row in rows])["items"]
    for row in stored[:3]:
        bad.void(row["id"])
    assert 7 + 80 == len(report(bad)["readings"])
    assert few == len(asked(bad, "purchasing", "GET", path_of(bad)))
    assert few <= 20
