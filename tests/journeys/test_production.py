"""Production with a spool and a job sheet: clearance, settings, loading and unloading."""

import math

import pytest

from tests.shop import SIMPLE_LIMITS, WHITE
from tests.tolerances import SAME_SUM


def test_a_spool_is_checked_and_loaded(shop):
    """A clear spool has one sentence, is loaded, and is listed on its machine."""
    got = shop.good_lot()
    spool = got["spools"][0]["code"]
    answer = shop.ask_clearance(spool, job="J-40", machine="P7")
    assert (True, "Load.", []) == (answer["clear"], answer["says"], answer["reasons"])
    assert ("released", "J-40", "P7") == (answer["standing"], answer["job"], answer["machine"])
    load = shop.load(spool, machine="P7", job="J-40")
    assert (True, 1000, None) == (load["still_loaded"], load["mass_before_g"], load["unloaded_at"])
    assert "P7" == shop.get("production", f"/spools/{spool}")["machine"]
    assert [load["id"]] == [row["id"] for row in shop.get("production", "/loads?open=true&machine=P7")["items"]]


def test_a_spool_that_is_not_clear_is_refused_with_every_reason_and_the_refusal_is_kept(shop):
    """Status, use and grade each give a reason; the load is refused with them and recorded."""
    forbidden = {"forbidden_uses": ["load_bearing", "flexing"], "reason": "never load-bearing or flexing"}
    grade = shop.grade(limits=SIMPLE_LIMITS, cautions=["keep dry"], **forbidden)
    got = shop.receive(shop.supplier(), grade, spools=1)
    spool = got["spools"][0]["code"]
    shop.diameter(spool, 1.84, 1.66)
    asked = shop.ask_clearance(spool, "load_bearing")
    assert asked["clear"] is False
    assert f"Do not load: {asked['reasons'][0]}" == asked["says"]
    said = " ".join(asked["reasons"])
    for part in ("blocked by its readings", "has not been assessed for", "never load-bearing or flexing"):
        assert part in said
    assert "Ovality" in " ".join(shop.ask_clearance(spool, "cosmetic")["reasons"])

    refused = shop.load(spool, "load_bearing", 409, machine="P2", job="J-9")
    assert asked["reasons"] == refused["reasons"]
    assert "/problems/not-clear" == refused["type"]
    assert [] == shop.get("production", "/loads")["items"]
    kept = shop.get("production", "/load-refusals")["items"]
    assert [(spool, "P2", "J-9", "load_bearing", asked["reasons"], "production person")] == [
        (r["spool_code"], r["machine"], r["job"], r["use"], r["reasons"], r["asked_by"]) for r in kept
    ]


@pytest.mark.parametrize(
    "caution",
    ["never load-bearing or flexing", "cosmetic only", "No problem for load-bearing parts", "Dry at 50 C only"],
)
def test_a_caution_is_advice(shop, caution):
    """A caution prohibits no use and is shown with every answer."""
    uses = {use: ["diameter"] for use in ("cosmetic", "fit", "load_bearing", "flexing", "hidden")}
    grade = shop.grade(limits={"diameter": {"ovality_max_mm": 0.05}, "uses": uses}, cautions=[caution])
    spool = shop.receive(shop.supplier(), grade, spools=1)["spools"][0]["code"]
    assert "released" == shop.diameter(spool)["lot"]["standing"]
    answers = {use: shop.ask_clearance(spool, use) for use in uses}
    assert [] == [reason for answer in answers.values() for reason in answer["reasons"]]
    assert all(caution in answer["cautions"] for answer in answers.values())


