"""Baselines: quality chooses a supplier's baseline once, and it stays fixed."""

import pytest

from tests import tolerances
from tests.files import export, rows
from tests.journeys.supply import BOTH_ENGINES, COLOR, followed, whites

# b* of eight lots. Their mean is 0.03; they step by 0.04, 0.02, 0.04, 0.02, 0.04, 0.02, 0.04, on average 0.22 / 7.
EIGHT = [0.01, 0.05, 0.03, -0.01, 0.01, 0.05, 0.03, 0.07]
MEAN, STEP = 0.03, 0.22 / 7
# The standard deviation of one is the mean range of two over d2 (ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2.2 prints 1.128).
D2 = 1.128


@pytest.fixture
def engine():
    """SQLite alone, because a baseline is a row of JSON; the main test names both engines."""
    return "sqlite"


@pytest.fixture
def bought(shop):
    """A supplier and a white grade."""
    return shop.supplier(), shop.grade(limits=COLOR)


def chosen(shop, bought, status=201, role="quality", **more):
    """The answer to a choice of a baseline."""
    supplier, grade = bought
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "reason": "a good year", **more}
    return shop.post(role, "/baselines", body, status)


def frozen(baseline):
    """The content of a baseline, by measure."""
    return {line["measure"]: line for line in baseline["measures"]}


def faults(refused):
    """Pointers and words of a refusal, one text each."""
    return [f"{error['pointer']} {error['detail']} {error.get('hint', '')}" for error in refused["errors"]]


@BOTH_ENGINES
def test_lots_of_a_good_year_become_the_baseline(shop, bought):
    """Eight named lots give mean and standard deviation, and later lots are charted against them."""
    numbers = whites(*bought, EIGHT)
    made = chosen(shop, bought, lot_ids=numbers)
    assert (1, "provisional", numbers, []) == tuple(made[n] for n in ("revision", "status", "lot_ids", "excluded"))
    b = frozen(made)["color.component_b"]
    assert pytest.approx(MEAN, abs=tolerances.COORDINATES) == b["mean"]
    assert pytest.approx(STEP / D2, rel=tolerances.ROUNDED_D2) == b["sigma"]
    assert (8, "reference revision 1, read with an unnamed instrument") == (b["n"], b["read"])
    whites(*bought, [0.03, 0.4], first=9)
    (base,) = followed(shop, *bought)["baseline"]
    assert (True, 1, "provisional") == (base["chosen"], base["revision"], base["status"])
    says = "Baseline revision 1 (8 lots), chosen by quality person. Firm from 20 lots. The control limits allow for the uncertainty of the baseline."
    assert says == base["says"]
    listed = shop.get("purchasing", f"/baselines?supplier_id={bought[0]['id']}")["items"]
    assert [{name: value for name, value in made.items() if name != "left_out"}] == listed


def test_twenty_lots_make_it_firm(shop, bought):
    """Twenty lots make a baseline firm, without a remark (common practice, no source)."""
    numbers = whites(*bought, [*EIGHT, *EIGHT, *EIGHT[:4]])
    assert "firm" == chosen(shop, bought, lot_ids=numbers)["status"]
    (base,) = followed(shop, *bought)["baseline"]
    says = "Baseline revision 1 (20 lots), chosen by quality person. The control limits allow for the uncertainty of the baseline."
    assert ("firm", says) == (base["status"], base["says"])


def test_seven_lots_are_too_few_and_say_so(shop, bought):
    """Seven lots, or eight with one excluded, are refused with the required number."""
    numbers = whites(*bought, EIGHT)
    for named in ({"lot_ids": numbers[:7]}, {"lot_ids": numbers, "excluded": [{"lot_id": 3, "reason": "new die"}]}):
        (fault,) = faults(chosen(shop, bought, 422, **named))
        assert fault.startswith("/lot_ids 7 lots are too few")
        assert "provisional from 8 lots and firm from 20" in fault
    assert [] == shop.get("quality", "/baselines")["items"]


