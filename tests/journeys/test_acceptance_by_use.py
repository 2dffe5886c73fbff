"""Acceptance, money and forecast for each use, for every use and for at least one, over the API."""

from typing import Any

import pytest

from tests import tolerances
from tests.journeys import supply
from tests.journeys.supply import BOTH_ENGINES, DIAMETER, judged

# Colour and specks decide on cosmetic use, the diameter on fit.
TWO_USES: dict[str, Any] = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.0},
    "surface": {"specks_per_dm2_max": 2},
    "diameter": {"mean_tolerance_mm": 0.03},
    "uses": {"cosmetic": ["color", "surface"], "fit": ["diameter"]},
}
SCATTER = [0.03, -0.05, 0.04, 0.0, -0.02, 0.05, -0.03, 0.02]
EUR = {"cost": 20.0, "currency": "EUR"}


@pytest.fixture
def engine():
    """SQLite alone, because shares are computed outside the database; tests that name engines compare both."""
    return "sqlite"


def lots(shop, supplier, grade, outcomes, prefix="Q", first=1, **more):
    """Lots of 1 kg by outcome: accepted (A), restricted by specks (S) or thickness (D), rejected (R), or waiting (-)."""
    made = []
    with supply.at_the_desks():
        for number, outcome in enumerate(outcomes, start=first):
            at = supply.month(number)
            came = supply.delivery(supplier, grade, f"{prefix}-{number:02d}", at, **more)
            made.append(came["lot_id"])
            if outcome == "-":
                continue
            code, d_mm = came["spools"][0]["code"], 1.85 if outcome in "DR" else 1.75
            supply.color(code, at, SCATTER[number % 8])
            supply.reading("surface", code, at, specks=9 if outcome in "SR" else 0, area_dm2=2.0)
            supply.reading("diameter", code, at, d1_mm=d_mm, d2_mm=d_mm)
    return made


@pytest.fixture
def supplier(shop):
    """Quillwort."""
    return shop.supplier("QWT")


@pytest.fixture
def grade(shop):
    """A grade with two uses."""
    return shop.grade(limits=TWO_USES)


def compared(shop, grade, **query):
    """The comparison of a grade."""
    named = "".join(f"&{name}={value}" for name, value in query.items())
    return shop.get("purchasing", f"/supplier-comparison?grade_id={grade['id']}{named}")


def foreseen(shop, supplier, grade, **query):
    """The forecast of the next lot."""
    named = "".join(f"&{name}={value}" for name, value in query.items())
    return shop.get("purchasing", f"/forecast?supplier_id={supplier['id']}&grade_id={grade['id']}{named}")


def by_use(found):
    """Each use's part of an answer, with that of every use."""
    return {**{part["use"]: part for part in found["by_use"]}, "every": found["every_use"]}


@BOTH_ENGINES
def test_a_restricted_lot_is_accepted_for_what_it_passes(shop, supplier, grade):
    """Of 24 lots of 1 kg at 20 EUR, 6 fail cosmetic: 24 for at least one use and fit, 18 for cosmetic and every use.

    480 EUR are paid, so a kilogram for fit costs 20.00 and for cosmetic 480 / 18 = 26.67. Wilson 1927 of 18 of 24: 55 to 88 % (scipy).
    """
    lots(shop, supplier, grade, "AAAS" * 6, **EUR)
    (line,) = compared(shop, grade)["suppliers"]
    assert (24, 24) == (line["inspected"], line["acceptance"]["accepted"])
    assert line["acceptance"]["says"].startswith("24 of 24 lots accepted the first time for at least one use (100 %")
    assert (20.0, 24.0) == (line["cost"]["per_accepted_kg"], line["cost"]["accepted_kg"])
    assert "20.00 EUR per kg accepted for at least one use, over 24 deliveries." == line["cost"]["says"]
    told = by_use(line)
    assert ["cosmetic", "fit", "every"] == list(told)
    assert {"cosmetic": (18, 24), "fit": (24, 24), "every": (18, 24)} == {
        use: (part["accepted"], part["inspected"]) for use, part in told.items()
    }
    share = "18 of 24 lots (75 %, 95 % interval 55 to 88 %)."
    assert [f"Accepted for cosmetic: {share}", f"Accepted for every use: {share}"] == [
        told[use]["says"] for use in ("cosmetic", "every")
    ]
    assert "Accepted for fit: 24 of 24 lots (100 %, 95 % interval 86 to 100 %)." == told["fit"]["says"]
    costs = {use: (part["cost"]["accepted_kg"], part["cost"]["per_accepted_kg"]) for use, part in told.items()}
    dear = (18.0, pytest.approx(480 / 18, rel=tolerances.SAME_FORMULA))
    assert {"cosmetic": dear, "fit": (24.0, 20.0), "every": dear} == costs
    assert "26.67 EUR per kg accepted for cosmetic, over 24 deliveries." == told["cosmetic"]["cost"]["says"]


