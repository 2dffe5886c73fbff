"""Drift over consecutive lots, too slow to see from lot to lot."""

import pytest

from lots.domain.characteristics.registry import MEASURES
from tests import tolerances
from tests.journeys import supply
from tests.journeys.supply import BOTH_ENGINES, COLOR, followed, whites
from tests.shop import CONDITIONS, WHITE

# Lots of a steady supplier: b* to either side of the reference, the same again and again.
STEADY = [0.02, -0.02, 0.03, -0.03, 0.01, -0.01, 0.02, -0.02]


@pytest.fixture
def engine():
    """SQLite alone, because figures are JSON computed outside the database; tests that name engines compare both."""
    return "sqlite"


@pytest.fixture
def bought(shop):
    """A supplier and a white grade."""
    return shop.supplier(), shop.grade(limits=COLOR)


def walk(lots, step=0.08):
    """b* of lots, each this much yellower than the one before, the first on the reference."""
    return [step * number for number in range(lots)]


def only(found, part):
    """The one entry of a part of the answer."""
    (entry,) = found[part]
    return entry


@BOTH_ENGINES
def test_a_slow_walk_of_released_lots_is_signalled_before_anybody_chose_a_baseline(shop, bought):
    """Twelve released lots, 0.08 yellower each, signal with start, size, direction and projection from the provisional baseline."""
    whites(*bought, walk(12))
    found = followed(shop, *bought)
    assert ["released"] * 12 == [lot["standing"] for lot in found["lots"]]
    signal = only(found, "signals")
    assert ("yellower", "ramp", True) == (signal["direction"], signal["kind"], signal["active"])
    assert ("Q-01", "Q-12") == (signal["began"]["supplier_lot"], signal["last"]["supplier_lot"])
    assert pytest.approx(0.08, abs=tolerances.COORDINATES) == signal["size"]
    assert pytest.approx(11 * 0.08, abs=tolerances.COORDINATES) == signal["departure"]
    for words in ("yellower since about lot Q-01", "by 0.08 per lot", "0.88 in total up to lot Q-12", "Mann-Kendall"):
        assert words in found["says"]
    # 1.0 is allowed: the fourteenth lot is the first at 13 x 0.08 = 1.04, the thirteenth at 0.96.
    ahead = only(found, "projection")
    assert (1.0, 14, 14, 14) == tuple(ahead[name] for name in ("limit", "about", "earliest", "latest"))
    assert "about lot 14" in ahead["says"]
    assert "Lot Q-12 was number 12" in ahead["says"]
    base = only(found, "baseline")
    assert (False, "provisional", 8, None) == tuple(base[name] for name in ("chosen", "status", "n", "revision"))
    assert "These lots drift, so the charts are less sensitive." in base["says"]


def test_against_a_chosen_baseline_the_same_walk_is_called_sooner(shop, bought):
    """With the agreed mean 0 and deviation 0.05, the third lot at 0.16 exceeds three deviations, before eight lots exist."""
    whites(*bought, walk(12))
    supplier, grade = bought
    given = {"color.component_b": {"mean": 0.0, "sigma": 0.05}}
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "given": given, "reason": "agreed in writing"}
    shop.post("quality", "/baselines", body)
    found = followed(shop, *bought)
    base = only(found, "baseline")
    assert (True, "given", 1) == (base["chosen"], base["status"], base["revision"])
    assert "(agreed values), chosen by quality person." in base["says"]
    signal = only(found, "signals")
    calls = {call["by"]: call["supplier_lot"] for call in signal["calls"]}
    assert "Q-03" == calls["individuals"]
    assert "Q-02" == signal["began"]["supplier_lot"]
    assert ("yellower", "ramp", True) == (signal["direction"], signal["kind"], signal["active"])
    assert pytest.approx(11 * 0.08, abs=tolerances.COORDINATES) == signal["departure"]
    assert 14 == only(found, "projection")["about"]


