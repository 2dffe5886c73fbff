"""Prohibited uses of a grade are a field that quality changes with a reason; a caution is advice, and a permission is shown."""

import pytest

from lots.store.tables.models import Grade
from tests.store.rows import connected

USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
# Every use asks for one diameter, so that only the grade can speak against one.
LIMITS = {"sampling": {"fixed": 1}, "diameter": {"ovality_max_mm": 0.05}, "uses": {use: ["diameter"] for use in USES}}


def change(shop, grade, status=200, **values):
    """A change of a grade by quality, with the present ETag."""
    path = f"/grades/{grade['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    answer = shop.call("quality", "PATCH", path, values, If_Match=etag)
    assert status == answer.status_code, answer.get_data(as_text=True)
    return answer.get_json()


def released(shop, **grade):
    """A grade and a spool of a lot released for every use."""
    made = shop.grade(limits=LIMITS, **grade)
    spool = shop.receive(shop.supplier(), made, spools=1)["spools"][0]["code"]
    assert "released" == shop.diameter(spool)["lot"]["standing"]
    return made, spool


def forbidden(shop, spool):
    """The uses without clearance of a spool."""
    return {use for use in USES if not shop.ask_clearance(spool, use)["clear"]}


def pointers(problem):
    """The pointers of a refusal."""
    return [fault["pointer"] for fault in problem["errors"]]


@pytest.mark.parametrize(
    ("about", "reason"),
    [
        ({"finish": "matte", "filler_kind": "none"}, "its finish is matte"),
        ({"finish": "Matt", "filler_kind": "pigment"}, "its finish is Matt"),
        ({"filler_kind": "mineral"}, "it has a mineral filler"),
        ({"filler_kind": "fibre", "filler": "10 % glass"}, "it has a fibre filler"),
        ({"filler": "chalk"}, 'the kind of its filler ("chalk") is not stated'),
    ],
)
def test_matte_and_filled_grades_carry_nothing_until_quality_permits_it(shop, about, reason):
    """A matte or filled grade's lot is released, but load-bearing and flexing uses and loads are refused until quality permits one with a reason."""
    grade, spool = released(shop, **about)
    assert {"load_bearing", "flexing"} == forbidden(shop, spool)
    assert [f"The grade is forbidden for flexing use: {reason}."] == shop.ask_clearance(spool, "flexing")["reasons"]
    assert 409 == shop.load(spool, "load_bearing", 409)["status"]

    assert ["/reason"] == pointers(change(shop, grade, 422, permitted_uses=["load_bearing"]))
    now = change(shop, grade, permitted_uses=["load_bearing"], reason="30 bars of 5 lots above 28 MPa")
    assert (["flexing"], ["load_bearing"]) == (now["forbidden_uses"], now["permitted_uses"])
    assert {"flexing"} == forbidden(shop, spool)
    answer = shop.ask_clearance(spool, "load_bearing")
    permission = answer["permission"]
    assert ("load_bearing", "30 bars of 5 lots above 28 MPa", "quality person") == tuple(
        permission[name] for name in ("use", "reason", "by")
    )
    assert any("30 bars of 5 lots above 28 MPa" in caution for caution in answer["cautions"])
    assert shop.ask_clearance(spool, "cosmetic")["permission"] is None
    assert permission == shop.load(spool, "load_bearing")["permission"]

    change(shop, grade, 422, permitted_uses=["load_bearing", "hidden"], reason="all of it")
    assert ["load_bearing", "flexing"] == [
        one["use"] for one in change(shop, grade, permitted_uses=[])["forbidden"] if one["use"]
    ]
    assert {"load_bearing", "flexing"} <= forbidden(shop, spool)


