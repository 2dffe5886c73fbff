"""Comparison of suppliers: like with like, each figure with its basis, and no rank without enough lots."""

import pytest

from tests import tolerances
from tests.journeys import supply
from tests.journeys.supply import BOTH_ENGINES, COLOR, DIAMETER, judged, whites
from tests.shop import WHITE


@pytest.fixture
def engine():
    """SQLite alone, because the comparison is computed outside the database; tests that name engines compare both."""
    return "sqlite"


@pytest.fixture
def rivals(shop):
    """Two suppliers, Quillwort and Ninebark."""
    return shop.supplier("QWT"), shop.supplier("NBK")


def compared(shop, grade=None, **query):
    """The comparison of a grade, or of all."""
    named = {**({"grade_id": grade["id"]} if grade else {}), **query}
    return shop.get(
        "purchasing", "/supplier-comparison?" + "&".join(f"{name.rstrip('_')}={value}" for name, value in named.items())
    )


def line(found, supplier):
    """A supplier's part of a comparison."""
    return next(entry for entry in found["suppliers"] if entry["supplier_id"] == supplier["id"])


def pair(found, criterion="acceptance"):
    """Two suppliers on one criterion."""
    return next(entry for entry in found["comparisons"] if entry["criterion"] == criterion)


def test_two_of_two_never_ranks_over_46_of_48(shop, rivals):
    """A new supplier with 2 of 2 good lots does not rank above 46 of 48.

    Wilson 1927: 2 of 2 is 34 to 100 %, 46 of 48 is 86 to 99 % (computed with statsmodels).
    """
    grade, (old, new) = shop.grade(limits=DIAMETER), rivals
    judged(old, grade, "A" * 20 + "R" + "A" * 20 + "R" + "A" * 6)
    judged(new, grade, "AA", prefix="N")
    found = compared(shop, grade)
    many, few = line(found, old), line(found, new)
    assert (48, 46, 2, 2) == (
        many["inspected"],
        many["acceptance"]["accepted"],
        few["inspected"],
        few["acceptance"]["accepted"],
    )
    assert (
        "46 of 48 lots accepted the first time for at least one use (96 %, 95 % interval 86 to 99 %)."
        == many["acceptance"]["says"]
    )
    assert (
        "2 of 2 lots accepted the first time for at least one use (100 %, 95 % interval 34 to 100 %)."
        == few["acceptance"]["says"]
    )
    told = pair(found)
    assert (None, 48, 2) == (told["better_supplier_id"], told["lots_first"], told["lots_second"])
    assert told["low"] < 0 < told["high"]
    for entry, other in ((many, "NBK"), (few, "QWT")):
        assert entry["rank"] is None
        needed = f"about {told['more_lots']} more lots from each supplier are needed."
        assert f"Compared with Supplier {other}: no significant difference yet; {needed}" == entry["rank_why"]
    assert found["says"].startswith(
        "No supplier of PLA-HW-175 has significantly more of its lots accepted for at least one use than the others yet."
    )


@BOTH_ENGINES
def test_whoever_is_told_apart_has_a_rank(shop, rivals):
    """Eight of eight against none of eight gives both ranks with the reason."""
    grade, (good, poor) = shop.grade(limits=DIAMETER), rivals
    judged(good, grade, "A" * 8)
    judged(poor, grade, "R" * 8, prefix="N")
    found = compared(shop, grade)
    assert [(good["id"], 1), (poor["id"], 2)] == [(entry["supplier_id"], entry["rank"]) for entry in found["suppliers"]]
    assert "Differs significantly from every other supplier" in line(found, good)["rank_why"]
    assert (good["id"], None, 1.0) == tuple(
        pair(found)[name] for name in ("better_supplier_id", "more_lots", "difference")
    )
    assert "Supplier QWT has significantly more of its lots of PLA-HW-175 accepted" in found["says"]
    assert (
        "Supplier QWT has significantly more lots accepted the first time for at least one use than Supplier NBK."
        == pair(found)["says"]
    )
    # Without colours no supplier is closer or steadier.
    for criterion in ("closeness", "steadiness"):
        assert "no lots of the same kind" in pair(found, criterion)["says"]
        assert "No lots to compare yet." == line(found, good)["ranks"][criterion]["why"]


