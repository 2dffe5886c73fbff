"""Manual decisions, reassessments and dryings from the page of a lot, in a browser without script."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS, WHITE

ACTS = ("/lots/1/decide?action=block", "/lots/1/reassess", "/lots/1/concession", "/lots/1/outliers")


@pytest.fixture
def technician(desk):
    """The quality technician at a browser, in a shop where a spool of a released lot is loaded."""
    desk.made = desk.good_lot(desk.quillwort, desk.white)
    desk.load(desk.made["spools"][0]["code"])
    return Browser(desk, "quality")


@pytest.fixture
def blocked(desk):
    """The quality technician, in a shop with a lot that its readings block."""
    spool = desk.receive(desk.quillwort, desk.white)["spools"][0]["code"]
    desk.diameter(spool, 1.85, 1.85)
    desk.color(spool, WHITE)
    assert "blocked" == desk.lot(1)["standing"]
    return Browser(desk, "quality")


def test_a_block_says_at_once_what_must_come_off(desk, technician):
    """Before it, where the lot is loaded; after it, which spool to unload, above the page of the lot."""
    page = technician.go(technician.go("/lots/1").links["Block lot"])
    assert ["Block lot Q-71"] == page.headings[:1]
    assert "P1" in page.text
    assert "still loaded" in page.text
    done = technician.send(page, "reason", reason="streaks on parts")
    assert "blocked" == desk.lot(1)["standing"]
    assert "Decision stored" in done.text
    assert "Lot Q-71 is blocked by a manual decision. Reason: streaks on parts." in done.text
    assert f"Unload these spools now: Spool {desk.made['spools'][0]['code']} on P1, job J-1" in done.text


@pytest.mark.parametrize("reason", ["", " ", "x" * 2001])
def test_a_decision_without_a_reason_is_refused_beside_its_field(desk, technician, reason):
    """No decision is stored, and the typed values stay."""
    page = technician.send(technician.go("/lots/1/decide?action=hold"), "reason", reason=reason)
    assert (422, "released") == (page.status, desk.lot(1)["standing"])
    assert "Correct the fields marked below." in page.text
    assert 'aria-invalid="true"' in page.html
    assert ["Hold lot Q-71"] == page.headings[:1]


def test_a_block_is_lifted_with_a_reason(desk, technician):
    """The readings decide again."""
    desk.decide(1, "block", "streaks")
    page = technician.go(technician.go("/lots/1").links["Lift the decision"])
    done = technician.send(page, "reason", reason="the streaks were the nozzle")
    assert "released" == desk.lot(1)["standing"]
    assert "Lot Q-71 is released." in done.text


def test_nobody_releases_a_lot_that_its_readings_refuse(desk, blocked):
    """The page says why there is nothing to lift, and leads to a concession; a form sent all the same decides nothing."""
    page = blocked.go("/lots/1/decide?action=lift")
    assert "This decision is not possible" in page.text
    assert "blocked by its readings" in page.text
    assert "/lots/1/concession" == page.links["Request a concession"]
    assert not any("reason" in form["fields"] for form in page.forms)
    sent = {**page.form("seal")["fields"], "page": "decide", "action": "lift", "reason": "the job is late"}
    refused = blocked.go("/lots/1/decide", data=sent)
    assert (409, "blocked") == (refused.status, desk.lot(1)["standing"])
    assert "blocked by its readings" in refused.text
    for action in ("release", "released", "accept"):
        assert 422 == blocked.go("/lots/1/decide", data={**sent, "action": action}).status
    assert "blocked" == desk.lot(1)["standing"]


def test_a_return_is_confirmed_with_its_quantity(desk, technician):
    """A reason first, then a page with what follows; only its button returns the lot."""
    page = technician.go("/lots/1/decide?action=return")
    assert 422 == technician.send(page, "reason", reason="").status
    confirm = technician.send(page, "reason", reason="too wet")
    assert "3 spools with 3000 g left" in confirm.text
    assert "released" == desk.lot(1)["standing"]
    done = technician.send(confirm, "confirm")
    assert "returned" == desk.lot(1)["standing"]
    assert "Lot Q-71 is returned by a manual decision. Reason: too wet." in done.text


def test_a_reassessment_shows_first_what_it_would_change(desk, technician):
    """The present and the future status, and each finding that would change. The preview stores nothing."""
    desk.limit(desk.white["id"], SIMPLE_LIMITS | {"diameter": {"mean_tolerance_mm": 0.03, "readings_per_spool_min": 3}})
    told = len(desk.get("quality", "/lots/1/decisions")["items"])
    page = technician.go(technician.go("/lots/1").links["Reassess"])
    assert "Now ✔ released , would be … in quarantine" in page.text
    assert "Limits revision 1 2" in page.text
    assert told == len(desk.get("quality", "/lots/1/decisions")["items"])
    done = technician.send(page, "once")
    assert "quarantined" == desk.lot(1)["standing"]
    assert "Lot reassessed" in done.text
    assert "Unload these spools now" in done.text
    assert (done.status, 404) == (200, technician.raw("/lots/9/reassess").status_code)


def test_a_reassessment_that_changes_nothing_says_so(desk, technician):
    """The status stays and no finding is listed."""
    page = technician.go("/lots/1/reassess")
    assert "The status would stay: ✔ released" in page.text
    assert "Findings that would change No finding would change." in page.text


def test_a_drying_is_recorded_for_a_spool_of_the_lot(desk, technician):
    """A drying is recorded for a spool of the lot. An impossible temperature is refused at its field."""
    page = technician.go(technician.go("/lots/1").links["Record a drying"])
    refused = technician.send(page, "hours", temperature_c="450", hours="6")
    assert (422, True) == (refused.status, "450 is out of range." in refused.text)
    done = technician.send(refused, "hours", temperature_c="45", hours="6")
    code = desk.made["spools"][0]["code"]
    assert "recorded" in done.text
    dried = [
        row for one in desk.made["spools"] for row in desk.get("quality", f"/spools/{one['code']}/dryings")["items"]
    ]
    assert [(45.0, 6.0)] == [(row["temperature_c"], row["hours"]) for row in dried], code


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_other_desks_decide_nothing(desk, technician, role):
    """Neither the pages nor their forms, and no link offers them."""
    other = Browser(desk, role)
    assert {403} == {other.raw(path).status_code for path in ACTS}
    sealed = other.go("/").form("seal")["fields"]
    for path in ("/lots/1/decide", "/lots/1/reassess", "/lots/1/concession"):
        assert 403 == other.raw(path, data={**sealed, "action": "block", "reason": "x", "page": "decide"}).status_code
    offered = other.go("/lots/1").links
    assert not {"Block lot", "Reassess", "Request a concession", "Scrap lot"} & set(offered)
    assert "released" == desk.lot(1)["standing"]


def test_an_ended_lot_offers_only_what_may_follow(desk, technician):
    """The return of a lot can be lifted, and no other decision is possible."""
    desk.decide(1, "return", "too wet")
    offered = technician.go("/lots/1").links
    assert "Lift the decision" in offered
    assert not {"Block lot", "Hold lot", "Scrap lot", "Reassess", "Request a concession"} & set(offered)


def test_a_result_that_somebody_made_up_is_not_shown(desk, technician):
    """Only a result of this session."""
    page = technician.go("/lots/1?result=eyJ0aXRsZSI6IlJlbGVhc2VkIn0.x")
    assert "act-result" not in page.html