def test_quality_forbids_with_a_reason_and_the_history_keeps_it(shop):
    """Prohibiting a use without a reason is 422; with one the refusal quotes it, and grade and history have person, time and reason."""
    grade, spool = released(shop, filler_kind="none")
    assert ["/reason"] == pointers(change(shop, grade, 422, forbidden_uses=["fit"]))
    assert ["/forbidden_uses/0"] == pointers(change(shop, grade, 422, forbidden_uses=["decor"], reason="why"))
    now = change(shop, grade, forbidden_uses=["fit"], reason="Z shrinks 0.9 % on tall parts")
    (ground,) = now["forbidden"]
    assert ("fit", "quality", "quality person", False) == tuple(
        ground[name] for name in ("use", "source", "by", "permitted")
    )
    assert {"fit"} == forbidden(shop, spool)
    assert "Z shrinks 0.9 % on tall parts" in shop.ask_clearance(spool, "fit")["reasons"][0]
    last = shop.get("quality", "/events?limit=500&what=grade%20changed")["items"][-1]
    assert "Z shrinks 0.9 % on tall parts" == last["content"]["values"]["reason"]
    assert ["/reason"] == pointers(change(shop, grade, 422, forbidden_uses=[]))
    # Existing prohibitions keep their reason; new ones have the new one.
    both = change(shop, grade, forbidden_uses=["fit", "hidden"], reason="it smells")
    assert {"fit": "Z shrinks 0.9 % on tall parts", "hidden": "it smells"} == {
        one["use"]: one["reason"].strip('"') for one in both["forbidden"]
    }
    assert [] == change(shop, grade, forbidden_uses=[], reason="measured again")["forbidden_uses"]
    assert set() == forbidden(shop, spool)


def test_nothing_lifts_a_prohibition_without_a_reason(shop):
    """A finish or filler that frees a use needs a reason, and one that prohibits needs none."""
    grade, spool = released(shop, filler_kind="none")
    change(shop, grade, finish="matte")
    assert {"load_bearing", "flexing"} == forbidden(shop, spool)
    refused = change(shop, grade, 422, finish="satin")
    assert "no longer forbidden for flexing and load-bearing use" in refused["errors"][0]["detail"]
    change(shop, grade, finish="satin", reason="the first entry was a slip")
    assert set() == forbidden(shop, spool)
    change(shop, grade, filler_kind="fibre")
    assert ["/reason"] == pointers(change(shop, grade, 422, filler_kind="none"))
    assert {"load_bearing", "flexing"} == forbidden(shop, spool)


def test_to_forbid_a_permitted_use_ends_its_permission(shop):
    """A new prohibition ends the permission, and a permission ends with the last reason against its use."""
    reason = {"reason": "bars of 31 MPa"}
    grade, spool = released(shop, finish="matte", filler_kind="none")
    change(shop, grade, permitted_uses=["load_bearing", "flexing"], **reason)
    assert set() == forbidden(shop, spool)
    now = change(shop, grade, forbidden_uses=["flexing"], reason="hinges broke")
    assert (["flexing"], ["load_bearing"]) == (now["forbidden_uses"], now["permitted_uses"])
    change(shop, grade, finish="satin")
    assert [] == shop.get("quality", f"/grades/{grade['id']}")["permitted_uses"]
    change(shop, grade, finish="matte")
    assert {"load_bearing", "flexing"} == forbidden(shop, spool)


def test_a_new_grade_takes_what_it_is_forbidden_for(shop):
    """A new grade takes prohibitions with a reason; a permission without a prohibition is refused, and all errors are reported."""
    body = {"code": "A", "polymer": "PLA", "color_name": "Slate", "nominal_diameter_mm": 1.75, "density_g_cm3": 1.24}
    wrong = {**body, "filler_kind": "none", "forbidden_uses": ["fit"], "permitted_uses": ["hidden"]}
    assert ["/permitted_uses/0", "/reason"] == sorted(pointers(shop.post("quality", "/grades", wrong, 422)))
    made = shop.post("quality", "/grades", {**body, "finish": "matt", "forbidden_uses": ["fit"], "reason": "it warps"})
    assert ["fit", "flexing", "load_bearing"] == made["forbidden_uses"]
    assert ["quality", "finish", "finish"] == [one["source"] for one in made["forbidden"]]


