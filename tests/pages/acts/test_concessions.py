"""Concessions at the pages: requested by one person, seen whole and approved by a second, withdrawn."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS, WHITE

SOON = f"{datetime.now(UTC) + timedelta(days=20):%Y-%m-%dT%H:%M}"
TYPED = {"uses": "hidden", "max_mass_g": "0.5", "valid_until": SOON, "reason": "brackets inside a housing"}


@pytest.fixture
def technician(desk):
    """The quality technician, in a shop with a lot that its diameter blocks, once loaded."""
    spool, *desk.others = (one["code"] for one in desk.receive(desk.quillwort, desk.white)["spools"])
    desk.color(spool, WHITE)
    desk.diameter(spool)
    desk.load(spool)
    desk.diameter(spool, 1.83, 1.83, instrument_id=desk.micrometer["id"])
    desk.post(
        "quality",
        f"/instruments/{desk.micrometer['id']}/checks",
        {"checked_at": "2026-11-20T07:00:00Z", "result": "pass"},
    )
    assert "blocked" == desk.lot(1)["standing"]
    return Browser(desk, "quality")


def request(somebody, **more):
    """Requests a concession on the first lot."""
    return somebody.send(somebody.go("/lots/1/concession"), "reason", **{**TYPED, **more})


def test_a_concession_is_requested_and_permits_nothing_yet(desk, technician):
    """Kilograms are typed, grams are kept; the page says that a second person has to approve, and offers the first one no button."""
    page = request(technician)
    (made,) = desk.get("quality", "/lots/1/concessions")["items"]
    assert (["hidden"], 500.0, True, None) == (
        made["uses"],
        made["max_mass_g"],
        made["finish_running"],
        made["approved_by"],
    )
    assert SOON == made["valid_until"][:16]
    assert "Concession requested" in page.text
    assert "A second person of quality has to approve it." in page.text
    assert "Approve concession 1" not in page.html
    assert not desk.ask_clearance(desk.others[0], "hidden")["clear"]


def test_the_approver_sees_findings_exposure_and_what_it_permits(desk, technician):
    """Value, limit, margin and probability of conformity; where the lot is; the answers of clearance; then one button."""
    request(technician)
    approver = Browser(desk, "admin")
    page = approver.go(approver.go("/quality").links["Concession 1, lot Q-71"])
    for says in ("1.830 mm", "-0.030 mm", "Probability of conformity", "0.0 %", "P1", "still loaded", "quality person"):
        assert says in page.text
    assert "0.5 kg (500 g)" in page.text
    assert "Load only for hidden, under concession 1: at most 500 g, until" in page.text
    done = approver.send(page, "once")
    assert "Concession approved" in done.text
    assert desk.ask_clearance(desk.others[0], "hidden")["clear"]
    assert not desk.ask_clearance(desk.others[0], "cosmetic")["clear"]
    assert "Concession 1, lot Q-71" not in approver.go("/quality").links


def test_who_requested_it_cannot_approve_it(desk, technician):
    """Also by a form that the page did not offer: nothing is permitted."""
    page = request(technician)
    refused = technician.go("/concessions/1/approve", data=page.form("seal")["fields"])
    assert (409, True) == (refused.status, "A second person must approve it" in refused.text)
    assert desk.get("quality", "/lots/1/concessions")["items"][0]["approved_by"] is None


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"max_mass_g": ""}, "This is required."),
        ({"max_mass_g": "0"}, "0 is too small"),
        ({"max_mass_g": "-1"}, "is too small"),
        ({"max_mass_g": "20000"}, "20000 kg is out of range."),
        ({"max_mass_g": "0,5"}, "with a decimal point, not a comma"),
        ({"max_mass_g": "half"}, "This must be a number."),
        ({"valid_until": "2020-01-01T00:00"}, "is in the past."),
        ({"valid_until": "soon"}, "This time is not complete, or has another form."),
        ({"reason": " "}, "This is required."),
        ({"uses": "flying"}, '"flying" is not a permitted value.'),
    ],
)
def test_a_request_that_says_too_little_or_nonsense_stores_nothing(desk, technician, typed, says):
    """The form shows the fault in words and keeps the typed values."""
    page = request(technician, **typed)
    assert 422 == page.status
    assert says in page.text
    assert "max_mass_g" not in page.text
    assert [] == desk.get("quality", "/lots/1/concessions")["items"]


def test_a_request_without_a_use_is_refused(desk, technician):
    """No box ticked."""
    form = technician.go("/lots/1/concession").form("reason")["fields"]
    page = technician.go("/lots/1/concession", data={**form, **TYPED, "uses": []})
    assert (422, True) == (page.status, "Name at least one use." in page.text)


def test_a_comma_is_a_decimal_sign_where_the_site_writes_one(desk, technician):
    """0,5 kg is 500 g, and the page writes it so."""
    desk.call(
        "admin",
        "PATCH",
        "/shop",
        {"decimal_sign": "comma"},
        If_Match=desk.call("admin", "GET", "/shop").headers["ETag"],
    )
    page = request(technician, max_mass_g="0,5")
    assert 500.0 == desk.get("quality", "/lots/1/concessions")["items"][0]["max_mass_g"]
    assert "0,5 kg" in page.text
    assert "1,830 mm" in page.text


def test_a_time_that_is_over_is_told_by_the_clock_of_the_site(desk, technician):
    """The error for a past time states it in the site's time zone, not in UTC."""
    here = desk.call("admin", "GET", "/shop").headers["ETag"]
    place = {"time_zone": "Europe/Berlin", "date_form": "DD.MM.YYYY"}
    desk.call("admin", "PATCH", "/shop", place, If_Match=here)
    page = request(technician, valid_until="2020-01-01T12:00")
    assert "01.01.2020 12:00 CET is in the past. Give a time in the future." in page.text


