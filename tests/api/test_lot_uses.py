"""Uses of lots: the same answer as a clearance of an ordinary spool of the lot, per use."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from time_machine import travel

from lots.api.http import roles
from lots.domain.assessment.limits_revision import USES
from tests.api.pictures.seen import picture
from tests.shop import FULL_LIMITS, SIMPLE_LIMITS

# A lot good for some uses: its diameter passes, its colour fails, its bond and the rest are open.
NAMED = {**SIMPLE_LIMITS, "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]}}


def answers(shop, lot_id, role="production"):
    """Use -> answer of one lot."""
    row = next(row for row in shop.get(role, "/lots/uses?limit=500")["items"] if row["lot_id"] == lot_id)
    return {part["use"]: part["answer"] for part in row["uses"]}


def concession(shop, lot_id, **more):
    """A concession on a lot, approved by a second person."""
    until = (datetime.now(UTC) + timedelta(days=3)).isoformat()
    body = {"uses": ["cosmetic"], "max_mass_g": 500, "valid_until": until, "reason": "inside of a box", **more}
    number = shop.post("quality", f"/lots/{lot_id}/concessions", body)["id"]
    shop.post("admin", f"/concessions/{number}/approve", {})
    return number


@pytest.fixture
def lots(shop):
    """Lots by status: released, restricted, in quarantine, blocked, held, scrapped, without limits, of a prohibited grade."""
    a, plain, named = shop.supplier(), shop.grade("P", SIMPLE_LIMITS), shop.grade("N", NAMED)
    found = {"released": shop.good_lot(a, plain, "L-1")["lot_id"], "waiting": shop.receive(a, plain, "L-2")["lot_id"]}
    off = shop.receive(a, named, "L-3", spools=1)
    shop.diameter(off["spools"][0]["code"])
    shop.color(off["spools"][0]["code"], [90.0, -0.8, 1.5])
    bad = shop.receive(a, plain, "L-4", spools=1)
    shop.diameter(bad["spools"][0]["code"], 1.9, 1.9)
    found |= {"restricted": off["lot_id"], "blocked": bad["lot_id"]}
    for name, action in (("held", "hold"), ("taken out", "block"), ("gone", "scrap")):
        found[name] = shop.good_lot(a, plain, f"L-{name}")["lot_id"]
        shop.decide(found[name], action)
    found["no limits"] = shop.receive(a, shop.grade("B", shade_id=None), "L-8")["lot_id"]
    found["full"] = shop.receive(a, shop.grade("F", FULL_LIMITS), "L-9")["lot_id"]
    never = shop.grade("C", SIMPLE_LIMITS, forbidden_uses=["cosmetic"], reason="it shows every finger")
    found["forbidden"] = shop.good_lot(a, never, "L-10")["lot_id"]
    return found


def test_each_lot_is_answered_for_each_use(shop, lots):
    """Each use is answered by the verdict, manual decisions and prohibitions; where limits name no uses, colour covers cosmetic."""
    said = {name: answers(shop, number) for name, number in lots.items()}
    order = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
    unknown = ["not_judged"] * 3
    assert {
        "released": ["yes", *unknown, "yes"],
        "waiting": ["not_yet", *unknown, "not_yet"],
        "restricted": ["no", *unknown, "yes"],
        "blocked": ["no", *unknown, "no"],
        "held": ["not_yet", *unknown, "not_yet"],
        "taken out": ["no"] * 5,
        "gone": ["no"] * 5,
        "no limits": ["not_judged", *unknown, "not_yet"],
        "full": ["not_yet", "not_judged", "not_yet", "not_judged", "not_yet"],
        "forbidden": ["no", *unknown, "yes"],
    } == {name: [found[use] for use in order] for name, found in said.items()}


def test_a_failed_use_of_an_unfinished_lot_states_the_finding(shop):
    """Its diameter fails for two uses, and its colour is not measured."""
    off = shop.receive(
        shop.supplier(), shop.grade("N", {**NAMED, "uses": {**NAMED["uses"], "fit": ["color"]}}), spools=1
    )
    shop.diameter(off["spools"][0]["code"], 1.9, 1.9)
    assert "quarantined" == shop.lot(off["lot_id"])["standing"]
    (row,) = shop.get("production", "/lots/uses")["items"]
    says = {part["use"]: part["says"] for part in row["uses"]}
    assert "1.9" in says["hidden"]
    assert "measurements are not complete" in says["fit"]


def test_it_never_says_yes_where_a_clearance_says_no(shop, lots):
    """For every lot and use, `yes` and `concession` are exactly where an ordinary spool is clear, with equal reasons."""
    concession(shop, lots["blocked"])
    for row in shop.get("purchasing", "/lots/uses?limit=500")["items"]:
        spool = shop.lot(row["lot_id"])["spools"][-1]["code"]
        assert list(USES) == [part["use"] for part in row["uses"]]
        for part in row["uses"]:
            asked = shop.ask_clearance(spool, part["use"])
            assert asked["clear"] is (part["answer"] in ("yes", "concession")), (row["supplier_lot"], part)
            assert set(part["reasons"]) <= set(asked["reasons"])
            assert bool(part["reasons"]) is (part["answer"] not in ("yes", "concession"))


def test_a_concession_opens_its_use_until_it_ends(shop, lots):
    """A concession permits its uses until it ends, and its terms are in the answer."""
    number = lots["blocked"]
    concession(shop, number)
    assert ("concession", "no") == tuple(answers(shop, number)[use] for use in ("cosmetic", "hidden"))
    row = next(row for row in shop.get("quality", "/lots/uses")["items"] if row["lot_id"] == number)
    assert "under concession" in row["uses"][0]["says"]
    with travel(datetime.now(UTC) + timedelta(days=4)):
        assert "no" == answers(shop, number)["cosmetic"]


def test_the_list_is_filtered_and_paged_as_lots_are(shop, lots):
    """The list has the filters, pages and order of lots, and a picture shows the requested page."""
    for query in ("", "standing=released", "order=newest&limit=3", "grade_id=2", "supplier_lot=L-1"):
        found = [row["lot_id"] for row in shop.get("receiving", f"/lots/uses?{query}")["items"]]
        assert [row["id"] for row in shop.get("receiving", f"/lots?{query}")["items"]] == found
    seen = picture(shop, "receiving", "/lots/uses?order=newest&limit=3")
    newest = [row["supplier_lot"] for row in shop.get("receiving", "/lots?order=newest&limit=3")["items"]]
    assert newest == [word for word in seen.words if word.startswith("L-")]
    assert "More lots follow" in seen.said


@pytest.mark.parametrize("role", roles.ALL)
def test_every_desk_may_see_it(shop, role):
    """Every role can read the uses, and the picture has the words of the figures."""
    number = shop.good_lot()["lot_id"]
    assert "yes" == answers(shop, number, role)["cosmetic"]
    assert "cosmetic yes" in picture(shop, role, "/lots/uses").description