def test_grades_to_review_are_listed_until_quality_states_and_confirms(shop):
    """Grades with a prohibition from a caution, or an unstated filler kind, are listed until quality confirms them with a reason."""
    old = shop.grade("OLD", LIMITS, cautions=["No problem for load-bearing parts"])
    done = shop.grade("DONE", filler_kind="none", cautions=["Dry at 50 C only"])
    carried = {"use": "load_bearing", "reason": "No problem for load-bearing parts", "by": "lots migrate"}
    with connected():
        said = [{**carried, "at": "2026-11-01T08:00:00.000000Z", "from_caution": True}]
        Grade.update(forbidden_uses=said).where(Grade.id == old["id"]).execute()
    spool = shop.receive(shop.supplier(), old, spools=1)["spools"][0]["code"]
    shop.diameter(spool)
    assert {"load_bearing"} == forbidden(shop, spool)
    assert "from a caution, not confirmed" in shop.ask_clearance(spool, "load_bearing")["reasons"][0]

    def listed():
        return [one["code"] for one in shop.get("quality", "/grades?to_review=true")["items"]]

    assert ["OLD"] == listed()
    assert [] == shop.get("quality", f"/grades/{done['id']}")["to_review"]
    assert ["OLD"] == [one["code"] for one in shop.get("quality", "/grades?to_review=true&limit=1")["items"]]
    change(shop, old, filler_kind="none")
    # The same list without a reason is no confirmation.
    assert 1 == len(change(shop, old, forbidden_uses=["load_bearing"])["to_review"])
    assert ["OLD"] == listed()
    now = change(shop, old, forbidden_uses=["load_bearing"], reason="bars of 12 MPa")
    assert ([], "quality", '"bars of 12 MPa"') == (
        now["to_review"],
        now["forbidden"][0]["source"],
        now["forbidden"][0]["reason"],
    )
    assert [] == listed()
    # A sentence that was read wrongly: quality takes the prohibition out.
    change(shop, old, forbidden_uses=[], reason="the caution says the opposite")
    assert set() == forbidden(shop, spool)


@pytest.mark.parametrize(
    ("name", "lab", "white"),
    [
        ("Harbour White", [95.0, -0.8, 1.5], True),
        ("off-WHITE", [60.0, 0.0, 0.0], True),
        ("Ecru", [85.0, 6.0, 8.0], True),
        ("Ecru", [84.99, 0.0, 0.0], False),
        ("Lemon", [90.0, -2.0, 10.1], False),
    ],
)
def test_white_carries_a_caution(shop, name, lab, white):
    """A white, by its name or its reference (L* at least 85, chroma at most 10, ends included; by hand: 6 and 8 give 10), has a caution."""
    shade = shop.shade("S", lab)
    grade, spool = released(shop, color_name=name, shade_id=shade["id"], cautions=["keep dry"], filler_kind="none")
    said = (
        "White filament differs by supplier and lot in interlayer strength and shrinkage. Use the values of this lot."
    )
    assert white is (said in shop.ask_clearance(spool)["cautions"])
    shown = shop.get("quality", f"/grades/{grade['id']}")
    assert (["keep dry"], [said] if white else []) == (shown["cautions"], shown["added_cautions"])


def test_a_picked_spool_is_never_of_a_forbidden_grade(shop):
    """Picks, the uses of a lot and its record follow the prohibitions as a clearance does."""
    grade, spool = released(shop, finish="matte", filler_kind="none")
    asked = {"grade_id": grade["id"], "use": "load_bearing", "mass_g": 100}
    assert not shop.post("production", "/picks", asked, 200)["possible"]
    assert shop.post("production", "/picks", {**asked, "use": "cosmetic"}, 200)["possible"]
    (row,) = shop.get("quality", "/lots/uses")["items"]
    assert {"load_bearing", "flexing"} == {one["use"] for one in row["uses"] if one["answer"] == "no"}
    record = shop.get("quality", f"/lots/{row['lot_id']}/record")
    assert row["uses"] == record["uses"]
    assert "White filament differs" in " ".join(record["cautions"])
    assert spool in record["spools"][0]["code"]