def test_a_mix_of_easy_and_hard_grades_does_not_turn_the_order_round(shop, rivals):
    """Overall Ninebark has the larger accepted share from the easy grade, but in each grade Quillwort is better."""
    easy, hard = shop.grade("EASY", DIAMETER), shop.grade("HARD", DIAMETER)
    better, worse = rivals
    judged(better, easy, "AA")
    judged(better, hard, "AAARRR")
    judged(worse, easy, "AAAAAR", prefix="N")
    judged(worse, hard, "R", prefix="N")
    found = compared(shop)
    shares = [line(found, supplier)["acceptance"]["rate"] for supplier in rivals]
    assert [pytest.approx(5 / 8), pytest.approx(5 / 7)] == shares
    # Weights n1 n2 / (n1 + n2): easy 12 / 8, hard 6 / 7; differences 1 - 5/6 and 1/2 - 0.
    weights, apart = (12 / 8, 6 / 7), (1 / 6, 1 / 2)
    expected = sum(w * d for w, d in zip(weights, apart, strict=True)) / sum(weights)
    assert pytest.approx(expected, abs=tolerances.SAME_SUM) == pair(found)["difference"]
    assert pair(found)["more_lots"] != 0
    assert ["EASY", "HARD"] == line(found, better)["grades"]
    assert (None, None, []) == (found["grade"], line(found, better)["bias"], line(found, better)["spread"])


def test_lots_under_other_limits_are_not_compared(shop, rivals):
    """Suppliers whose lots were under different limits have no common stratum."""
    grade, (before, after) = shop.grade(limits=DIAMETER), rivals
    judged(before, grade, "AAA")
    shop.limit(grade["id"], {**DIAMETER, "diameter": {"reading_tolerance_mm": 0.02}})
    judged(after, grade, "AAA", prefix="N")
    found = compared(shop, grade)
    assert (None, None) == (pair(found)["difference"], pair(found)["better_supplier_id"])
    assert "no lots of the same kind" in line(found, before)["rank_why"]
    assert [[1], [2]] == [line(found, supplier)["basis"]["limits_revisions"] for supplier in rivals]


def test_what_was_sent_again_or_not_inspected_yet_does_not_count_as_inspected(shop, rivals):
    """A sorted resubmitted lot and one in quarantine are listed separately and do not count."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    good, refused, waiting = judged(supplier, grade, "AR-")
    again = shop.receive(supplier, grade, "Q-02S", spools=1, resubmission_of=refused)
    shop.diameter(again["spools"][0]["code"])
    assert "released" == shop.lot(again["lot_id"])["standing"]
    entry = line(compared(shop, grade), supplier)
    assert (3, 2, 1) == (entry["lots"], entry["inspected"], entry["acceptance"]["accepted"])
    assert {
        "lot_ids": [good, refused, waiting],
        "resubmitted_lot_ids": [again["lot_id"]],
        "not_inspected_lot_ids": [waiting],
        "limits_revisions": [1],
        "shade_revisions": [1],
        "read_with": [],
        "standings": {"released": 1, "blocked": 1, "quarantined": 1},
        "severities": {"fixed": 4},
    } == entry["basis"]


def test_a_lot_refused_and_then_let_through_was_not_accepted_the_first_time(shop, rivals):
    """A rejected lot that was later let through, by decision or concession, does not count as accepted."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    _, released = judged(supplier, grade, "RA")
    shop.decide(released, "block")
    entry = line(compared(shop, grade), supplier)
    assert (2, 1) == (entry["inspected"], entry["acceptance"]["accepted"])
    assert {"blocked": 2} == entry["basis"]["standings"]