def test_the_other_way_is_told_in_its_own_words(shop, bought):
    """Lots that drift to blue are described as bluer, with the limit on that side."""
    whites(*bought, [-b for b in walk(12)])
    found = followed(shop, *bought)
    assert "bluer since about lot Q-01" in found["says"]
    assert (-1.0, 14) == (only(found, "projection")["limit"], only(found, "projection")["about"])


def test_refused_lots_are_part_of_the_series(shop, bought):
    """Blocked and returned lots are part of the series."""
    numbers = whites(*bought, walk(14))
    shop.decide(numbers[6], "return", "too late for its job")
    found = followed(shop, *bought)
    assert [*["released"] * 6, "returned", *["released"] * 6, "blocked"] == [lot["standing"] for lot in found["lots"]]
    assert numbers == [point["lot_id"] for point in only(found, "series")["points"]]
    assert "Q-14" == only(found, "signals")["last"]["supplier_lot"]
    assert "has been reached" in only(found, "projection")["says"]


def test_a_lot_sorted_and_sent_again_is_no_lot_of_the_series(shop, bought):
    """A sorted and resubmitted lot is not part of the series."""
    *_, refused = whites(*bought, walk(14))
    supplier, grade = bought
    again = shop.receive(supplier, grade, "Q-14S", spools=1, resubmission_of=refused)
    shop.color(again["spools"][0]["code"], WHITE)
    found = followed(shop, *bought)
    assert [f"Q-{number:02d}" for number in range(1, 15)] == [lot["supplier_lot"] for lot in found["lots"]]
    assert 14 == len(only(found, "series")["points"])


def test_another_reference_starts_the_series_anew(shop, bought):
    """Another reference starts a new series, and no chart spans both."""
    whites(*bought, [*STEADY, 0.01])
    _, grade = bought
    shop.approve(grade["shade_id"], [WHITE[0], WHITE[1], WHITE[2] + 0.5])
    whites(*bought, [0.5 + b for b in [*STEADY, 0.01]], first=10)
    found = followed(shop, *bought)
    points = only(found, "series")["points"]
    assert [1] * 9 + [2] * 9 == [point["stretch"] for point in points]
    assert pytest.approx([*STEADY, 0.01] * 2, abs=tolerances.COORDINATES) == [point["value"] for point in points]
    assert [[*range(1, 10)], [*range(10, 19)]] == [[p["number"] for p in chart["points"]] for chart in found["charts"]]
    assert ["reference revision 1", "reference revision 2"] == [b["read"].partition(",")[0] for b in found["baseline"]]
    mark = only(found, "marks")
    assert (10, "color.component_b") == (mark["before_number"], mark["measure"])
    for words in (
        "From lot Q-10 on: reference revision 2",
        "Before: reference revision 1",
        "A new series starts here.",
    ):
        assert words in mark["says"]
    assert [] == found["signals"]
    assert "no significant drift over 9 lots" in found["says"]


def test_another_instrument_starts_the_series_anew_and_an_old_drift_is_no_news(shop, bought):
    """Another instrument, 0.5 bluer, starts a new series without a drift, and an earlier drift is past."""
    old, new = (
        shop.post("quality", "/instruments", {"code": code, "kind": "spectrophotometer", "check_interval_days": 3650})
        for code in ("SPEC-1", "SPEC-2")
    )
    whites(*bought, walk(12), instrument=old)
    whites(*bought, [0.4, 0.41], first=13, instrument=new)
    found = followed(shop, *bought)
    signal = only(found, "signals")
    assert (1, False) == (signal["stretch"], signal["active"])
    assert "Lots after Q-12 were measured differently" in signal["says"]
    assert "From lot Q-13 on: reference revision 1, read with SPEC-2" in only(found, "marks")["says"]
    assert "2 lots measured in the same way, too few" in found["says"]
    assert ["provisional", "none"] == [base["status"] for base in found["baseline"]]
    assert ", 6 more than now" in found["baseline"][1]["says"]


