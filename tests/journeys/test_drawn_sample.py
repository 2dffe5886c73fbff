"""The drawn sample: readings of other spools only reject, further draws follow, and quality accepts substitutes."""

import io

import pytest

from lots.domain.receiving.coverage import in_draw_order
from lots.services.assessment import integrity_checks
from tests.api.refusals import refused
from tests.shop import CONDITIONS, MEASURED, WHITE
from tests.store.rows import connected

# Colour of three spools, one reading each; a spool by itself up to 1.3.
THREE = {"sampling": {"fixed": 3}, "color": {"lot_max": 1.0, "spool_max": 1.3}}
GUARDED = {
    "sampling": {"fixed": 3},
    "decision_rule": "guarded",
    "instruments": "optional",
    "color": {"lot_max": 1.0, "formula": "CIE76"},
}
FAR = [95.0, -0.8, 4.5]
# So far from the reference in b*: mean 0.867, standard uncertainty 0.133, guard band 0.219 where 0.133 is left. 9 spools like these would do.
WIDE = (0.6, 1.0, 1.0)


@pytest.fixture
def delivery(shop):
    """Six spools, three of them drawn."""
    return shop.receive(shop.supplier(), shop.grade(limits=THREE), spools=6)


def codes(delivery):
    """Drawn spools, and the others."""
    drawn = delivery["sample"]["spool_codes"]
    return drawn, [spool["code"] for spool in delivery["spools"] if spool["code"] not in drawn]


def on(spool, lab=WHITE, **more):
    """A colour reading to post."""
    return {"spool_code": spool, "lab": lab, "conditions": CONDITIONS, **more}


def nothing_found():
    """True when the check finds no fault."""
    with connected():
        return [] == [flaw.line for flaw in integrity_checks.found()]


def test_readings_of_spools_that_were_not_drawn_release_nothing(shop, delivery):
    """Of six spools with three drawn, the other three on the reference release nothing, and the tasks name the drawn ones."""
    drawn, others = codes(delivery)
    after = shop.measure("color", [on(code) for code in others])["lots"][0]
    assert "quarantined" == after["standing"]
    assert [f"measure colour on 3 spools ({', '.join(drawn)}), 1 reading each"] == after["to_measure"]
    whole = shop.measure("color", [on(code) for code in drawn])["lots"][0]
    assert "released" == whole["standing"]
    assert nothing_found()


def test_a_drawn_spool_is_drawn_however_its_code_is_typed(shop, delivery):
    """Lower case codes are drawn spools: no warning, and the lot is released."""
    drawn = delivery["sample"]["spool_codes"]
    answer = shop.measure("color", [on(code.lower()) for code in drawn])
    assert [[]] * len(drawn) == [item["warnings"] for item in answer["items"]]
    assert "released" == answer["lots"][0]["standing"]


def test_one_bad_spool_that_was_not_drawn_refuses_the_lot(shop, delivery):
    """A spool that was not drawn, 3.0 away with 1.3 allowed, blocks the lot, and good drawn spools do not help."""
    drawn, others = codes(delivery)
    assert "blocked" == shop.color(others[0], FAR)["lot"]["standing"]
    assert "blocked" == shop.measure("color", [on(code) for code in drawn])["lots"][0]["standing"]
    (failing,) = (spool for spool in shop.lot(delivery["lot_id"])["spools"] if spool["nonconforming"])
    assert others[0] == failing["code"]
    assert nothing_found()


def test_every_way_in_tells_at_once_that_a_reading_cannot_release(shop, delivery):
    """As an object, list, columns or file, each such reading has its warning, and so has the lot."""
    drawn, others = codes(delivery)
    detail = f"Spool {others[0]} was not drawn for the sample. This reading can reject the lot but cannot release it."
    hint = f"Measure the drawn spools: {', '.join(drawn)}. If one is damaged or missing, ask quality for a substitute."
    expected = {"field": "spool_code", "detail": detail, "hint": hint, "helps": False}
    one = shop.color(others[0], WHITE)
    assert [expected] == one["warnings"]
    told = f"Spool {others[0]} was not drawn for the sample. Its readings can reject the lot but not release it."
    assert told in one["lot"]["says"]
    assert one["lot"]["says"].index(told) < one["lot"]["says"].index("Still to do:")
    many = shop.measure("color", [on(drawn[0]), on(others[0])])
    assert [[], [expected]] == [item["warnings"] for item in many["items"]]
    columns = {"spool_code": [others[0], drawn[0]], "lab": [[95.1, -0.8, 1.5]] * 2, "conditions": [CONDITIONS] * 2}
    columns["measured_at"] = [MEASURED] * 2
    stored = shop.post("quality", "/color-readings", {"columns": columns})
    assert [[expected], []] == stored["columns"]["warnings"]
    text = f"spool_code,d1_mm,d2_mm,measured_at\n{others[0]},1.75,1.76,{MEASURED}\n"
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}"}
    form = {"kind": "diameter", "file": (io.BytesIO(text.encode()), "bench.csv")}
    summary = shop.client.post("/v1/imports", data=form, headers=headers).get_json()
    assert [{"row": 2, "column": "spool_code", "detail": detail, "hint": hint}] == summary["warnings"]
    assert told in summary["lots"][0]["says"]
    warned = shop.color(others[1], WHITE, screening=True)["warnings"]
    assert ["screening"] == [one["field"] for one in warned]


