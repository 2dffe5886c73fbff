"""Alternatives offered after a refusal: lots of the job first, then by match, then by age; each is clear and has enough."""

from __future__ import annotations

import pytest

from tests.shop import RECEIVED, SIMPLE_LIMITS, WHITE

LIMITS = {**SIMPLE_LIMITS, "color": {"lot_max": 1.5, "job_pair_max": 0.5}}


def off(b):
    """A white this much yellower. CIEDE2000 by colour-science 0.4.7: b* + 0.1 is 0.094, + 0.3 is 0.280, + 0.4 is 0.372, + 1.4 is 1.279."""
    return [WHITE[0], WHITE[1], WHITE[2] + b]


def lot_of(shop, grade, number, b=0.0, day=1, spools=2):
    """A released lot of a separate supplier, received on a day of October."""
    received = f"2026-10-{day:02}T08:00:00Z"
    got = shop.receive(shop.supplier(f"S-{number}"), grade, number, spools, received_at=received)
    code = got["spools"][0]["code"]
    shop.diameter(code)
    shop.color(code, off(b))
    assert "released" == shop.lot(got["lot_id"])["standing"]
    return got


def codes(lot):
    """The codes of a lot's spools."""
    return [spool["code"] for spool in lot["spools"]]


def offered(shop, spool, use="cosmetic", **more):
    """(lot, reason) of each offered spool, which is clear for the same request."""
    answer = shop.ask_clearance(spool, use, **more)
    assert not answer["clear"]
    for other in answer["others"]:
        assert shop.ask_clearance(other["spool_code"], use, **more)["clear"]
    return [(other["supplier_lot"], other["why"]) for other in answer["others"]]


@pytest.fixture
def grade(shop):
    """A white whose lots can differ by 0.5 in one job."""
    return shop.grade(limits=LIMITS)


def test_lots_of_the_job_come_first_then_the_closest_then_the_oldest(shop, grade):
    """In a job another spool of its lot comes first, then the closest match whatever its age, and never a lot that does not match."""
    far = lot_of(shop, grade, "FAR", 1.4, 1)
    _, closer = lot_of(shop, grade, "OLDER", 0.4, 2, 1), lot_of(shop, grade, "CLOSER", 0.1, 3, 1)
    running = lot_of(shop, grade, "RUNNING", 0.0, 4)
    shop.load(codes(running)[0], job="J-1")
    match = "Colour difference from the other lots of this job: at most {}."
    assert [
        ("RUNNING", "Already used in this job."),
        ("CLOSER", match.format("0.09")),
        ("OLDER", match.format("0.37")),
    ] == offered(shop, codes(far)[0], job="J-1")
    shop.load(codes(running)[1], job="J-1", machine="P2")
    assert ["CLOSER", "OLDER"] == [lot for lot, _ in offered(shop, codes(far)[0], job="J-1")]
    shop.decide(closer["lot_id"], "block")
    assert ["OLDER"] == [lot for lot, _ in offered(shop, codes(far)[0], job="J-1")]


def test_where_colour_does_not_show_age_decides_after_the_job(shop):
    """For hidden parts the lot of the job comes first, then the oldest stock, whatever its colour."""
    uses = {"cosmetic": ["color"], "hidden": ["diameter"]}
    grade = shop.grade(limits={**LIMITS, "uses": uses})
    _, _, running, asked = (
        lot_of(shop, grade, number, b, day, 1 + (number in ("RUNNING", "ASKED")))
        for number, b, day in (("OLD", 1.4, 1), ("NEAR", 0.1, 2), ("RUNNING", 0.0, 3), ("ASKED", 0.0, 4))
    )
    shop.load(codes(running)[0], "hidden", job="J-1")
    shop.decide(asked["lot_id"], "hold")
    assert [
        ("RUNNING", "Already used in this job."),
        ("OLD", "Oldest lot in stock."),
        ("NEAR", "Received 2026-10-02."),
    ] == offered(shop, codes(asked)[0], "hidden", job="J-1")