def test_a_voided_reading_leaves_the_series_at_once(shop, bought):
    """A lot whose only reading is voided has no figure, and one whose second is voided has that of its first."""
    numbers = whites(*bought, walk(12))
    readings = [shop.get("quality", f"/lots/{number}/readings")["items"][0]["id"] for number in numbers[-2:]]
    code = shop.get("quality", f"/lots/{numbers[-1]}")["spools"][0]["code"]
    second = shop.color(code, [WHITE[0], WHITE[1], WHITE[2] + 0.98])
    assert pytest.approx((0.88 + 0.98) / 2) == only(followed(shop, *bought), "series")["points"][-1]["value"]
    shop.void(second["id"])
    assert pytest.approx(0.88) == only(followed(shop, *bought), "series")["points"][-1]["value"]
    shop.void(readings[0])
    points = only(followed(shop, *bought), "series")["points"]
    assert [*range(1, 11), 12] == [point["number"] for point in points]


def test_a_lot_without_the_figure_is_passed_over(shop, bought):
    """A lot without a colour is counted and has no figure in the colour's series."""
    whites(*bought, [0.0, 0.1])
    with supply.at_the_desks():
        came = supply.delivery(*bought, "Q-03", supply.month(3))
        supply.reading("diameter", came["spools"][0]["code"], supply.month(3), d1_mm=1.75, d2_mm=1.76)
    whites(*bought, [0.2], first=4)
    found = followed(shop, *bought)
    assert [1, 2, 3, 4] == [lot["number"] for lot in found["lots"]]
    assert [1, 2, 4] == [point["number"] for point in only(found, "series")["points"]]
    assert [3] == [point["number"] for point in only(followed(shop, *bought, "diameter.mean"), "series")["points"]]


def test_a_jump_is_told_from_a_walk(shop, bought):
    """A step has no slope, so there is no projection."""
    whites(*bought, [*STEADY, *(0.5 + b for b in STEADY[:4])])
    found = followed(shop, *bought)
    signal = only(found, "signals")
    assert ("step", "Q-09", True) == (signal["kind"], signal["began"]["supplier_lot"], signal["active"])
    assert "yellower from about lot Q-09 on, by 0.50 in one step" in found["says"]
    assert "by itself" not in found["says"]
    ahead = only(found, "projection")
    assert ahead["about"] is None
    assert "moved in one step" in ahead["says"]


def test_one_lot_far_off_is_not_called_a_drift(shop, bought):
    """One distant lot is described as a single outlier, though the charts also signal the next lot."""
    whites(*bought, [*STEADY, 0.5, 0.0])
    found = followed(shop, *bought)
    signal = only(found, "signals")
    assert ("single", "Q-09", False) == (signal["kind"], signal["began"]["supplier_lot"], signal["active"])
    assert "yellower in lot Q-09 alone, by 0.50" in signal["says"]
    assert "no significant drift over 10 lots" in found["says"]


def test_a_jump_in_the_latest_lot_is_not_yet_called_lasting(shop, bought):
    """A jump in the latest lot is described as the latest, not as lasting."""
    whites(*bought, [*STEADY, 0.5])
    assert "yellower in lot Q-09, the latest, by 0.50." in followed(shop, *bought)["says"]


def test_a_drift_that_is_over_says_since_which_lot(shop, bought):
    """A past drift names the first lot without a signal."""
    whites(*bought, [*STEADY, *[0.11] * 3, *[0.02, -0.02] * 8])
    found = followed(shop, *bought)
    (signal,) = (s for s in found["signals"] if s["kind"] == "step")
    assert ("Q-09", False) == (signal["began"]["supplier_lot"], signal["active"])
    assert (
        f"Back at the baseline since lot {found['lots'][signal['last']['number']]['supplier_lot']}." in signal["says"]
    )
    assert "no significant drift over 27 lots" in found["says"]


