"""The quality technician and a disputed lot: a typing error, unequal conditions, a revised shade."""

import pytest

from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE

# Three diameters on one spool. Common practice, no source.
THREE = {"sampling": {"fixed": 1}, "diameter": {"reading_tolerance_mm": 0.05, "readings_per_spool_min": 3}}
# An invented matte black; its specular component included, as approved.
SLATE = [18.0, 0.1, -0.4]


def disputed(shop):
    """A lot blocked by the third of its diameters, 1.65 typed for 1.75; returns its delivery and its three readings."""
    got = shop.receive(shop.supplier(), shop.grade(limits=THREE), spools=1)
    spool = got["spools"][0]["code"]
    read = [shop.diameter(spool, 1.75, 1.76), shop.diameter(spool, 1.74, 1.75), shop.diameter(spool, 1.65, 1.75)]
    return got, read


def readings(shop, lot_id):
    """Every recorded reading of a lot."""
    return shop.get("quality", f"/lots/{lot_id}/readings")["items"]


def test_voiding_a_mistyped_reading_gives_the_word_back_to_the_others(shop):
    """A failing reading blocks its lot at once; voided it stays visible, and the other readings decide."""
    got, read = disputed(shop)
    lot_id, spool = got["lot"]["id"], got["spools"][0]["code"]
    assert ["quarantined", "quarantined", "blocked"] == [reading["lot"]["standing"] for reading in read]
    assert "1.650 mm" in read[2]["lot"]["says"]
    assert "Outside by 0.050 mm" in read[2]["lot"]["says"]

    voided = shop.void(read[2]["id"], "typed 1.65 for 1.75; gauge log says 1.75")
    assert "quarantined" == voided["lot"]["standing"]
    assert [f"take 1 more diameter reading on spool {spool}"] == voided["lot"]["to_measure"]
    again = shop.diameter(spool, 1.75, 1.75)
    assert "released" == again["lot"]["standing"]

    kept = {reading["id"]: reading for reading in readings(shop, lot_id)}
    assert 4 == len(kept)
    assert 1.65 == kept[read[2]["id"]]["d1_mm"]
    assert "typed 1.65 for 1.75; gauge log says 1.75" == kept[read[2]["id"]]["voided"]["reason"]
    assert "quality person" == kept[read[2]["id"]]["voided"]["voided_by"]
    assert kept[again["id"]]["voided"] is None
    assert read[2]["id"] not in shop.assessment(lot_id)["reading_ids"]


def test_a_reading_may_be_voided_in_favour_of_another_but_only_of_its_kind(shop):
    """A void can name a replacement of the same kind, and no reading is voided twice."""
    got, read = disputed(shop)
    spool = got["spools"][0]["code"]
    color = shop.color(spool, WHITE)
    shop.void(read[2]["id"], replaced_by=color["id"], status=422)
    again = shop.diameter(spool, 1.75, 1.75)
    assert "blocked" == again["lot"]["standing"]
    voided = shop.void(read[2]["id"], replaced_by=again["id"])
    assert again["id"] == voided["voided"]["replaced_by"]
    assert "released" == voided["lot"]["standing"]
    assert shop.call("quality", "POST", f"/readings/{read[2]['id']}/void", {"reason": "again"}).status_code in (
        409,
        422,
    )
    assert "mistyped" == readings(shop, got["lot"]["id"])[2]["voided"]["reason"]


def test_as_of_replays_what_was_known_at_each_moment(shop):
    """After the void `as_of` returns the blocked moment, the time before it and the time before the lot."""
    got, read = disputed(shop)
    lot_id = got["lot"]["id"]
    blocked = shop.assessment(lot_id)
    shop.void(read[2]["id"])
    shop.diameter(got["spools"][0]["code"], 1.75, 1.75)
    assert "released" == shop.assessment(lot_id)["standing"]

    then = shop.assessment(lot_id, f"?as_of={read[2]['recorded_at']}")
    assert "blocked" == then["standing"]
    assert blocked["findings"] == then["findings"]
    assert [reading["id"] for reading in read] == then["reading_ids"]
    before = shop.assessment(lot_id, f"?as_of={read[1]['recorded_at']}")
    assert ("quarantined", [read[0]["id"], read[1]["id"]]) == (before["standing"], before["reading_ids"])
    on_receipt = shop.assessment(lot_id, f"?as_of={got['recorded_at']}")
    assert ({"general": "missing"}, []) == (on_receipt["uses"], on_receipt["reading_ids"])
    too_early = shop.get("quality", f"/lots/{lot_id}/assessment?as_of=2026-01-01T00:00:00Z", 404)
    assert "did not exist" in too_early["detail"]