def test_without_a_job_the_same_lot_comes_first_then_the_oldest(shop, grade):
    """Without a job another spool of the requested lot comes first, then first in, first out."""
    middle, _, old = (lot_of(shop, grade, *one) for one in (("MID", 0.4, 5), ("YOUNG", 0.4, 9, 1), ("OLD", 1.4, 1)))
    shop.load(codes(middle)[0])
    oldest = ("OLD", "Oldest lot in stock.")
    assert [("MID", "Same lot."), oldest, oldest] == offered(shop, codes(middle)[0])
    shop.load(codes(old)[0], machine="P2", job="J-2")
    assert [("MID", "Same lot."), oldest, ("YOUNG", "Received 2026-10-09.")] == offered(shop, codes(middle)[0])


def test_only_spools_with_enough_are_offered(shop, grade):
    """For 700 g a spool with less is left out, and one with exactly 700 g is not."""
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "PART",
        "received_at": RECEIVED,
    }
    lot = shop.post(
        "receiving", "/deliveries", {**body, "spools": [{"net_mass_g": g} for g in (300, 700, 699.9, 1000)]}
    )
    shop.diameter(lot["sample"]["spool_codes"][0])
    shop.color(lot["sample"]["spool_codes"][0], WHITE)
    answer = shop.ask_clearance(codes(lot)[0], mass_g="700")
    assert [700, 1000] == [other["remaining_mass_g"] for other in answer["others"]]
    assert "300 g left" in answer["reasons"][0]


def test_a_lot_with_nothing_left_is_offered_nowhere(shop, grade):
    """A lot used up, or respooled to the last gram with rounding, is in no table, pick or refusal."""
    empty, spun, left = (lot_of(shop, grade, number, spools=1) for number in ("EMPTY", "SPUN", "LEFT"))
    shop.unload(shop.load(codes(empty)[0])["id"], 0)
    for number, grams in enumerate((333.3, 333.3, 333.4)):
        parents = [{"spool_code": codes(spun)[0], "mass_g": grams}, {"spool_code": codes(left)[0], "mass_g": 1}]
        shop.post("production", "/spools", {"code": f"MIX-{number}", "parents": parents})
    assert 0 == shop.get("production", f"/spools/{codes(spun)[0]}")["remaining_mass_g"]
    assert ["LEFT"] == [
        lot["supplier_lot"] for lot in shop.get("production", f"/match-table?grade_id={grade['id']}")["lots"]
    ]
    for lot in (empty, spun):
        assert ["LEFT"] == [
            line["supplier_lot"] for line in shop.get("production", f"/lots/{lot['lot_id']}/matches")["items"]
        ]
        assert ["LEFT"] == [name for name, _ in offered(shop, codes(lot)[0])]
    pick = {"grade_id": grade["id"], "use": "cosmetic", "mass_g": 500}
    assert 1 == shop.post("production", "/picks", pick, 200)["considered"]["lots"]


def test_spools_that_fail_by_themselves_do_not_hide_those_that_do_not(shop):
    """Fourteen expired opened spools do not hide a sealed one, because the next dozen is examined."""
    grade = shop.grade(limits=LIMITS, open_life_days=14)
    lot = lot_of(shop, grade, "L", spools=16)
    for code in codes(lot)[:15]:
        shop.post("production", f"/spools/{code}/events", {"event": "opened", "at": "2026-10-02T08:00:00Z"})
    others = shop.ask_clearance(codes(lot)[0])["others"]
    assert [codes(lot)[15]] == [other["spool_code"] for other in others]


def test_a_lot_of_another_grade_of_the_shade_is_not_offered(shop):
    """PETG of the same shade is no alternative to PLA, though it runs in the job."""
    shade = shop.shade("HW")
    pla, petg = (shop.grade(code, LIMITS, shade_id=shade["id"]) for code in ("PLA-1", "PETG-1"))
    one, other = lot_of(shop, pla, "PLA", spools=1), lot_of(shop, petg, "PETG", spools=2)
    shop.load(codes(other)[0], job="J-1")
    shop.load(codes(one)[0], job="J-1", machine="P2")
    assert [] == offered(shop, codes(one)[0], job="J-1")