def test_the_assessment_and_the_record_say_which_spools_were_not_drawn(shop, delivery):
    """Assessment and record note the spools that were not drawn, and the record has the draw with its seed."""
    drawn, others = codes(delivery)
    shop.color(others[0], WHITE)
    note = f"Spool {others[0]} was not drawn for the sample. Its readings can reject the lot but not release it."
    assert note in shop.assessment(delivery["lot_id"])["notes"]
    record = shop.get("quality", f"/lots/{delivery['lot_id']}/record")
    assert note in record["notes"]
    assert (drawn, delivery["sample"]["seed"]) == (
        record["samples"][0]["drawn"],
        record["samples"][0]["sample"]["seed"],
    )
    page = shop.client.get(
        f"/v1/lots/{delivery['lot_id']}/record",
        headers={"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": "text/html"},
    ).get_data(as_text=True)
    assert note in page
    assert f"seed {delivery['sample']['seed']}" in page


def near(shop, spools):
    """A delivery whose three drawn spools are near, and its lot's status."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=GUARDED), spools=spools)
    drawn, _ = codes(delivery)
    rows = [on(code, [95.0, -0.8, 1.5 + b]) for code, b in zip(drawn, WIDE, strict=True)]
    return delivery, shop.measure("color", rows)["lots"][0]


def draws(shop, delivery):
    """The further draws of a delivery in the list."""
    (own,) = shop.get("receiving", f"/deliveries?lot_id={delivery['lot_id']}")["items"]
    return own["further_draws"]


def test_more_spools_are_drawn_where_a_finding_wants_them(shop):
    """About 8 further spools are drawn in the order of the seed, and no more while they are unmeasured."""
    delivery, after = near(shop, 40)
    (asked,) = after["to_measure"]
    assert asked.startswith("measure about 8 more spools")
    (drawn,) = draws(shop, delivery)
    every = [spool["code"] for spool in delivery["spools"]]
    assert in_draw_order(every, delivery["sample"]["seed"])[3:11] == drawn["spool_codes"]
    assert f"(drawn: {', '.join(drawn['spool_codes'])})" in asked
    assert drawn["reason"].startswith("Lot colour difference: measure about")
    (event,) = shop.get("quality", f"/events?lot_id={delivery['lot_id']}&what=spools%20drawn")["items"]
    assert "quality person" == event["by"]
    shop.color(codes(delivery)[0][0], [95.0, -0.8, 2.2])
    assert 1 == len(draws(shop, delivery))
    middle = shop.measure("color", on(drawn["spool_codes"][0]))["lot"]
    assert "quarantined" == middle["standing"]
    whole = shop.measure("color", [on(code) for code in drawn["spool_codes"]])["lots"][0]
    assert "released" == whole["standing"]
    assert nothing_found()


def test_what_was_known_before_a_draw_names_no_drawn_spool(shop):
    """A past moment has the draws recorded by then."""
    delivery, after = near(shop, 40)
    first = shop.get("quality", f"/lots/{delivery['lot_id']}/decisions")["items"][0]
    assert "drawn:" in after["to_measure"][0]
    then = shop.assessment(delivery["lot_id"], f"?as_of={first['decided_at']}")
    assert [f"measure colour on 3 spools ({', '.join(codes(delivery)[0])}), 1 reading each"] == then["to_measure"]
    now = shop.assessment(delivery["lot_id"])
    assert after["to_measure"] == now["to_measure"]


def test_where_no_spool_is_left_the_lot_says_so(shop):
    """With all three spools measured and the mean still near, the lot says that none is left."""
    delivery, after = near(shop, 3)
    assert [] == draws(shop, delivery)
    assert after["to_measure"][0].endswith("but no spool of this lot is left to draw, so ask quality for a decision")


def test_newer_limits_that_ask_for_more_spools_have_them_drawn(shop):
    """After limits for five spools the reassessment draws two more."""
    grade = shop.grade(limits=THREE)
    delivery = shop.receive(shop.supplier(), grade, spools=6)
    drawn, others = codes(delivery)
    shop.measure("color", [on(code) for code in drawn])
    shop.limit(grade["id"], {**THREE, "sampling": {"fixed": 5}})
    again = shop.post("quality", f"/lots/{delivery['lot_id']}/reassess")
    (more,) = draws(shop, delivery)
    assert "The sample needs 5 spools, but only 3 were drawn." == more["reason"]
    assert (2, True) == (len(more["spool_codes"]), set(more["spool_codes"]) < set(others))
    assert [f"measure colour on 2 more spools ({', '.join(more['spool_codes'])}), 1 reading each"] == again["lot"][
        "to_measure"
    ]
    whole = shop.measure("color", [on(code) for code in more["spool_codes"]])["lots"][0]
    assert "released" == whole["standing"]
    assert nothing_found()


def replace(shop, delivery, drawn, substitute, status=201, reason="crushed in transport"):
    """Requests a substitute."""
    body = {"drawn": drawn, "substitute": substitute, "reason": reason}
    return shop.post("quality", f"/deliveries/{delivery['id']}/substitutes", body, status)


def test_quality_accepts_a_substitute_for_a_drawn_spool(shop, delivery):
    """An accepted substitute for a damaged spool counts with its readings, earlier ones included."""
    drawn, others = codes(delivery)
    shop.measure("color", [on(code) for code in (*drawn[1:], others[0])])
    answer = replace(shop, delivery, drawn[0], others[0])
    assert "released" == answer["lot"]["standing"]
    (kept,) = answer["substitutes"]
    assert (drawn[0], others[0], "crushed in transport", "quality person") == (
        *(kept[name] for name in ("drawn", "substitute", "reason")),
        kept["recorded_by"],
    )
    assert delivery["sample"] == answer["sample"]
    (part,) = shop.get("production", f"/lots/{delivery['lot_id']}/sample")["deliveries"]
    assert ({others[0], *drawn[1:]}, []) == (set(part["drawn"]), part["not_measured"])
    assert set(others[1:]) == set(part["not_drawn"])
    before = shop.get("quality", f"/lots/{delivery['lot_id']}/decisions")["items"][-2]
    then = shop.assessment(delivery["lot_id"], f"?as_of={before['decided_at']}")
    assert "quarantined" == then["standing"]
    (event,) = shop.get("quality", f"/events?lot_id={delivery['lot_id']}&what=sample%20spool%20replaced")["items"]
    assert [1] == event["rows"]["sample_substitute"]
    assert nothing_found()


def test_a_substitute_may_be_replaced_in_turn(shop, delivery):
    """A missing substitute is replaced by another, and a replaced spool is offered no more."""
    drawn, others = codes(delivery)
    replace(shop, delivery, drawn[0], others[0])
    after = replace(shop, delivery, others[0], others[1], reason="missing")["lot"]
    assert [f"measure colour on 3 spools ({', '.join([others[1], *drawn[1:]])}), 1 reading each"] == after["to_measure"]
    said = refused(asked_for(shop, delivery, drawn[0], others[2]), 422, "invalid", ["/drawn"])
    assert f"Spool {drawn[0]} was replaced by {others[0]}." == said["errors"][0]["detail"]


def asked_for(shop, delivery, drawn, substitute):
    """The whole answer to the request for a substitute."""
    body = {"drawn": drawn, "substitute": substitute, "reason": "damaged"}
    return shop.call("quality", "POST", f"/deliveries/{delivery['id']}/substitutes", body)


def test_only_a_drawn_spool_without_readings_is_replaced_by_one_that_was_not_drawn(shop, delivery):
    """Only an unmeasured drawn spool is replaced by one that was not drawn; all errors are reported at once."""
    drawn, others = codes(delivery)
    shop.color(drawn[0], FAR)
    other = shop.receive(shop.supplier("NBK"), shop.grade("PLA-2", THREE), "N-1")["spools"][0]["code"]
    wrong = [
        (drawn[0], others[0], ["/drawn"], f"Spool {drawn[0]} was measured."),
        (others[0], others[1], ["/drawn"], f"Spool {others[0]} is not in the sample of delivery {delivery['id']}."),
        (drawn[1], drawn[2], ["/substitute"], f"Spool {drawn[2]} is in the sample."),
        (drawn[1], other, ["/substitute"], f"Spool {other} did not come with delivery {delivery['id']}."),
        ("X", "Y", ["/drawn", "/substitute"], "Spool X is not in the sample"),
    ]
    for first, second, pointers, detail in wrong:
        said = refused(asked_for(shop, delivery, first, second), 422, "invalid", pointers)
        assert said["errors"][0]["detail"].startswith(detail)
    assert (
        404
        == shop.call(
            "quality", "POST", "/deliveries/99/substitutes", {"drawn": "A", "substitute": "B", "reason": "r"}
        ).status_code
    )


def test_a_look_at_a_spool_is_a_measurement_too(shop, delivery):
    """A spool with a screening reading cannot be replaced until the reading is voided."""
    drawn, others = codes(delivery)
    look = shop.color(drawn[0], FAR, screening=True)
    refused(asked_for(shop, delivery, drawn[0], others[0]), 422, "invalid", ["/drawn"])
    shop.void(look["id"], "typed on the wrong spool")
    replace(shop, delivery, drawn[0], others[0])
