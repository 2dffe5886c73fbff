"""The week's list: actions of purchasing over all suppliers and grades, the most urgent first."""

from datetime import timedelta

import pytest
import time_machine

from lots.services.setup import shop as shop_details
from lots.store.engine.database import transaction
from lots.store.tables.decisions import Letter, LetterSent
from lots.store.tables.models import Spool
from tests.journeys import supply
from tests.journeys.supply import BOTH_ENGINES, COLOR, judged, whites
from tests.shop import WHITE
from tests.store.rows import connected

STEADY = [0.02, -0.02, 0.03, -0.03, 0.01, -0.01, 0.02, -0.02]
# Diameter and colour, so that a lot can be rejected without a drift.
LIMITS = {**COLOR, "diameter": {"reading_tolerance_mm": 0.05}, "uses": {"hidden": ["diameter"], "cosmetic": ["color"]}}
DIAMETER = {**supply.DIAMETER, "uses": {"hidden": ["diameter"]}}


@pytest.fixture
def engine():
    """SQLite alone, because the list is assembled outside the database; the test that names engines compares both."""
    return "sqlite"


@pytest.fixture
def clock():
    """A week after the twelfth lot, on a manual clock."""
    with time_machine.travel(supply.month(12) + timedelta(days=7), tick=True) as moved:
        yield moved


def week(shop):
    """The list as purchasing reads it."""
    return shop.get("purchasing", "/purchasing-summary")


def said(found, what):
    """The words of every entry of a kind."""
    return [item["says"] for item in found["items"] if item["what"] == what]


def ask_to_put_right(shop, lot_id, days):
    """A corrective action on a lot, its answer due in so many days."""
    due = supply.month(12) + timedelta(days=7 + days)
    body = {"requested_action": "Find out why the diameter is off.", "due_at": f"{due:%Y-%m-%dT%H:%M:%SZ}"}
    return shop.post("purchasing", f"/lots/{lot_id}/corrective-actions", body)


def test_a_shop_where_all_is_well_is_told_so(shop, clock):
    """Without lots, and with good lots, the list is empty."""
    assert ([], "Nothing to act on this week.") == tuple(week(shop)[name] for name in ("items", "says"))
    whites(shop.supplier(), shop.grade(limits=COLOR), STEADY)
    assert [] == week(shop)["items"]


@BOTH_ENGINES
def test_what_needs_purchasing_is_listed_the_most_urgent_first(shop, clock):
    """An overdue answer comes first, then a limit about to be reached, a waiting rejected lot, and a drift."""
    white, plain = shop.grade(limits=COLOR), shop.grade("PLA-WB-175", DIAMETER)
    walking, jumped, careless = shop.supplier("QWT"), shop.supplier("NBK"), shop.supplier("TTH")
    whites(walking, white, [0.08 * number for number in range(12)])
    whites(jumped, white, [*STEADY, *(0.5 + b for b in STEADY[:4])], prefix="N")
    (refused,) = judged(careless, plain, "R", first=11, prefix="T")
    action = ask_to_put_right(shop, refused, days=3)
    clock.shift(timedelta(days=5))
    found = week(shop)
    kinds = [item["what"] for item in found["items"]]
    assert ["overdue_action", "limit_near", "refused_waiting", "drifting"] == list(dict.fromkeys(kinds))
    assert found["says"].startswith(f"{len(kinds)} matters need attention, the most urgent first. 4 of 8 series drift.")
    assert [
        f"Corrective action {action['id']} for lot T-11 has no answer, which was due 2 days ago.",
    ] == said(found, "overdue_action")
    near = said(found, "limit_near")
    assert any("yellower since about lot Q-01, by 0.08 per lot" in words for words in near)
    assert all("about lot 14" in words or "about lot 15" in words for words in near)
    assert all("Lot Q-12 was number 12." in words for words in near)
    assert [
        "Lot T-11 is blocked, with 1.0 kg in the shop. Ask quality to return it, scrap it or grant a concession."
    ] == said(found, "refused_waiting")
    assert any("from about lot N-09 on, by 0.50 in one step" in words for words in said(found, "drifting"))
    first = found["items"][0]
    assert ("Supplier TTH", "PLA-WB-175", refused, "T-11", None) == tuple(
        first[name] for name in ("supplier", "grade", "lot_id", "supplier_lot", "measure")
    )