def test_what_makes_no_sense_is_told_all_at_once(shop, bought):
    """Lots of another supplier, a repeated lot, a foreign exclusion and an unknown measure are reported together."""
    numbers = whites(*bought, EIGHT)
    other = shop.supplier("NBK"), bought[1]
    (foreign,) = whites(*other, [0.0], prefix="N")
    said = faults(
        chosen(
            shop,
            bought,
            422,
            lot_ids=[*numbers, numbers[0], foreign],
            excluded=[{"lot_id": 999, "reason": "unstable"}],
            given={"gloss": {"mean": 1.0, "sigma": 0.1}},
        )
    )
    assert ["/lot_ids", "/lot_ids", "/excluded", "/given/gloss"] == [fault.split()[0] for fault in said]
    for words, fault in zip(
        ("twice", f"Lot {foreign} is not", "Lot 999 is not", "color.component_b"), said, strict=True
    ):
        assert words in fault
    assert "/lot_ids A baseline needs lots, or agreed values." in faults(chosen(shop, bought, 422))[0]
    unknown = faults(shop.post("quality", "/baselines", {"supplier_id": 9, "grade_id": 9, "reason": "x"}, 422))
    assert ["/supplier_id", "/grade_id"] == [fault.split()[0] for fault in unknown]


def test_a_lot_sorted_and_sent_again_is_no_part_of_it(shop, bought):
    """A sorted and resubmitted lot is refused by that reason."""
    numbers = whites(*bought, EIGHT)
    supplier, grade = bought
    again = shop.receive(supplier, grade, "Q-01S", spools=1, resubmission_of=numbers[0])
    (fault,) = faults(chosen(shop, bought, 422, lot_ids=[*numbers, again["lot_id"]]))
    assert "Resubmitted lots" in fault


def test_unstable_lots_are_left_out_by_name_and_with_a_reason(shop, bought):
    """A lot excluded by name does not count, and the baseline keeps the reason."""
    numbers = whites(*bought, [*EIGHT[:4], 0.6, *EIGHT[4:]])
    out = [{"lot_id": numbers[4], "reason": "the die was changed"}]
    made = chosen(shop, bought, lot_ids=numbers, excluded=out)
    assert (out, numbers[:4] + numbers[5:]) == (made["excluded"], made["lot_ids"])
    assert pytest.approx(MEAN, abs=tolerances.COORDINATES) == frozen(made)["color.component_b"]["mean"]


def test_agreed_values_stand_in_for_lots_or_beside_them(shop, bought):
    """Agreed mean and deviation apply to their measure, and other measures come from the lots."""
    given = {"color.component_b": {"mean": 0.0, "sigma": 0.1}}
    alone = chosen(shop, bought, given=given)
    assert ("given", [], None) == (alone["status"], alone["lot_ids"], frozen(alone)["color.component_b"]["read"])
    numbers = whites(*bought, EIGHT)
    (base,) = followed(shop, *bought)["baseline"]
    assert ("given", 0.0, 0.1, 0) == tuple(base[name] for name in ("status", "mean", "sigma", "n"))
    both = chosen(shop, bought, lot_ids=numbers, given=given)
    assert (2, "provisional") == (both["revision"], both["status"])
    b, apart = (frozen(both)[name] for name in ("color.component_b", "color.lot_delta_e"))
    assert (0.0, 0.1, 0) == (b["mean"], b["sigma"], b["n"])
    assert 8 == apart["n"]
    assert "reference revision 1" in b["read"]


def test_a_baseline_holds_for_lots_read_as_its_own_were(shop, bought):
    """After a new reference the old baseline does not apply, and the first lots are provisional until a new choice."""
    numbers = whites(*bought, EIGHT)
    chosen(shop, bought, lot_ids=numbers)
    _, grade = bought
    shop.approve(grade["shade_id"], [95.0, -0.8, 1.6])
    whites(*bought, EIGHT, first=9)
    old, new = followed(shop, *bought)["baseline"]
    assert [(True, 1), (False, None)] == [(base["chosen"], base["revision"]) for base in (old, new)]