def test_a_concession_is_withdrawn_for_a_reason(desk, technician):
    """It no longer permits anything, running loads are named, and a second withdrawal is refused."""
    request(technician)
    desk.post("admin", "/concessions/1/approve", {})
    desk.load(desk.others[0], use="hidden", machine="P2", job="J-2")
    page = technician.go("/concessions/1")
    assert 422 == technician.send(page, "reason", reason=" ").status
    done = technician.send(page, "reason", reason="the brackets broke")
    assert "Concession withdrawn" in done.text
    assert "Unload these spools now P2, job J-2" in done.text
    assert not desk.ask_clearance(desk.others[1], "hidden")["clear"]
    again = technician.go("/concessions/1/withdraw", data={**page.form("reason")["fields"], "reason": "x", "once": "k"})
    assert (409, True) == (again.status, "was already withdrawn by" in again.text)


def test_a_returned_lot_has_no_concession(desk, technician):
    """A concession for such a lot is refused in words."""
    desk.decide(1, "return")
    page = request(technician)
    assert (409, True) == (page.status, "cannot be used" in page.text)


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_other_desks_see_and_approve_no_concession(desk, technician, role):
    """403 for the page, the request, the approval and the withdrawal."""
    request(technician)
    other = Browser(desk, role)
    sealed = other.go("/").form("seal")["fields"]
    assert 403 == other.raw("/concessions/1").status_code
    for path in ("/lots/1/concession", "/concessions/1/approve", "/concessions/1/withdraw"):
        assert 403 == other.raw(path, data={**sealed, **TYPED}).status_code
    assert [None] == [one["approved_by"] for one in desk.get("quality", "/lots/1/concessions")["items"]]


def test_a_concession_that_is_not_there_is_said(desk, technician):
    """404 with a way back."""
    page = technician.go("/concessions/9")
    assert (404, True) == (page.status, "Concession 9 does not exist." in page.text)
    assert "/quality" == page.links["Back"]


def test_a_use_that_nothing_was_assessed_for_is_told_the_approver(desk):
    """Limits that do not name it are no evidence for it; a use they name is not listed there."""
    grade = desk.grade("NAMED", limits=SIMPLE_LIMITS | {"uses": {"hidden": ["diameter"]}})
    desk.receive(desk.quillwort, grade)
    technician = Browser(desk, "quality")
    form = technician.go("/lots/1/concession").form("reason")["fields"]
    page = technician.go("/lots/1/concession", data={**form, **TYPED, "uses": ["hidden", "flexing"]})
    assert "Not assessed for flexing" in page.text
    assert "Required for these uses and not measured:" in page.text