def test_an_answer_in_time_takes_the_action_off_the_list(shop, clock):
    """Before its due day and after its answer an action is not listed."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    (refused,) = judged(supplier, grade, "R", first=11)
    action = ask_to_put_right(shop, refused, days=3)
    assert [] == said(week(shop), "overdue_action")
    clock.shift(timedelta(days=4))
    (words,) = said(week(shop), "overdue_action")
    assert words.endswith("due 1 day ago.")
    answer = {"cause": "a worn die", "action": "a new die", "answered_by": "Jory"}
    shop.post("purchasing", f"/corrective-actions/{action['id']}/answer", answer)
    assert [] == said(week(shop), "overdue_action")


def test_a_refused_lot_stays_on_the_list_until_it_is_gone(shop, clock):
    """A returned lot is not listed, and one resubmitted and rejected again is."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    (refused,) = judged(supplier, grade, "R", first=11)
    assert 1 == len(said(week(shop), "refused_waiting"))
    shop.decide(refused, "return", "wrong diameter")
    assert [] == week(shop)["items"]
    with supply.at_the_desks():
        again = supply.delivery(supplier, grade, "Q-11S", supply.month(12), resubmission_of=refused)
        supply.reading("diameter", again["spools"][0]["code"], supply.month(12), d1_mm=supply.BAD, d2_mm=supply.BAD)
    (item,) = week(shop)["items"]
    assert ("refused_waiting", again["lot_id"]) == (item["what"], item["lot_id"])


def test_a_limit_that_is_reached_already_is_no_less_urgent(shop, clock):
    """With limits tightened below the lots, a limit already reached is the most urgent."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, [0.08 * number for number in range(12)])
    shop.limit(grade["id"], {**COLOR, "color": {"lot_max": 2.0, "components_max": {"b": 0.8}}})
    near = [item for item in week(shop)["items"] if item["what"] == "limit_near"]
    assert ["color.component_b"] == [item["measure"] for item in near]
    assert "The limit of 0.8 has been reached. The latest lots use 110 % of the tolerance." in near[0]["says"]
    risk = near[0]["risk"]
    assert (0, 0) == (risk["lots_left_low"], risk["lots_left_high"])
    assert risk["probability_next_fails"] > 0.99
    assert pytest.approx(1.1) == risk["limit_used"]


def test_a_drift_whose_limit_is_far_is_listed_as_a_drift(shop, clock):
    """Lots that drift by 0.02 are listed as a drift."""
    supplier, grade = shop.supplier(), shop.grade(limits=COLOR)
    whites(supplier, grade, [0.02 * number for number in range(12)])
    found = week(shop)
    assert {"drifting"} == {item["what"] for item in found["items"]}
    assert all(item["risk"]["lots_left_low"] > 30 for item in found["items"])
    assert all(item["risk"]["probability_next_fails"] < 0.05 for item in found["items"])


def test_a_restricted_lot_says_what_it_is_still_fit_for(shop, clock):
    """A restricted lot is listed with failed and permitted uses and its mass, until it is used up."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    with supply.at_the_desks():
        came = supply.delivery(supplier, grade, "Q-11", supply.month(11), spools=2)
        spool, other = (one["code"] for one in came["spools"])
        supply.color(spool, supply.month(11), 2.0)
        supply.reading("diameter", spool, supply.month(11), d1_mm=supply.GOOD, d2_mm=supply.GOOD)
    (item,) = week(shop)["items"]
    assert ("restricted", came["lot_id"], 2.0) == (item["what"], item["lot_id"], item["risk"]["stock_kg"])
    assert "Lot Q-11 is restricted. It fails cosmetic use. 2.0 kg remain usable for hidden use." == item["says"]
    with connected(), transaction():
        Spool.update(remaining_mass_g=0.0).where(Spool.code == other).execute()
    assert 1.0 == week(shop)["items"][0]["risk"]["stock_kg"]
    with connected(), transaction():
        Spool.update(remaining_mass_g=0.0).execute()
    assert [] == week(shop)["items"]


def test_a_lot_that_waits_longer_than_usual_is_named(shop, clock):
    """A lot that waits longer than the shop's usual days is listed from the next day."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    judged(supplier, grade, "-", first=12)
    assert [] == said(week(shop), "quarantined_long")
    clock.shift(timedelta(days=2))
    (words,) = said(week(shop), "quarantined_long")
    assert "Lot Q-12 has been in quarantine for 9 days, with 1.0 kg. The usual time is at most 7 days." == words
    with connected(), transaction():
        shop_details.change(0, {"usual_quarantine_days": 10}, "Aldous")
    assert [] == said(week(shop), "quarantined_long")
    clock.shift(timedelta(days=2))
    assert said(week(shop), "quarantined_long")[0].startswith("Lot Q-12 has been in quarantine for 11 days, with")


def letter_about(lot_id, number, answer_by, *, sent=True):
    """A letter about a lot, with a due day for its answer."""
    with connected(), transaction():
        made = Letter.create(
            lot=lot_id,
            number=number,
            claim="credit",
            answer_by=answer_by,
            addressed_to="Supplier QWT",
            signed_by="Jory",
            pdf="",
            digest="0" * 64,
            recorded_at=answer_by - timedelta(days=14),
            recorded_by="Jory",
        )
        if sent:
            at = answer_by - timedelta(days=13)
            LetterSent.create(letter=made, sent_at=at, sent_to="sales", recorded_at=at, recorded_by="Jory")


@BOTH_ENGINES
def test_a_letter_whose_day_passed_without_an_answer_is_named(shop, clock):
    """A sent letter past its due day is listed, until a corrective action of its lot is answered or a newer letter follows."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    lots = judged(supplier, grade, "RR", first=10)
    day = supply.month(12)
    letter_about(lots[0], "L-1", day)
    letter_about(lots[1], "L-2", day, sent=False)
    (words,) = said(week(shop), "letter_unanswered")
    assert "Letter L-1 about lot Q-10 has no answer, which was due 7 days ago." == words
    assert ["letter_unanswered", "refused_waiting", "refused_waiting"] == [one["what"] for one in week(shop)["items"]]
    # An unsent letter asks nothing, so the earlier one stays open.
    letter_about(lots[0], "L-4", day + timedelta(days=60), sent=False)
    assert [words] == said(week(shop), "letter_unanswered")
    letter_about(lots[0], "L-3", day + timedelta(days=30))
    assert [] == said(week(shop), "letter_unanswered")
    clock.shift(timedelta(days=30))
    assert said(week(shop), "letter_unanswered")[0].startswith("Letter L-3 about lot Q-10 has no answer")
    action = ask_to_put_right(shop, lots[0], days=40)
    answer = {"cause": "a worn die", "action": "a new die", "answered_by": "Jory"}
    shop.post("purchasing", f"/corrective-actions/{action['id']}/answer", answer)
    assert [] == said(week(shop), "letter_unanswered")