def test_a_frozen_baseline_does_not_follow_its_lots(shop, bought):
    """A later void changes the series and not the baseline."""
    numbers = whites(*bought, [*EIGHT, 0.02])
    made = chosen(shop, bought, lot_ids=numbers)
    (reading,) = shop.get("quality", f"/lots/{numbers[0]}/readings")["items"]
    shop.void(reading["id"])
    (base,) = followed(shop, *bought)["baseline"]
    before = frozen(made)["color.component_b"]
    assert (before["mean"], before["sigma"], 9) == (base["mean"], base["sigma"], base["n"])
    again = chosen(shop, bought, lot_ids=numbers, reason="without the voided reading")
    assert (2, 8) == (again["revision"], frozen(again)["color.component_b"]["n"])
    kept = shop.get("quality", "/baselines")["items"]
    assert [(1, 9), (2, 8)] == [(b["revision"], frozen(b)["color.component_b"]["n"]) for b in kept]
    (base,) = followed(shop, *bought)["baseline"]
    assert (2, 8) == (base["revision"], base["n"])


def test_what_the_lots_cannot_carry_is_told(shop, bought):
    """Measures without spread, or measured in two ways, are left out with a reason, and the rest is stored."""
    numbers = whites(*bought, EIGHT)
    made = chosen(shop, bought, lot_ids=numbers)
    assert {"color.component_b", "color.lot_delta_e"} == set(frozen(made))
    assert ["Lightness difference dL*", "Red-green difference da*"] == [t.partition(":")[0] for t in made["left_out"]]
    assert all("all values are equal" in text for text in made["left_out"])
    _, grade = bought
    shop.approve(grade["shade_id"], [95.0, -0.8, 1.6])
    mixed = whites(*bought, EIGHT, first=9)
    (fault,) = faults(chosen(shop, bought, 422, lot_ids=numbers[4:] + mixed[:4]))
    assert "measured differently (reference revision 1" in fault
    assert "No measure" in fault


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_only_quality_chooses(shop, bought, role):
    """Every role reads a baseline, and only quality chooses one."""
    given = {"color.component_b": {"mean": 0.0, "sigma": 0.1}}
    assert "quality" in chosen(shop, bought, 403, role, given=given)["detail"]
    assert [] == shop.get(role, "/baselines")["items"]


@pytest.mark.parametrize("sigma", [0, -0.1, "0.1", None])
def test_a_deviation_is_a_number_above_zero(shop, bought, sigma):
    """A deviation of 0 or less is refused."""
    given = {"color.component_b": {"mean": 0.0, "sigma": sigma}}
    (fault,) = faults(chosen(shop, bought, 422, given=given))
    assert "/given/color.component_b/sigma" == fault.split()[0]


def test_codes_serve_in_place_of_numbers(shop, bought):
    """Supplier and grade can be named by code."""
    given = {"color.component_b": {"mean": 0.0, "sigma": 0.1}}
    body = {"supplier_code": "QWT", "grade_code": "PLA-HW-175", "given": given, "reason": "agreed"}
    made = shop.post("quality", "/baselines", body)
    assert (bought[0]["id"], bought[1]["id"]) == (made["supplier_id"], made["grade_id"])
    assert [] == shop.get("quality", "/baselines?supplier_id=9")["items"]
    assert [] == shop.get("quality", "/baselines?grade_id=9")["items"]


def test_a_list_of_baselines_is_csv_too(shop, bought):
    """The list of baselines is CSV with one row each."""
    chosen(shop, bought, given={"color.component_b": {"mean": 0.0, "sigma": 0.1}})
    (row,) = rows(export(shop, "/baselines"))
    assert ("1", "[]", "a good year") == (row["revision"], row["lot_ids"], row["reason"])