@BOTH_ENGINES
def test_the_next_lot_is_foretold_for_each_use(shop, supplier, grade):
    """6 of 24 lots had specks: cosmetic and every use 74 % by Jeffreys' prior, (18 + 1/2) / (24 + 1); fit (24 + 1/2) / (24 + 1) = 98 %.

    Colour and diameter are some twenty standard deviations inside their limits, so nothing else fails. Acceptance for at least
    one use is as probable as for fit, because no lot failed fit.
    """
    lots(shop, supplier, grade, "AAAS" * 6)
    found = foreseen(shop, supplier, grade)
    told = {**by_use(found), "one": found["at_least_one_use"]}
    bad, good = (pytest.approx(x, abs=tolerances.DRAWN_SHARE) for x in (18.5 / 25, 24.5 / 25))
    expected = {"cosmetic": bad, "fit": good, "every": bad, "one": good}
    assert expected == {use: part["probability"] for use, part in told.items()}
    assert {"measured"} == {part["model"] for part in told.values()}
    assert {"cosmetic": 18, "fit": 24, "every": 18, "one": 24} == {use: part["accepted"] for use, part in told.items()}
    # From measurements the published probability is that of every use, and says so.
    assert ("every_use", told["every"]["probability"]) == (found["probability_for"], found["probability"])
    assert "likely to be accepted the first time for every use. The 95 % interval is " in found["says"]
    assert told["cosmetic"]["says"].startswith("Next lot accepted for cosmetic: 7")
    only = foreseen(shop, supplier, grade, use="fit")
    assert ("fit", "fit", told["fit"]["probability"]) == tuple(
        only[name] for name in ("use", "probability_for", "probability")
    )
    assert "likely to be accepted the first time for fit. The 95 % interval is " in only["says"]
    assert {"diameter.mean", "everything else"} == {part["part"] for part in only["parts"]}
    assert found["by_use"] == only["by_use"]


def test_from_verdicts_alone_each_use_has_its_own(shop, supplier, grade):
    """Three of four lots pass cosmetic and all fit: 3.5 / 5 and 4.5 / 5 by Jeffreys' prior; the published probability is for at least one use."""
    lots(shop, supplier, grade, "ASAA")
    found = foreseen(shop, supplier, grade)
    told = {**by_use(found), "one": found["at_least_one_use"]}
    assert {"cosmetic": 0.7, "fit": 0.9, "every": 0.7, "one": 0.9} == {
        use: pytest.approx(part["probability"], abs=tolerances.SAME_SUM) for use, part in told.items()
    }
    assert ("verdicts", "at_least_one_use", told["one"]["probability"]) == tuple(
        found[name] for name in ("model", "probability_for", "probability")
    )
    only = foreseen(shop, supplier, grade, use="cosmetic")
    assert (3, 4) == (only["accepted"], only["inspected"])
    assert "70 % likely to be accepted the first time for cosmetic. The 95 % interval is " in only["says"]