def test_severities_say_how_strictly_lots_were_inspected(shop, rivals):
    """The basis counts deliveries by severity of inspection."""
    plan = {"sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 1.0}, "diameter": {"reading_tolerance_mm": 0.05}}
    grade, (supplier, _) = shop.grade(limits=plan), rivals
    judged(supplier, grade, "A-")
    assert {"normal": 2} == line(compared(shop, grade), supplier)["basis"]["severities"]


def test_a_lone_supplier_and_none_are_told_in_words(shop, rivals):
    """With one supplier, or without a lot in the span, the answer says so."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    assert "No lots of PLA-HW-175 yet. Log a delivery first." == compared(shop, grade)["says"]
    none = compared(shop, grade, to="2020-01-01T00:00:00Z")["says"]
    assert "No lot of PLA-HW-175 was received in this period." == none
    judged(supplier, grade, "AA-")
    found = compared(shop, grade)
    assert "Supplier QWT is the only supplier of PLA-HW-175. 2 of 2" in found["says"]
    assert "No other supplier to compare with." == line(found, supplier)["rank_why"]
    first = supply.asked(supply.month(1))
    bounded = compared(shop, grade, from_=first, to=first)
    assert (1, first) == (line(bounded, supplier)["lots"], bounded["from"])
    assert [] == compared(shop, grade, to="2020-01-01T00:00:00Z")["suppliers"]
    waiting = compared(shop, grade, from_=supply.asked(supply.month(3)))
    assert "1 lot delivered. No inspection is complete yet." == line(waiting, supplier)["acceptance"]["says"]
    shop.get("purchasing", "/supplier-comparison?grade_id=9", 404)


@pytest.mark.parametrize("path", ["/supplier-comparison", "/purchasing-summary"])
@pytest.mark.parametrize("role", ["receiving", "quality", "production"])
def test_comparing_is_purchasings(shop, role, path):
    """Prices and ranks are for purchasing."""
    assert "purchasing" in shop.get(role, path, 403)["detail"]


# Colour and spread

SCATTER = [0.03, -0.05, 0.04, 0.0, -0.02, 0.05, -0.03, 0.02]


def test_the_steadier_and_the_nearer_supplier_are_told_apart(shop, rivals):
    """A steady but yellow supplier and a central but unsteady one are each first on one criterion, with enough lots."""
    grade, (steady, near) = shop.grade(limits=COLOR), rivals
    whites(steady, grade, [0.7 + b for b in SCATTER])
    whites(near, grade, [6 * b for b in SCATTER], prefix="N")
    early = compared(shop, grade)
    assert [None, None] == [line(early, supplier)["ranks"]["steadiness"]["rank"] for supplier in rivals]
    assert "more lots from each supplier are needed" in pair(early, "steadiness")["says"]
    whites(steady, grade, [0.7 - b for b in SCATTER], first=9)
    whites(near, grade, [-6 * b for b in SCATTER], first=9, prefix="N")
    found = compared(shop, grade)
    ranks = {
        name: [line(found, supplier)["ranks"][name]["rank"] for supplier in rivals]
        for name in ("closeness", "steadiness")
    }
    assert {"closeness": [2, 1], "steadiness": [1, 2]} == ranks
    assert "Supplier NBK is significantly nearer the reference than Supplier QWT." == pair(found, "closeness")["says"]
    assert "Supplier QWT is significantly steadier in colour than Supplier NBK." == pair(found, "steadiness")["says"]


def test_the_answer_says_what_it_promises(shop, rivals):
    """The answer states confidence sequences since the first lot, at a third of 5 % each, valid at any time."""
    grade, (one, two) = shop.grade(limits=COLOR), rivals
    assert (0, None, None) == tuple(
        compared(shop, grade)["inference"][n] for n in ("comparisons", "since", "confidence_of_each")
    )
    whites(one, grade, SCATTER)
    whites(two, grade, SCATTER, first=2, prefix="N")
    said = compared(shop, grade)
    promised = said["inference"]
    assert ("confidence sequences", 0.95, 3, True, supply.asked(supply.month(1))) == tuple(
        promised[name] for name in ("method", "confidence", "comparisons", "valid_at_any_time", "since")
    )
    assert pytest.approx(1 - 0.05 / 3) == promised["confidence_of_each"] == pair(said)["confidence"]
    assert "They remain valid after every lot" in promised["says"]
    assert {"confidence sequence"} == {entry["interval"] for entry in said["comparisons"]}


def varied(supplier, grade, b, prefix="Q"):
    """Lots of two spools that differ in every coordinate, with b* about this far from the reference."""
    with supply.at_the_desks():
        for number, way in enumerate(SCATTER, start=1):
            came = supply.delivery(supplier, grade, f"{prefix}-{number:02d}", supply.month(number), spools=2)
            for sign, spool in zip((1, -1), came["spools"], strict=True):
                light = SCATTER[-number] + 0.01 * sign
                supply.color(spool["code"], supply.month(number), b + way, SCATTER[number % 8], light)


def test_a_bias_is_told_with_its_direction_and_whether_it_could_be_none(shop, rivals):
    """Eight lots 0.5 too yellow have a significant bias, and eight about the reference do not."""
    grade, (yellow, right) = shop.grade(limits=COLOR), rivals
    varied(yellow, grade, 0.5)
    varied(right, grade, 0.0, prefix="N")
    found = compared(shop, grade)
    biased, none = (line(found, supplier)["bias"] for supplier in rivals)
    assert (8, False, 3) == (biased["n"], biased["reference_inside"], len(biased["ellipsoid"]))
    assert pytest.approx(0.5 + sum(SCATTER) / 8, abs=tolerances.COORDINATES) == biased["db"]
    assert biased["says"].startswith("Significant bias: on average")
    assert "yellower than the reference (8 lots)" in biased["says"]
    assert none["reference_inside"]
    assert "No significant bias" in none["says"]


def test_scatter_is_parted_into_lots_and_spools(shop, rivals):
    """Spread is divided into between lots and within: two lots of two spools, 1.74 and 1.75, then 1.75 and 1.76 mm.

    Mean squares (by hand): within 5e-5 of 2 degrees of freedom, between 1e-4 of 1; so between is (1e-4 - 5e-5) / 2.
    """
    limits = {"sampling": {"fixed": 2}, "diameter": {"mean_tolerance_mm": 0.03}}
    grade, (supplier, _) = shop.grade(limits=limits), rivals
    with supply.at_the_desks():
        for number, values in enumerate(((1.74, 1.75), (1.75, 1.76)), start=1):
            came = supply.delivery(supplier, grade, f"Q-{number}", supply.month(number), spools=2)
            for spool, d_mm in zip(came["spools"], values, strict=True):
                supply.reading("diameter", spool["code"], supply.month(number), d1_mm=d_mm, d2_mm=d_mm)
    entry = line(compared(shop, grade), supplier)
    (spread,) = (s for s in entry["spread"] if s["measure"] == "diameter.mean")
    assert (2, 4, "mm") == (spread["lots"], spread["spools"], spread["unit"])
    assert pytest.approx(5e-5**0.5, rel=tolerances.LEAST_SQUARES) == spread["within_sd"]
    assert pytest.approx(2.5e-5**0.5, rel=tolerances.LEAST_SQUARES) == spread["between_sd"]
    assert spread["between_low"] <= spread["between_sd"] <= spread["between_high"]
    (able,) = entry["capability"]
    # The mean lies at 1.75, 0.03 from both limits; Cpk is that over three standard deviations within lots.
    assert pytest.approx(0.03 / (3 * 5e-5**0.5), rel=tolerances.LEAST_SQUARES) == able["cpk"]
    assert able["ppk"] < able["cpk"]
    assert able["ppk_low"] < able["ppk"] < able["ppk_high"]
    assert [1.72, 1.78] == [pytest.approx(end) for end in able["limit"]]


def test_a_drift_is_told_beside_the_verdicts(shop, rivals):
    """A supplier with twelve of twelve released lots can still drift, and its row says so without chart names."""
    grade, (supplier, _) = shop.grade(limits=COLOR), rivals
    whites(supplier, grade, [0.08 * number for number in range(12)])
    entry = line(compared(shop, grade), supplier)
    moving = next(m for m in entry["drift"] if m["measure"] == "color.component_b")
    assert ("yellower", "Q-01") == (moving["direction"], moving["began"]["supplier_lot"])
    assert moving["says"].endswith("yellower since about lot Q-01, by 0.08 per lot, 0.88 in total up to lot Q-12.")
    assert 12 == entry["acceptance"]["accepted"]


# Money and time


def bought(supplier, grade, *lots):
    """Deliveries of (outcome, spools, further fields); returns their lots."""
    numbers = []
    for number, (outcome, spools, slip) in enumerate(lots, start=1):
        (made,) = judged(supplier, grade, outcome, first=number, spools=spools, **slip)
        numbers.append(made)
    return numbers


def eur(cost):
    """The cost of a delivery."""
    return {"cost": float(cost), "currency": "EUR"}


@BOTH_ENGINES
def test_an_accepted_kilogram_costs_what_was_paid_for_good_and_bad(shop, rivals):
    """40 EUR for two good kilograms and 20 EUR for a blocked one are 30 a kilogram, without returned and waiting ones (by hand)."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    *_, back, _, _ = bought(
        supplier,
        grade,
        ("A", 2, eur(40)),
        ("R", 1, eur(20)),
        ("R", 1, eur(17)),
        ("-", 1, eur(18)),
        ("A", 1, {}),
    )
    shop.decide(back, "return", "wrong diameter")
    cost = line(compared(shop, grade), supplier)["cost"]
    assert (30.0, "EUR", 2.0, 2) == tuple(cost[n] for n in ("per_accepted_kg", "currency", "accepted_kg", "deliveries"))
    assert (
        "30.00 EUR per kg accepted for at least one use, over 2 deliveries. 1 delivery without a recorded cost is left out."
        == cost["says"]
    )


