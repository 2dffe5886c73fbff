"""The receiving clerk's day: deliveries, lots and spools logged, the sample drawn, readings, a verdict."""

import hashlib

import pytest

from tests.shop import CONDITIONS, MEASURED, RECEIVED, WHITE

# Three spools, five diameters and three colours on each. Common practice, no source.
LIMITS = {
    "sampling": {"fixed": 3},
    "color": {"lot_max": 1.0, "spool_max": 1.3, "readings_per_spool_min": 3},
    "diameter": {"reading_tolerance_mm": 0.05, "ovality_max_mm": 0.05, "readings_per_spool_min": 5},
}


@pytest.fixture
def desk(shop):
    """A shop with one supplier and one grade, set up by quality and purchasing."""
    shop.quillwort = shop.supplier("QWT")
    shop.white = shop.grade("PLA-HW-175", LIMITS)
    return shop


def delivery(shop, lot, **more):
    """The clerk's entry from a packing slip."""
    body = {
        "supplier_id": shop.quillwort["id"],
        "grade_id": shop.white["id"],
        "supplier_lot": lot,
        "received_at": RECEIVED,
        "spool_count": 3,
        "net_mass_g": 1000,
    }
    return {**body, **more}


def diameters(spools, each=5, **more):
    """So many good diameters on each of these spools."""
    return [{"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.76, **more} for spool in spools for _ in range(each)]


def colors(spools, each=3):
    """So many good colours on each of these spools."""
    return [{"spool_code": spool, "lab": WHITE, "conditions": CONDITIONS} for spool in spools for _ in range(each)]


def drawn_by_hand(codes, size, seed):
    """The draw from the published `seed`: the codes with the lowest SHA-256 of "seed:code"."""
    return sorted(sorted(codes, key=lambda code: hashlib.sha256(f"{seed}:{code}".encode()).hexdigest())[:size])


def test_a_delivery_answers_codes_and_a_sample_that_anybody_can_draw_again(desk):
    """A delivery of eight spools becomes a lot in quarantine, eight codes and a repeatable draw of three."""
    known = desk.get("receiving", "/directory")
    assert ["QWT"] == [entry["code"] for entry in known["suppliers"]]
    assert ["PLA-HW-175"] == [entry["code"] for entry in known["grades"]]

    got = desk.receive(desk.quillwort, desk.white, "Q-71", spools=8, order_ref="PO 118")
    codes, sample = sorted(spool["code"] for spool in got["spools"]), got["sample"]
    assert 8 == len(set(codes))
    assert 3 == sample["size"] == len(sample["spool_codes"])
    assert drawn_by_hand(codes, 3, sample["seed"]) == sorted(sample["spool_codes"])
    assert all(code in sample["says"] for code in sample["spool_codes"])

    assert got["new_lot"] is True
    assert "quarantined" == got["lot"]["standing"]
    assert {"general": "missing"} == got["lot"]["uses"]
    lot = desk.get("receiving", f"/lots/{got['lot']['id']}")
    assert codes == [spool["code"] for spool in lot["spools"]]
    assert got["lot"]["to_measure"] == lot["to_measure"] != []


def test_a_second_delivery_joins_the_lot_with_a_sample_of_its_own(desk):
    """The same number from the same supplier and grade is the same lot, with its new spools sampled."""
    first = desk.receive(desk.quillwort, desk.white, "Q-71", spools=4)
    second = desk.receive(desk.quillwort, desk.white, "Q-71", spools=5, received_at="2026-11-21T09:30:00+01:00")
    assert second["new_lot"] is False
    assert first["lot"]["id"] == second["lot"]["id"]
    assert "2026-11-21T08:30:00Z" == second["received_at"]
    new_codes = [spool["code"] for spool in second["spools"]]
    assert set(second["sample"]["spool_codes"]) <= set(new_codes)
    assert drawn_by_hand(new_codes, 3, second["sample"]["seed"]) == sorted(second["sample"]["spool_codes"])

    assert 9 == len(desk.lot(first["lot"]["id"])["spools"])
    page = desk.get("receiving", f"/deliveries?lot_id={first['lot']['id']}")
    assert [first["id"], second["id"]] == [row["id"] for row in page["items"]]


def test_the_same_number_from_another_supplier_or_of_another_grade_is_another_lot(desk):
    """The same number from another supplier or of another grade is another lot."""
    ninebark = desk.supplier("NBK")
    black = desk.grade("PLA-WB-175", LIMITS)
    lots = [
        desk.receive(supplier, grade, "71")["lot"]["id"]
        for supplier, grade in ((desk.quillwort, desk.white), (ninebark, desk.white), (desk.quillwort, black))
    ]
    assert 3 == len(set(lots))
    found = desk.get("receiving", f"/lots?supplier_lot=71&supplier_id={ninebark['id']}")
    assert [lots[1]] == [lot["id"] for lot in found["items"]]


@pytest.mark.parametrize("written", ["q.0071", "Q 0071", "Q0071", " q 00 71 "])
def test_a_number_written_slightly_otherwise_is_proposed_and_not_merged(desk, written):
    """A number that differs by separators is questioned with the known lot, and the clerk decides."""
    known = desk.receive(desk.quillwort, desk.white, "Q-0071")
    asked = desk.post("receiving", "/deliveries", delivery(desk, written), 409)
    assert [known["lot"]["id"]] == [candidate["id"] for candidate in asked["candidates"]]
    assert '"Q-0071"' in asked["detail"]
    assert "confirm_new_lot" == asked["errors"][0]["confirm"]
    assert 1 == len(desk.get("receiving", "/deliveries")["items"])

    confirmed = desk.post("receiving", "/deliveries", delivery(desk, written, confirm_new_lot=True))
    assert confirmed["new_lot"] is True
    assert written.strip() == confirmed["lot"]["supplier_lot"]
    assert known["lot"]["id"] != confirmed["lot"]["id"]
    as_printed = desk.post("receiving", "/deliveries", delivery(desk, "Q-0071"))
    assert known["lot"]["id"] == as_printed["lot"]["id"]


def test_readings_one_by_one_until_the_lot_is_released(desk):
    """Each reading returns the lot's status and remaining tasks, and the last required one releases it."""
    got = desk.receive(desk.quillwort, desk.white, "Q-71", spools=3)
    spools, lot_id = sorted(got["sample"]["spool_codes"]), got["lot"]["id"]
    after = desk.measure("diameter", diameters(spools[:1], 1)[0], role="receiving")["lot"]
    assert "quarantined" == after["standing"]
    assert f"take 4 more diameter readings on spool {spools[0]}" in after["says"]
    assert any("measure colour on 3 spools" in step for step in after["to_measure"])

    for item in diameters(spools[:1], 4) + diameters(spools[1:]):
        after = desk.measure("diameter", item, role="receiving")["lot"]
    assert "quarantined" == after["standing"]
    assert not any("diameter" in step for step in after["to_measure"])

    standings = [desk.measure("color", item, role="receiving")["lot"]["standing"] for item in colors(spools)]
    assert ["quarantined"] * 8 + ["released"] == standings
    lot = desk.get("receiving", f"/lots/{lot_id}")
    assert ("released", {"general": "pass"}, []) == (lot["standing"], lot["uses"], lot["to_measure"])
    said = desk.get("receiving", f"/lots/{lot_id}/assessment")
    assert all("Inside by" in finding["message"] for finding in said["findings"])


def test_readings_in_a_list_are_stored_all_or_none(desk):
    """One invalid item of fifteen stores nothing, and every error has its index."""
    got = desk.receive(desk.quillwort, desk.white, "Q-71", spools=3)
    spools, lot_id = got["sample"]["spool_codes"], got["lot"]["id"]
    items = diameters(spools)
    wrong = [*items[:13], {**items[13], "d2_mm": 2.85}, {**items[14], "spool_code": "NOT-OURS"}]
    refused = desk.measure("diameter", wrong, 422, role="receiving")
    assert ["/13/d2_mm", "/14/spool_code"] == [fault["pointer"] for fault in refused["errors"]]
    assert [] == desk.get("receiving", f"/lots/{lot_id}/readings")["items"]

    stored = desk.measure("diameter", items, role="receiving")
    assert [item["spool_code"] for item in items] == [item["spool_code"] for item in stored["items"]]
    assert [lot_id] == [lot["id"] for lot in stored["lots"]]
    assert 15 == len(desk.get("receiving", f"/lots/{lot_id}/readings?kind=diameter")["items"])
    released = desk.measure("color", colors(spools), role="receiving")
    assert ["Lot Q-71 is released."] == [lot["says"] for lot in released["lots"]]


def test_a_list_over_two_lots_answers_where_each_of_them_stands(desk):
    """Each lot of a list is assessed by its own readings."""
    one, two = (desk.receive(desk.quillwort, desk.white, lot, spools=1) for lot in ("Q-71", "Q-72"))
    good, oval = one["spools"][0]["code"], two["spools"][0]["code"]
    # 1.84 by 1.66 averages to exactly 1.75 (by hand).
    items = [*diameters([good]), {"spool_code": oval, "d1_mm": 1.84, "d2_mm": 1.66}]
    answer = desk.measure("diameter", items, role="receiving")
    assert {"Q-71": "quarantined", "Q-72": "blocked"} == {
        lot["supplier_lot"]: lot["standing"] for lot in answer["lots"]
    }


@pytest.mark.parametrize(
    ("kind", "fields", "pointer", "hint"),
    [
        ("diameter", {"d1_mm": 1.75, "d2_mm": 0.0689}, "/d2_mm", "0.0689 in is 1.750 mm"),
        ("diameter", {"d1_mm": "1,75", "d2_mm": 1.75}, "/d1_mm", "Write 1.75"),
        ("diameter", {"d1_mm": 175, "d2_mm": 1.75}, "/d1_mm", "did you mean 1.75?"),
        ("diameter", {"d1_mm": 1750, "d2_mm": 1.75}, "/d1_mm", "micrometres"),
        ("diameter", {"d1_mm": 2.85, "d2_mm": 1.75}, "/d1_mm", "This looks like 2.85 mm filament"),
        ("color", {"lab": [950, -0.8, 1.5], "conditions": CONDITIONS}, "/lab", "not RGB"),
        ("color", {"lab": "95 -0.8 1.5", "conditions": CONDITIONS}, "/lab", ""),
        ("diameter", {"d1_mm": 1.75, "diameter2_mm": 1.75}, "/diameter2_mm", "d2_mm"),
    ],
    ids=["inches", "decimal-comma", "no-decimal-point", "micrometres", "other-size", "lab-tenfold", "text", "misnamed"],
)
def test_a_slip_of_units_comes_back_with_a_hint_and_stores_nothing(desk, kind, fields, pointer, hint):
    """An impossible number is refused with the probable cause, never converted."""
    got = desk.receive(desk.quillwort, desk.white, "Q-71", spools=1)
    refused = desk.measure(kind, {"spool_code": got["spools"][0]["code"], **fields}, 422, role="receiving")
    faults = {fault["pointer"]: fault.get("hint", "") for fault in refused["errors"]}
    assert pointer in faults
    assert hint in faults[pointer]
    assert [] == desk.get("receiving", f"/lots/{got['lot']['id']}/readings")["items"]


def test_a_lost_minus_sign_is_stored_with_a_warning(desk):
    """A colour that agrees with its lot except for a sign is stored unchanged with a warning."""
    spool = desk.receive(desk.quillwort, desk.white, "Q-71", spools=1)["spools"][0]["code"]
    assert [] == desk.color(spool, WHITE)["warnings"]
    warned = desk.color(spool, [95.0, 0.8, 1.5])
    assert ["lab"] == [warning["field"] for warning in warned["warnings"]]
    assert "minus sign" in warned["warnings"][0]["detail"]
    assert [95.0, 0.8, 1.5] == warned["lab"]


def test_labels_that_are_already_on_spools_are_kept_and_never_shared(desk):
    """The clerk can enter existing codes; a used or repeated one is refused at its place."""
    own = [{"code": "SMY-0001", "net_mass_g": 750}, {"code": "SMY-0002", "net_mass_g": 1000}, {"net_mass_g": 2300}]
    body = {k: v for k, v in delivery(desk, "Q-71").items() if k not in ("spool_count", "net_mass_g")}
    got = desk.post("receiving", "/deliveries", {**body, "spools": own})
    assert ["SMY-0001", "SMY-0002"] == [spool["code"] for spool in got["spools"]][:2]
    assert [750, 1000, 2300] == [spool["net_mass_g"] for spool in got["spools"]]

    again = [{"code": "SMY-0002"}, {"code": "SMY-0009"}, {"code": "SMY-0009"}]
    spools = [{**spool, "net_mass_g": 1000} for spool in again]
    refused = desk.post("receiving", "/deliveries", {**body, "supplier_lot": "Q-72", "spools": spools}, 422)
    assert {"/spools/0/code", "/spools/2/code"} == {fault["pointer"] for fault in refused["errors"]}
    assert 1 == len(desk.get("receiving", "/lots")["items"])


def test_a_double_click_logs_one_delivery(desk):
    """A repeat with the same key and body gets the first answer, and another body is refused."""
    key = {"Idempotency_Key": "5e1f0c1a-one-pallet"}
    first = desk.post("receiving", "/deliveries", delivery(desk, "Q-71"), **key)
    assert first == desk.post("receiving", "/deliveries", delivery(desk, "Q-71"), **key)
    desk.post("receiving", "/deliveries", delivery(desk, "Q-71", spool_count=4), 422, **key)
    assert 3 == len(desk.lot(first["lot"]["id"])["spools"])


def test_every_fault_of_a_packing_slip_is_named_at_once(desk):
    """All errors of a packing slip are reported at once, with place and remedy."""
    body = delivery(desk, "Q-71", supplier_id=99, net_mass_g=0.75, received_at="2126-11-20T08:00:00Z")
    refused = desk.post("receiving", "/deliveries", body, 422)
    hints = {fault["pointer"]: fault["hint"] for fault in refused["errors"]}
    assert {"/supplier_id", "/net_mass_g", "/received_at"} == set(hints)
    assert "0.75 kg is 750 g" in hints["/net_mass_g"]
    no_offset = desk.post("receiving", "/deliveries", delivery(desk, "Q-71", received_at="2026-11-20 08:00"), 422)
    assert ["/received_at"] == [fault["pointer"] for fault in no_offset["errors"]]
    assert [] == desk.get("receiving", "/lots")["items"]


def test_times_are_kept_as_moments_and_answered_in_utc(desk):
    """A reading has the time of measurement and the time of recording, in UTC."""
    spool = desk.receive(desk.quillwort, desk.white, "Q-71", spools=1)["spools"][0]["code"]
    late = desk.diameter(spool, measured_at="2026-11-20T23:30:00-05:00")
    assert "2026-11-21T04:30:00Z" == late["measured_at"]
    assert MEASURED < late["measured_at"] < late["recorded_at"]