def test_a_use_that_nobody_inspected_for_says_nothing(shop, supplier, grade):
    """A use that the limits do not name has no probability and no lots, and is neither rejected nor passed."""
    lots(shop, supplier, grade, "AAAA")
    found = foreseen(shop, supplier, grade, use="load_bearing")
    assert (None, None, 0) == tuple(found[name] for name in ("probability", "probability_for", "inspected"))
    assert found["says"].endswith("unknown, because no lot has a complete inspection for load-bearing yet.")
    asked = compared(shop, grade, use="load_bearing")
    assert "The limits of PLA-HW-175 do not cover load-bearing. Ask quality to add this use." == asked["says"]


def test_a_new_use_leaves_every_use_open_until_lots_are_inspected_for_it(shop, supplier, grade):
    """After limits add load-bearing use, it and every use are open, and the known uses continue."""
    lots(shop, supplier, grade, "AAAAAAAA")
    uses = {**TWO_USES["uses"], "load_bearing": ["bond"]}
    shop.limit(grade["id"], {**TWO_USES, "bond": {"mean_min_mpa": 20}, "uses": uses})
    told = by_use(foreseen(shop, supplier, grade))
    assert [None, None] == [told[use]["probability"] for use in ("load_bearing", "every")]
    assert told["cosmetic"]["probability"] > 0.9
    says = "Next lot accepted for load-bearing: unknown, because no lot has a complete inspection for it yet."
    assert says == told["load_bearing"]["says"]


@BOTH_ENGINES
def test_suppliers_are_ranked_for_the_use_asked_about(shop, supplier, grade):
    """All lots of both are accepted for at least one use, so there is no rank; for cosmetic one has 20 of 20 and the other none of 20."""
    other = shop.supplier("NBK")
    lots(shop, supplier, grade, "A" * 20)
    lots(shop, other, grade, "S" * 20, prefix="N")
    plain = compared(shop, grade)
    assert (None, [None, None]) == (plain["use"], [line["rank"] for line in plain["suppliers"]])
    assert "share of lots accepted the first time for at least one use" == plain["criteria"]["acceptance"]
    found = compared(shop, grade, use="cosmetic")
    assert ("cosmetic", [1, 2]) == (found["use"], [line["rank"] for line in found["suppliers"]])
    assert "share of lots accepted the first time for cosmetic" == found["criteria"]["acceptance"]
    why = "Differs significantly from every other supplier in the share of lots accepted the first time for cosmetic."
    assert why == found["suppliers"][0]["rank_why"]
    (pair,) = (one for one in found["comparisons"] if one["criterion"] == "acceptance")
    assert (1.0, supplier["id"]) == (pair["difference"], pair["better_supplier_id"])
    more = "has significantly more lots accepted the first time for cosmetic than Supplier NBK."
    assert f"Supplier QWT {more}" == pair["says"]
    assert (
        "Supplier QWT has significantly more of its lots of PLA-HW-175 accepted the first time for cosmetic"
        in (found["says"])
    )
    # The published field keeps its meaning.
    assert [20, 20] == [line["acceptance"]["accepted"] for line in found["suppliers"]]
    assert [line["acceptance"] for line in plain["suppliers"]] == [
        next(one["acceptance"] for one in found["suppliers"] if one["supplier_id"] == line["supplier_id"])
        for line in plain["suppliers"]
    ]


@pytest.mark.parametrize("path", ["supplier-comparison?", "forecast?supplier_id=1&grade_id=1&"])
@pytest.mark.parametrize("use", ["decorative", "every_use", ""])
def test_an_unknown_use_is_refused_with_those_there_are(shop, supplier, grade, path, use):
    """An unknown use is refused with the known ones."""
    (fault,) = shop.get("purchasing", f"/{path}use={use}", 422)["errors"]
    assert "use" == fault["pointer"].strip("/")
    if use:
        assert "cosmetic, fit, load_bearing, flexing, hidden, general" in fault["hint"]