def test_run_rules_are_looked_for_on_request(shop, bought):
    """Sixteen alternating lots are a pattern with run rules (N4) and nothing without; the answer states the cost of run rules."""
    whites(*bought, STEADY * 2)
    plain, ruled = followed(shop, *bought), followed(shop, *bought, run_rules="true")
    assert ([], False) == (plain["signals"], plain["run_rules"])
    signal = only(ruled, "signals")
    assert ("pattern", 0, "pattern", None) == tuple(
        signal[name] for name in ("kind", "side", "unlisted_because", "worsens")
    )
    assert ({"N4"}, True) == ({call["by"] for call in signal["calls"]}, ruled["run_rules"])
    assert (20, 5, 15) == tuple(plain["error_rates"][name] for name in ("lots", "active_percent", "ever_percent"))
    assert 30 == ruled["error_rates"]["ever_percent"]
    assert "At most 5 % of steady series have an active signal at their 20th lot." in plain["error_rates"]["says"]


def test_an_improvement_is_shown_as_one_and_not_listed(shop, bought):
    """Lots from 0.5 to the reference are an improvement and not listed; the reverse is listed."""
    whites(*bought, [*(0.5 + b for b in STEADY), *STEADY[:4]])
    found = followed(shop, *bought)
    signal = only(found, "signals")
    assert (True, False, False, "improvement") == tuple(
        signal[name] for name in ("active", "worsens", "listed", "unlisted_because")
    )
    assert "This is an improvement" in found["says"]
    assert (1, 0) == (found["series_looked_at"], found["series_listed"])
    other = shop.supplier("NBK"), bought[1]
    whites(*other, [*STEADY, *(0.5 + b for b in STEADY[:4])])
    signal = only(followed(shop, *other), "signals")
    assert (True, True, None) == tuple(signal[name] for name in ("worsens", "listed", "unlisted_because"))
    assert signal["p_value"] < 0.001


def test_a_shift_below_a_tenth_of_the_limit_is_shown_and_not_listed(shop, bought):
    """A step of 0.09 where 1.0 is allowed is on the drift page alone."""
    whites(*bought, [*STEADY, *(0.09 + b for b in STEADY[:4])])
    found = followed(shop, *bought)
    assert (False, "small") == tuple(only(found, "signals")[name] for name in ("listed", "unlisted_because"))
    assert "less than a tenth of the limit" in found["says"]


def test_of_many_measures_those_are_told_first_that_are_more_than_chance(shop, bought):
    """For the whole colour the answer counts its series, lists those that moved, and each signal has its p-value."""
    whites(*bought, [*STEADY, *(0.5 + b for b in STEADY[:4])])
    found = followed(shop, *bought, "color")
    listed = {signal["measure"] for signal in found["signals"] if signal["listed"]}
    assert "color.component_b" in listed
    assert (len(listed), 0.1) == (found["series_listed"], found["false_discovery_rate"])
    assert sum(bool(line["points"]) for line in found["series"]) == found["series_looked_at"]
    assert "from about lot Q-09 on, by 0.50 in one step" in found["says"]


def test_lots_of_an_estimated_baseline_are_marked_and_the_next_have_wider_limits(shop, bought):
    """The first eight lots enter no average; the ninth has wider limits than three deviations, because they are estimated."""
    whites(*bought, [*STEADY, 0.0, 0.01])
    found = followed(shop, *bought)
    (chart,), base = found["charts"], only(found, "baseline")
    assert [True] * 8 + [False] * 2 == [point["in_baseline"] for point in chart["points"]]
    ninth = chart["points"][8]
    assert ninth["individuals_high"] - base["mean"] > 3 * base["sigma"] > ninth["ewma_high"] - base["mean"]
    assert (
        "Provisional baseline: the first 8 lots. The control limits allow for the uncertainty of the baseline."
        == base["says"]
    )


def test_too_few_lots_are_shown_and_not_charted(shop, bought):
    """Seven lots have figures and the number of lots still needed for a baseline."""
    whites(*bought, STEADY[:7])
    found = followed(shop, *bought)
    assert (7, []) == (len(only(found, "series")["points"]), found["charts"])
    assert ", 1 more than now" in only(found, "baseline")["says"]
    assert "7 lots measured in the same way, too few" in found["says"]
    whites(*bought, STEADY[7:], first=8)
    assert 1 == len(followed(shop, *bought)["charts"])