@pytest.mark.parametrize(
    ("lots", "says"),
    [
        ([("A", 1, eur(20)), ("A", 1, {"cost": 25.0, "currency": "USD"})], "several currencies (EUR, USD)"),
        ([("R", 1, eur(20))], "20.00 EUR paid, but no kilogram accepted for at least one use."),
        ([("A", 1, {}), ("R", 1, {})], "No cost is recorded"),
        ([("-", 1, eur(20))], "No delivery counts yet"),
        ([("A", 1, {}), ("-", 1, eur(20))], "No cost is recorded"),
    ],
    ids=["two currencies", "nothing accepted", "no cost", "all waiting", "the cost waits"],
)
def test_a_cost_that_cannot_be_told_says_why(shop, rivals, lots, says):
    """Several currencies, zero kilograms and a missing cost give no cost, with the reason."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    bought(supplier, grade, *lots)
    cost = line(compared(shop, grade), supplier)["cost"]
    assert cost["per_accepted_kg"] is None
    assert says in cost["says"]


def test_late_deliveries_are_counted_of_those_that_had_a_day(shop, rivals):
    """One of four deliveries was late: 25 %, with Wilson's interval 4.6 to 69.9 % (computed with statsmodels); the due day is in time."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    hour = supply.MONTH / 720
    due = [supply.month(1), supply.month(2) + hour, supply.month(3) - hour, supply.month(4) + hour]
    bought(supplier, grade, *(("A", 1, {"due_at": day}) for day in due), ("A", 1, {}))
    late = line(compared(shop, grade), supplier)["late"]
    assert (5, 4, 1, 0.25) == tuple(late[name] for name in ("deliveries", "with_due_date", "late", "rate"))
    assert [pytest.approx(0.0456, abs=tolerances.PRINTED_4), pytest.approx(0.6994, abs=tolerances.PRINTED_4)] == [
        late["low"],
        late["high"],
    ]