def test_where_limits_name_no_use_there_is_general_use(shop, supplier):
    """Where limits name no use, general use needs every characteristic and equals every use."""
    plain = shop.grade("PLAIN", DIAMETER)
    judged(supplier, plain, "AAR", **EUR)
    (line,) = compared(shop, plain)["suppliers"]
    told = by_use(line)
    assert ["general", "every"] == list(told)
    assert "Accepted for general use: 2 of 3 lots (67 %, 95 % interval 21 to 94 %)." == told["general"]["says"]
    hint = "The limits name no use. Ask for general use."
    assert compared(shop, plain, use="fit")["says"].endswith(hint)
    assert foreseen(shop, supplier, plain, use="fit")["says"].endswith(hint)
    assert "for general use" in foreseen(shop, supplier, plain, use="general")["says"]
    assert [2, 2, 2] == [part["accepted"] for part in (line["acceptance"], *told.values())]
    assert [
        "30.00 EUR per kg accepted for general use, over 3 deliveries.",
        "30.00 EUR per kg accepted for every use, over 3 deliveries.",
    ] == [part["cost"]["says"] for part in told.values()]


@BOTH_ENGINES
def test_money_follows_what_lots_pass_now(shop, supplier, grade):
    """Money follows the present status of accepted, restricted, rejected, returned and waiting lots, and corrected costs.

    80 EUR for the first four: 2 kg for cosmetic, 3 kg for fit, 2 kg for every use. Blocking the first takes a kilogram from each.
    After its cost is corrected to 50 EUR: 110 EUR for 1 kg, 2 kg and 1 kg.
    """
    first, *_, back, _ = lots(shop, supplier, grade, "AASRR-", **EUR)
    shop.decide(back, "return", "too many specks")

    def kilograms():
        (line,) = compared(shop, grade)["suppliers"]
        return {
            use: (part["cost"]["accepted_kg"], part["cost"]["per_accepted_kg"], part["cost"]["deliveries"])
            for use, part in {**by_use(line), "one": line}.items()
        }

    third = pytest.approx(80 / 3, rel=tolerances.SAME_FORMULA)
    assert {"cosmetic": (2.0, 40.0, 4), "fit": (3.0, third, 4), "every": (2.0, 40.0, 4), "one": (3.0, third, 4)} == (
        kilograms()
    )
    shop.decide(first, "block")
    assert {"cosmetic": (1.0, 80.0, 4), "fit": (2.0, 40.0, 4), "every": (1.0, 80.0, 4), "one": (2.0, 40.0, 4)} == (
        kilograms()
    )
    delivery = shop.get("receiving", f"/deliveries?lot_id={first}")["items"][0]
    path = f"/deliveries/{delivery['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    body = {"cost": 50.0, "currency": "EUR", "reason": "the slip was misread"}
    assert 200 == shop.call("quality", "PATCH", path, body, If_Match=etag).status_code
    assert {"cosmetic": (1.0, 110.0, 4), "fit": (2.0, 55.0, 4), "every": (1.0, 110.0, 4), "one": (2.0, 55.0, 4)} == (
        kilograms()
    )
    # How its original inspection ended is another matter: the blocked lot was accepted the first time.
    (line,) = compared(shop, grade)["suppliers"]
    assert {"cosmetic": (2, 5), "fit": (3, 5), "every": (2, 5)} == {
        use: (part["accepted"], part["inspected"]) for use, part in by_use(line).items()
    }


def test_a_failing_reading_never_raises_a_share(shop, supplier, grade):
    """Later specks on an accepted lot lower cosmetic and every use, and leave fit and at least one use."""
    lots(shop, supplier, grade, "AAAS")

    def shares():
        (line,) = compared(shop, grade)["suppliers"]
        return {use: part["rate"] for use, part in {**by_use(line), "one": line["acceptance"]}.items()}

    assert {"cosmetic": 0.75, "fit": 1.0, "every": 0.75, "one": 1.0} == shares()
    came = shop.get("quality", "/deliveries?lot_id=1")["items"][0]
    code = shop.get("quality", f"/deliveries/{came['id']}")["spools"][0]["code"]
    shop.measure("surface", {"spool_code": code, "specks": 30, "area_dm2": 2.0})
    assert {"cosmetic": 0.5, "fit": 1.0, "every": 0.5, "one": 1.0} == shares()