def test_the_record_keeps_every_decision_as_it_was_made(shop):
    """Each change of status is a decision with reason, readings and person, and none is rewritten."""
    got, read = disputed(shop)
    path = f"/lots/{got['lot']['id']}/decisions"
    before = shop.get("quality", path)["items"]
    assert [("received", "quarantined"), ("judge", "blocked")] == [(d["action"], d["standing"]) for d in before]
    assert "Outside by 0.050 mm" in before[1]["reason"]
    shop.void(read[2]["id"], "typed 1.65 for 1.75")
    shop.diameter(got["spools"][0]["code"], 1.75, 1.75)
    after = shop.get("quality", path)["items"]
    assert before == after[:2]
    assert [("void", "quarantined"), ("judge", "released")] == [(d["action"], d["standing"]) for d in after[2:]]
    assert "typed 1.65 for 1.75" in after[2]["reason"]


def test_a_screening_reading_is_kept_and_never_judged(shop):
    """A screening reading of a wound spool is stored, and neither blocks, releases nor shifts a mean."""
    got = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS), spools=1)
    spool, lot_id = got["spools"][0]["code"], got["lot"]["id"]
    shop.diameter(spool)
    good = shop.color(spool, WHITE, screening=True, note="wound spool")
    assert "quarantined" == good["lot"]["standing"]
    far_off = shop.color(spool, [80.0, 3.0, 12.0], screening=True, conditions={**CONDITIONS, "specular": "excluded"})
    assert "quarantined" == far_off["lot"]["standing"]
    shop.diameter(spool, 1.84, 1.66, screening=True)
    judged = shop.color(spool, WHITE)
    assert "released" == judged["lot"]["standing"]
    assert 0.0 == shop.finding(lot_id, "color.lot_delta_e")["value"]
    assert [False, True, True, True, False] == [reading["screening"] for reading in readings(shop, lot_id)]


def test_matte_black_read_without_its_specular_component_is_refused_and_not_failed(shop):
    """18.0 and 16.4 differ by the specular condition, so the refusal names it and nothing is assessed."""
    grade = shop.grade("PLA-SN-175", SIMPLE_LIMITS, shade_id=shop.shade("SN", SLATE)["id"])
    got = shop.receive(shop.supplier(), grade, spools=1)
    spool, lot_id = got["spools"][0]["code"], got["lot"]["id"]
    shop.diameter(spool)
    night = shop.color(spool, [16.4, 0.1, -0.4], 422, conditions={**CONDITIONS, "specular": "SCE"})
    assert ["/conditions/specular"] == [fault["pointer"] for fault in night["errors"]]
    assert "has specular component included, and this reading has excluded." in night["detail"]
    assert "included" in night["errors"][0]["hint"]
    assert "quarantined" == shop.lot(lot_id)["standing"]
    assert ["diameter"] == [reading["kind"] for reading in readings(shop, lot_id)]

    day = shop.color(spool, [18.35, 0.12, -0.52], conditions={**CONDITIONS, "specular": "SCI"})
    assert "released" == day["lot"]["standing"]
    # Computed with colour-science 0.4.7: CIEDE2000 of (18.0, 0.1, -0.4) and (18.35, 0.12, -0.52) is 0.2667.
    assert 0.27 == round(shop.finding(lot_id, "color.lot_delta_e")["value"], 2)


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"uv": "included"}, {"/conditions/uv"}),
        ({"uv": None}, {"/conditions/uv"}),
        ({"illuminant": "A"}, {"/conditions/illuminant"}),
        ({"observer_deg": 2, "geometry": "45/0"}, {"/conditions/observer_deg", "/conditions/geometry"}),
    ],
    ids=["uv-in", "uv-not-stated", "illuminant", "observer-and-geometry"],
)
def test_a_colour_under_other_conditions_is_refused_naming_each_of_them(shop, changed, named):
    """A brightened white measured with UV, or under another illuminant, is refused with each different condition."""
    got = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS), spools=1)
    said = {name: value for name, value in {**CONDITIONS, **changed}.items() if value is not None}
    refused = shop.color(got["spools"][0]["code"], [95.0, 0.7, -3.1], 422, conditions=said)
    assert named == {fault["pointer"] for fault in refused["errors"]}
    assert [] == readings(shop, got["lot"]["id"])


def revised(shop):
    """A lot accepted under revision 1 of its shade, with revision 2 approved later; returns its delivery."""
    grade = shop.grade(limits=SIMPLE_LIMITS)
    got = shop.receive(shop.supplier(), grade, spools=2)
    shop.diameter(got["sample"]["spool_codes"][0])
    shop.color(got["sample"]["spool_codes"][0], [94.9, -0.75, 2.2])
    assert 2 == shop.approve(grade["shade_id"], [95.1, -0.8, 1.0])["revision"]
    return got, grade