@pytest.mark.parametrize(
    ("slip", "pointer"),
    [
        ({"cost": 20}, "/currency"),
        ({"currency": "EUR"}, "/cost"),
        ({"cost": 20, "currency": "eur"}, "/currency"),
        ({"cost": 20, "currency": "EURO"}, "/currency"),
        ({"cost": 20, "currency": "€"}, "/currency"),
        ({"cost": -1, "currency": "EUR"}, "/cost"),
        ({"cost": "20", "currency": "EUR"}, "/cost"),
        ({"due_at": "2026-11-20"}, "/due_at"),
    ],
)
def test_a_sum_of_money_is_a_number_with_its_currency(shop, rivals, slip, pointer):
    """A cost without its currency or amount is refused at its field."""
    grade, (supplier, _) = shop.grade(limits=DIAMETER), rivals
    body = {
        "supplier_id": supplier["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-1",
        "received_at": "2026-11-20T08:00:00Z",
        "spool_count": 1,
        "net_mass_g": 1000,
    }
    said = shop.post("receiving", "/deliveries", {**body, **slip}, 422)
    assert [pointer] == [error["pointer"] for error in said["errors"]]
    made = shop.post("receiving", "/deliveries", {**body, **eur(20), "due_at": "2026-11-19T10:00:00+01:00"})
    assert (20.0, "EUR", "2026-11-19T09:00:00Z") == (made["cost"], made["currency"], made["due_at"])


def test_a_spool_wound_in_the_shop_was_not_bought(shop, rivals):
    """Respooled filament is counted once."""
    grade, (supplier, _) = shop.grade(limits=COLOR), rivals
    came = shop.receive(supplier, grade, spools=2, **eur(40))
    codes = [spool["code"] for spool in came["spools"]]
    shop.color(codes[0], WHITE)
    shop.post("production", "/spools", {"parents": [{"spool_code": code, "mass_g": 300} for code in codes]})
    cost = line(compared(shop, grade), supplier)["cost"]
    assert (2.0, 20.0) == (cost["accepted_kg"], cost["per_accepted_kg"])