def test_lots_that_are_all_the_same_have_nothing_to_chart_by(shop, bought):
    """Equal lots have no spread to chart by, and the answer says so."""
    whites(*bought, [0.1] * 10)
    found = followed(shop, *bought)
    assert ("none", []) == (only(found, "baseline")["status"], found["charts"])
    assert "all equal" in only(found, "baseline")["says"]


def test_a_colour_can_be_unusual_as_a_whole(shop, bought):
    """A lot that breaks the correlation of a* and b* signals, though neither is unusual alone."""
    ways = [0.06, -0.05, 0.04, -0.06, 0.05, -0.04, 0.06, -0.05, 0.05, -0.06]
    with supply.at_the_desks():
        for number, way in enumerate([*ways, 0.06], start=1):
            came = supply.delivery(*bought, f"Q-{number:02d}", supply.month(number))
            a = way + 0.005 * (-1) ** (number // 2) if number <= len(ways) else -way
            light = 0.03 * (-1) ** (number // 3)
            supply.color(came["spools"][0]["code"], supply.month(number), way, a, light)
    found = followed(shop, *bought, "color")
    whole = only(found, "together")
    (called,) = whole["signals"]
    assert "Q-11" == called["supplier_lot"]
    assert {"color.component_a", "color.component_b"} >= set(called["driven_by"])
    assert "Lot Q-11 is unusual in colour as a whole" in called["says"]
    assert whole["points"][-1]["t2"] > whole["limit"]
    last = {chart["measure"]: chart["points"][-1]["z"] for chart in found["charts"]}
    assert max(abs(last["color.component_a"]), abs(last["color.component_b"])) < 3


def test_the_time_asked_for_bounds_the_lots(shop, bought):
    """`from` and `to`, both inclusive, select the lots."""
    whites(*bought, walk(12))
    found = followed(shop, *bought, from_=supply.asked(supply.month(3)), to=supply.asked(supply.month(7)))
    assert ["Q-03", "Q-04", "Q-05", "Q-06", "Q-07"] == [lot["supplier_lot"] for lot in found["lots"]]
    assert [] == followed(shop, *bought, to="2020-01-01T00:00:00Z")["lots"]


def test_an_unknown_characteristic_is_answered_with_those_there_are(shop, bought):
    """An unknown characteristic is refused with the known ones, and an unknown supplier or grade is not found."""
    supplier, grade = bought
    path = f"/drift?supplier_id={supplier['id']}&grade_id={grade['id']}"
    said = shop.get("production", f"{path}&characteristic=taste", 422)["errors"][0]
    assert "characteristic" == said["pointer"]
    for name in ("color", "moisture", *MEASURES):
        assert name in said["hint"]
    shop.get("production", f"/drift?supplier_id=9&grade_id={grade['id']}&characteristic=color", 404)
    shop.get("production", f"/drift?supplier_id={supplier['id']}&grade_id=9&characteristic=color", 404)


@pytest.mark.parametrize("role", ["receiving", "quality", "purchasing", "production"])
def test_every_desk_may_follow_a_supplier(shop, bought, role):
    """Every role can read drift."""
    supplier, grade = bought
    path = f"/drift?supplier_id={supplier['id']}&grade_id={grade['id']}&characteristic=color"
    assert "no lot has been measured" in shop.get(role, path)["says"]


# Far enough from grey that it has a hue to follow.
BRICK = [50.0, 30.0, 20.0]
SHRINK = {"feature": "outside", "designed_mm": 100.0, "age_h": 24.0}


def everything(spool, at, number):
    """One reading of every kind, each slightly different from the lot before."""
    wave = (0.0, 0.6, -0.4, 0.9, -0.8, 0.3, -0.2)[number % 7]
    lab = [BRICK[0] + 0.05 * wave, BRICK[1] + 0.04 * wave, BRICK[2] + 0.06 * (number % 5)]
    supply.reading("color", spool, at, lab=lab, conditions=CONDITIONS)
    supply.reading("diameter", spool, at, d1_mm=1.75 + 0.002 * wave, d2_mm=1.75 - 0.001 * (number % 3))
    for axis in "xyz":
        supply.reading("shrinkage", spool, at, axis=axis, measured_mm=99.7 + 0.02 * wave, **SHRINK)
    supply.reading("bond", spool, at, stress_mpa=25.0 + wave, control=False)
    supply.reading("bond", spool, at, stress_mpa=30.0, control=True)
    supply.reading("surface", spool, at, specks=number % 3, area_dm2=2.0)
    supply.reading("stringing", spool, at, hairs=number % 3, gaps=20)
    supply.reading("moisture", spool, at, moisture_percent=0.03 + 0.005 * wave)
    for angle in (20, 60, 85):
        supply.reading("gloss", spool, at, geometry_deg=angle, gloss_gu=40.0 + wave)
    supply.reading(
        "opacity", spool, at, over_black=[50.0 - 0.01 * (number % 4), 30.0, 20.0], over_white=[50.0, 30.0, 20.0]
    )


@pytest.mark.parametrize("lots", [0, 1, 2, 7, 8, 20])
def test_every_characteristic_and_measure_answers_over_few_lots_and_many(shop, lots):
    """Every characteristic and measure of a supplier with none, one, some or many lots has figures or a reason."""
    shade = shop.shade("BRICK", BRICK)
    supplier, grade = shop.supplier(), shop.grade(limits=supply.EVERYTHING, shade_id=shade["id"])
    with supply.at_the_desks():
        for number in range(1, lots + 1):
            came = supply.delivery(supplier, grade, f"Q-{number:02d}", supply.month(number))
            everything(came["spools"][0]["code"], supply.month(number), number)
    kinds = [*dict.fromkeys(name.partition(".")[0] for name in MEASURES)]
    for name in [*kinds, *MEASURES]:
        found = followed(shop, supplier, grade, name)
        assert found["says"]
        measures = [name] if name in MEASURES else [m for m in MEASURES if m.partition(".")[0] == name]
        assert measures == [line["measure"] for line in found["series"]]
        assert [lots] * len(measures) == [len(line["points"]) for line in found["series"]]
        assert bool(lots) == bool(found["trend"])
    for name, meant in {"diameter.spool_mean": "diameter.mean", "diameter.ovality": "diameter.mean_ovality"}.items():
        assert meant == only(followed(shop, supplier, grade, name), "series")["measure"]


def test_of_a_long_series_the_newest_lots_are_shown_and_a_number_leads_to_earlier_ones(shop, bought):
    """Charts, trend and signals use all lots, and the answer names the shown ones with a number that leads to earlier ones."""
    whites(*bought, walk(12))
    whole = followed(shop, *bought)
    path = f"/drift?supplier_id={bought[0]['id']}&grade_id={bought[1]['id']}&characteristic=color.component_b"
    newest = shop.get("purchasing", f"{path}&limit=5")
    earlier = shop.get("purchasing", f"{path}&limit=5&before=8")
    assert [12, 12, 12] == [found["lots_in_all"] for found in (whole, newest, earlier)]
    for found, numbers in ((newest, range(8, 13)), (earlier, range(3, 8))):
        assert list(numbers) == [lot["number"] for lot in found["lots"]]
        for part in ("series", "charts"):
            shown = [point for point in only(whole, part)["points"] if point["number"] in numbers]
            assert shown == only(found, part)["points"]
        for part in ("baseline", "trend", "projection"):
            assert whole[part] == found[part]
    assert f"{whole['says']} Lots 8 to 12 of 12 are shown." == newest["says"]
    assert f"{whole['says']} Lots 3 to 7 of 12 are shown." == earlier["says"]
    assert "shown" not in whole["says"]
    assert [] == shop.get("purchasing", f"{path}&before=1")["lots"]