def test_a_new_shade_revision_changes_nothing_until_somebody_asks(shop):
    """A lot accepted at 0.66 under revision 1 stays so; "would now be" gives 1.13 and stores nothing."""
    got, _ = revised(shop)
    lot_id = got["lot"]["id"]
    before = shop.get("quality", f"/lots/{lot_id}/decisions")["items"]
    now = shop.assessment(lot_id)
    assert ("released", 1, True) == (now["standing"], now["shade_revision"], now["stored"])
    # Computed with colour-science 0.4.7: CIEDE2000 of (94.9, -0.75, 2.2) is 0.6584 from revision 1 (95.0, -0.8, 1.5)
    # and 1.1331 from revision 2 (95.1, -0.8, 1.0).
    assert 0.66 == round(shop.finding(lot_id, "color.lot_delta_e")["value"], 2)

    would = shop.assessment(lot_id, "?shade_revision=2")
    assert ("blocked", 2, False) == (would["standing"], would["shade_revision"], would["stored"])
    found = next(finding for finding in would["findings"] if finding["code"] == "color.lot_delta_e")
    assert ("fail", 1.13) == (found["verdict"], round(found["value"], 2))
    assert "yellower" in found["message"]
    assert "released" == shop.lot(lot_id)["standing"]
    assert before == shop.get("quality", f"/lots/{lot_id}/decisions")["items"]
    assert shop.ask_clearance(got["spools"][0]["code"])["clear"] is True


def test_reassessing_names_both_revisions_and_keeps_the_old_decision(shop):
    """A reassessment under the newest revision is a new decision, with immediate effect on the clearance."""
    got, _ = revised(shop)
    lot_id = got["lot"]["id"]
    before = shop.get("quality", f"/lots/{lot_id}/decisions")["items"]
    again = shop.post("quality", f"/lots/{lot_id}/reassess")
    assert ("released", 1) == (again["before"]["standing"], again["before"]["shade_revision"])
    assert ("blocked", 2) == (again["standing"], again["shade_revision"])
    after = shop.get("quality", f"/lots/{lot_id}/decisions")["items"]
    assert before == after[: len(before)]
    assert [again["decision"]["id"]] == [decision["id"] for decision in after[len(before) :]]
    assert shop.ask_clearance(got["spools"][0]["code"])["clear"] is False
    accepted = shop.assessment(lot_id, f"?as_of={before[-1]['decided_at']}")
    assert ("released", 1) == (accepted["standing"], accepted["shade_revision"])


def test_a_lot_received_after_the_revision_is_judged_under_it(shop):
    """The next lot starts under the newest revision, and the one before keeps its own."""
    got, grade = revised(shop)
    supplier = {"id": got["supplier_id"]}
    following = shop.receive(supplier, grade, "Q-72", spools=1)
    spool = following["spools"][0]["code"]
    shop.diameter(spool)
    assert "blocked" == shop.color(spool, [94.9, -0.75, 2.2])["lot"]["standing"]
    assert [1, 2] == [shop.lot(lot_id)["shade_revision"] for lot_id in (got["lot"]["id"], following["lot"]["id"])]


def test_tightened_limits_change_nothing_until_somebody_asks(shop):
    """A limits revision can be tried on an old lot without a change."""
    got, grade = revised(shop)
    lot_id = got["lot"]["id"]
    assert 2 == shop.limit(grade["id"], {**SIMPLE_LIMITS, "color": {"lot_max": 0.5}})["revision"]
    assert ("released", 1) == (shop.lot(lot_id)["standing"], shop.lot(lot_id)["limits_revision"])
    would = shop.assessment(lot_id, "?limits_revision=2")
    assert ("blocked", 2, 1) == (would["standing"], would["limits_revision"], would["shade_revision"])
    assert "released" == shop.lot(lot_id)["standing"]
    shop.get("quality", f"/lots/{lot_id}/assessment?limits_revision=3", 422)


def test_voiding_and_measuring_again_does_not_bring_in_a_new_revision(shop):
    """A lot whose only reading is voided and repeated stays under its revision."""
    grade = shop.grade(limits={"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}})
    got = shop.receive(shop.supplier(), grade, spools=1)
    first = shop.color(got["spools"][0]["code"], [94.9, -0.75, 2.2])
    assert "released" == first["lot"]["standing"]
    shop.approve(grade["shade_id"], [95.1, -0.8, 1.0])
    shop.void(first["id"], "plaque was dusty")
    again = shop.color(got["spools"][0]["code"], [94.9, -0.75, 2.2])
    assert "released" == again["lot"]["standing"]
    assert 1 == shop.lot(got["lot"]["id"])["shade_revision"]