def test_settings_follow_from_the_measurements(shop):
    """Flow is the nominal section over the mean ellipse of this spool, scale is 1 / (1 - S) per axis (by hand)."""
    limits = {
        "sampling": {"fixed": 1},
        "diameter": {"reading_tolerance_mm": 0.06},
        "shrinkage": {axis: [0, 1] for axis in ("x_percent", "y_percent", "z_percent")},
    }
    got = shop.receive(shop.supplier(), shop.grade(limits=limits), spools=2)
    spool, other = (entry["code"] for entry in got["spools"])
    axes = [(1.72, 1.70), (1.74, 1.71), (1.73, 1.73)]
    lengths = {"x": (100, 99.6), "y": (100, 99.7), "z": (50, 49.95)}
    for d1, d2 in axes:
        shop.diameter(spool, d1, d2)
    for axis, (designed, long) in lengths.items():
        test = {"spool_code": spool, "axis": axis, "feature": "outside", "designed_mm": designed, "measured_mm": long}
        shop.measure("shrinkage", {**test, "age_h": 24})

    cleared = shop.ask_clearance(spool, "fit")
    settings = cleared["settings"]
    ellipses = [math.pi * (d1 / 2) * (d2 / 2) for d1, d2 in axes]
    flow = math.pi * (1.75 / 2) ** 2 / (sum(ellipses) / len(ellipses))
    assert flow == pytest.approx(settings["flow_factor"], abs=SAME_SUM)
    assert flow > 1
    # mm2 times g/cm3 is g/m, and the density of the grade is 1.24.
    left = 1000 / (1.24 * sum(ellipses) / len(ellipses))
    assert left == pytest.approx(cleared["length_m"], rel=SAME_SUM)
    assert left == pytest.approx(shop.get("production", f"/spools/{spool}")["length_m"], rel=SAME_SUM)
    for axis, (designed, long) in lengths.items():
        # 1 / (1 - S) with S = (designed - measured) / designed is designed / measured.
        assert designed / long == pytest.approx(settings[f"scale_{axis}"], abs=SAME_SUM)

    unmeasured = shop.ask_clearance(other, "fit")["settings"]
    assert ("spool", "lot") == (settings["flow_from"], unmeasured["flow_from"])
    assert flow == pytest.approx(unmeasured["flow_factor"], abs=SAME_SUM)
    assert settings == shop.load(spool, "fit")["settings"]


def test_a_spool_is_on_one_machine_at_a_time(shop):
    """A loaded spool is refused on a second machine, which names the first, until unloaded."""
    spool = shop.good_lot()["spools"][0]["code"]
    first = shop.load(spool, machine="P1")
    refused = shop.load(spool, machine="P2", status=409)
    assert any("P1" in reason for reason in refused["reasons"])
    off = shop.unload(first["id"], 640.5)
    assert (640.5, 359.5, False) == (off["remaining_mass_g"], off["mass_used_g"], off["still_loaded"])
    again = shop.load(spool, machine="P2")
    assert 640.5 == again["mass_before_g"]
    shop.unload(first["id"], 100, 409)


def test_a_machine_that_holds_another_spool_says_so(shop):
    """The answer names P1's present spool and job; another machine, the same spool and an unloaded spool give no caution."""
    first, second = (spool["code"] for spool in shop.good_lot(spools=2)["spools"])
    load = shop.load(first, job="J-1043")
    held = f"P1 already holds {first} for J-1043. Unload it first unless P1 has another slot."
    answer = shop.ask_clearance(second, machine="P1")
    assert (True, held) == (answer["clear"], answer["cautions"][0])
    for quiet in (
        shop.ask_clearance(second, machine="P2"),
        shop.ask_clearance(second),
        shop.ask_clearance(first, machine="P1"),
    ):
        assert [] == [caution for caution in quiet["cautions"] if "holds" in caution]
    assert held == shop.load(second, job="J-2")["cautions"][0]
    shop.unload(load["id"], 500)
    (named,) = [c for c in shop.ask_clearance(first, machine="P1")["cautions"] if "holds" in c]
    assert second in named
    assert first not in named


@pytest.mark.parametrize("remaining", [-1, 1000.5, "640", None])
def test_what_cannot_be_left_on_a_spool_is_refused(shop, remaining):
    """A negative, too large or non-numeric remaining mass is refused, and the spool stays loaded."""
    spool = shop.good_lot()["spools"][0]["code"]
    load = shop.load(spool)
    refused = shop.unload(load["id"], remaining, 422)
    assert ["/remaining_mass_g"] == [fault["pointer"] for fault in refused["errors"]]
    assert "P1" == shop.get("production", f"/spools/{spool}")["machine"]
    assert 1000 == shop.unload(load["id"], 1000)["remaining_mass_g"]


def test_an_empty_spool_is_not_loaded(shop):
    """A spool unloaded with 0 g is refused from then on."""
    spool = shop.good_lot()["spools"][0]["code"]
    shop.unload(shop.load(spool)["id"], 0)
    assert [f"Spool {spool} is empty."] == shop.load(spool, status=409)["reasons"]