def test_what_was_due_seconds_ago_was_due_today(shop, clock):
    """A date seconds ago was due today."""
    lots = judged(shop.supplier(), shop.grade(limits=DIAMETER), "R", first=10)
    letter_about(lots[0], "L-1", supply.month(12) + timedelta(days=7))
    clock.shift(timedelta(seconds=5))
    assert ["Letter L-1 about lot Q-10 has no answer, which was due today."] == said(week(shop), "letter_unanswered")
    clock.shift(timedelta(days=1))
    assert said(week(shop), "letter_unanswered")[0].endswith("due 1 day ago.")


def test_good_news_and_immaterial_changes_stay_on_the_drift_pages(shop, clock):
    """An approach to the reference, and a change of a seventh of the limit, are on the drift pages alone."""
    grade = shop.grade(limits=COLOR)
    better, slightly = shop.supplier("NBK"), shop.supplier("TTH")
    whites(better, grade, [*(0.5 + b for b in STEADY), *STEADY[:4]], prefix="N")
    whites(slightly, grade, [*STEADY, *(0.14 + b for b in STEADY[:4])], prefix="T")
    assert [] == week(shop)["items"]
    for supplier in (better, slightly):
        told = supply.followed(shop, supplier, grade)["signals"]
        assert any(one["active"] for one in told)


def test_the_list_says_how_many_series_it_looked_at(shop, clock):
    """The list has counts and the rate of its series, with improvements and steady suppliers counted."""
    grade = shop.grade(limits=COLOR)
    moved, better, steady = shop.supplier("QWT"), shop.supplier("NBK"), shop.supplier("TTH")
    whites(moved, grade, [*STEADY, *(0.5 + b for b in STEADY[:4])])
    whites(better, grade, [*(0.5 + b for b in STEADY), *STEADY[:4]], prefix="N")
    whites(steady, grade, [*STEADY, *STEADY[:4]], prefix="T")
    found = week(shop)
    assert {"Supplier QWT"} == {item["supplier"] for item in found["items"]}
    assert all(item["p_value"] < 0.01 for item in found["items"])
    drifting = {item["measure"] for item in found["items"]}
    assert (len(drifting), 0.1) == (found["series_listed"], found["false_discovery_rate"])
    assert found["series_looked_at"] > 3 * len(drifting) - 1
    assert f"{len(drifting)} of {found['series_looked_at']} series drift" in found["says"]
    assert "at most 10 % of the series listed as drifting are steady" in found["says"]
    compared = shop.get("purchasing", f"/supplier-comparison?grade_id={grade['id']}")
    assert found["series_looked_at"] == compared["drift"]["series_looked_at"]
    assert {"Supplier QWT": drifting} == {
        line["supplier"]: {one["measure"] for one in line["drift"]} for line in compared["suppliers"] if line["drift"]
    }


def test_what_is_older_than_two_years_is_past(shop, clock):
    """A supplier without deliveries for two years, and a rejected lot of that time, are not listed."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    (spool,) = shop.receive(supplier, grade, spools=1, received_at=supply.asked(supply.month(11)))["spools"]
    shop.color(spool["code"], [WHITE[0], WHITE[1], WHITE[2] + 3], measured_at=supply.asked(supply.month(11)))
    shop.diameter(spool["code"], measured_at=supply.asked(supply.month(11)))
    shop.decide(1, "block")
    assert 1 == len(week(shop)["items"])
    clock.shift(timedelta(days=731))
    assert [] == week(shop)["items"]