def test_a_load_noted_later_keeps_both_times(shop):
    """A load entered later has its own time and the recording time; a future time is refused."""
    spool = shop.good_lot()["spools"][0]["code"]
    load = shop.load(spool, loaded_at="2026-11-21T03:10:00+01:00")
    assert "2026-11-21T02:10:00Z" == load["loaded_at"] < load["recorded_at"]
    early = shop.unload(load["id"], 900, 422, unloaded_at="2026-11-21T02:00:00Z")
    assert ["/unloaded_at"] == [fault["pointer"] for fault in early["errors"]]
    off = shop.unload(load["id"], 900, unloaded_at="2026-11-21T06:00:00Z")
    assert "2026-11-21T06:00:00Z" == off["unloaded_at"] < off["unload_recorded_at"]
    overlap = shop.load(spool, status=422, loaded_at="2026-11-21T05:00:00Z")
    assert ["/loaded_at"] == [fault["pointer"] for fault in overlap["errors"]]
    future = shop.load(spool, status=422, loaded_at="2126-11-21T05:00:00Z")
    assert ["/loaded_at"] == [fault["pointer"] for fault in future["errors"]]


def test_two_lots_on_opposite_sides_of_the_reference_do_not_share_a_job(shop):
    """Two lots each 0.7 from the reference are 1.40 apart: both released, but not in one cosmetic job."""
    # 0.71, 0.69 and 1.40: computed with colour-science.
    limits = {**SIMPLE_LIMITS, "color": {"lot_max": 1.0, "step_max": 0.5}}
    grade = shop.grade(limits=limits)
    spools = []
    for code, lab in (("QWT", [95.3, -0.9, 0.8]), ("NBK", [94.7, -0.7, 2.2])):
        got = shop.receive(shop.supplier(code), grade, f"{code}-1", spools=2)
        spools.append(got["spools"][0]["code"])
        shop.diameter(spools[-1])
        assert "released" == shop.color(spools[-1], lab)["lot"]["standing"]
    one, other = spools
    shop.load(one, job="J-50")
    answer = shop.ask_clearance(other, job="J-50")
    (pair,) = answer["shade_match"]
    assert ("QWT-1", 1.40, 0.5, False) == (
        pair["supplier_lot"],
        round(pair["delta_e"], 2),
        pair["limit"],
        pair["within"],
    )
    assert "darker, redder, yellower" == pair["direction"]
    assert [True] == ["1.40" in reason and "QWT-1" in reason for reason in answer["reasons"]]
    shop.load(other, job="J-50", status=409, machine="P2")

    assert shop.ask_clearance(other)["clear"] is True
    assert shop.ask_clearance(other, "hidden", job="J-50")["clear"] is True
    shop.load(other, job="J-51", machine="P2")


def test_a_spool_nobody_logged_is_answered_in_words(shop):
    """An unknown code is 404 with the advice on the spool."""
    for path in ("/spools/NO-LABEL", "/spools/NO-LABEL/clearance?use=cosmetic"):
        assert "NO-LABEL" in shop.get("production", path, 404)["detail"]
    refused = shop.load("NO-LABEL", status=404)
    assert "Do not load it" in refused["detail"]
    assert [] == shop.get("production", "/loads")["items"]


def test_a_lot_without_colour_cannot_join_a_job_that_shows(shop):
    """A lot without a colour is refused beside another lot where colour shows."""
    color = {"lot_max": 1.0, "step_max": 0.5}
    limits = {"sampling": {"fixed": 1}, "color": color, "diameter": {"ovality_max_mm": 0.05}}
    uses = {"cosmetic": ["diameter"], "hidden": ["diameter"]}
    supplier, grade = shop.supplier(), shop.grade(limits={**limits, "uses": uses})
    first, blind = (shop.receive(supplier, grade, lot, spools=1)["spools"][0]["code"] for lot in ("Q-1", "Q-2"))
    shop.diameter(first)
    shop.color(first, WHITE)
    shop.diameter(blind)
    shop.load(first, job="J-60")

    answer = shop.ask_clearance(blind, job="J-60")
    assert [(None, "Q-1")] == [(pair["delta_e"], pair["supplier_lot"]) for pair in answer["shade_match"]]
    assert answer["clear"] is False
    assert "cannot be compared" in answer["says"]
    assert shop.ask_clearance(blind, job="J-61")["clear"] is True
    assert shop.ask_clearance(blind, "hidden", job="J-60")["clear"] is True
