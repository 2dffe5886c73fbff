"""Acts on single readings: outliers excluded and included again, doubtful readings confirmed, voids agreed to, builds cleared."""

from __future__ import annotations

import pytest

from tests.api.bodies import Furnished
from tests.pages.reading import Browser


@pytest.fixture
def at(shop):
    """A shop with one of everything."""
    return Furnished(shop)


@pytest.fixture
def technician(shop, at):
    """The quality technician at a browser."""
    return Browser(shop, "quality")


def counts(shop, number):
    """Whether a reading counts for its lot."""
    lots = (
        shop.get("quality", f"/lots/{lot['id']}/readings?limit=500")
        for lot in shop.get("quality", "/lots?limit=500")["items"]
    )
    return next(one for page in lots for one in page["items"] if one["id"] == number)


def test_an_outlier_is_excluded_for_a_cause_and_included_again(shop, at, technician):
    """The result comes first, then the numbers of the test. The lot names the change."""
    number = at.strange()
    lot = counts(shop, number)["lot_id"]
    listed = technician.go(f"/lots/{lot}/outliers")
    assert "1 outlier found (generalised ESD test, n = 10" in listed.text
    page = technician.go(listed.links[f"Exclude reading {number}"])
    assert f"Reading {number} is an outlier." in page.text
    assert page.html.index("is an outlier") < page.html.index("Critical value")
    refused = technician.send(page, "cause", cause="", reason="dirty jaw")
    assert (422, None) == (refused.status, counts(shop, number)["excluded"])
    done = technician.send(refused, "cause", cause="instrument", reason="dirty jaw")
    assert f"Reading {number} is excluded" in done.text
    assert "dirty jaw" == counts(shop, number)["excluded"]["reason"]
    back = technician.go(technician.go(f"/lots/{lot}/outliers").links[f"Include reading {number}"])
    assert 422 == technician.send(back, "reason", reason="").status
    done = technician.send(back, "reason", reason="the jaw was clean")
    assert f"Reading {number} is included again" in done.text
    assert counts(shop, number)["excluded"] is None


def test_without_a_test_there_is_no_table_of_it(shop, at, technician):
    """With too few values the page of outliers shows no numbers of a test."""
    lot = counts(shop, at.reading())["lot_id"]
    page = technician.go(f"/lots/{lot}/outliers")
    assert "Too few values for an outlier test" in page.text
    assert "Critical value" not in page.text


def test_a_reading_that_is_no_outlier_stays(shop, at, technician):
    """The page says so and leads to a void; a form sent all the same excludes nothing."""
    number = at.reading()
    page = technician.go(f"/readings/{number}/exclude")
    assert f"Reading {number} is not an outlier and cannot be excluded" in page.text
    assert f"Void reading {number} instead" in page.links
    sent = {**page.form("seal")["fields"], "cause": "instrument", "reason": "it does not suit me", "once": "k"}
    refused = technician.go(f"/readings/{number}/exclude", data=sent)
    assert (409, None) == (refused.status, counts(shop, number)["excluded"])


def test_a_reading_far_from_its_neighbours_is_confirmed(shop, at, technician):
    """It counts from then on; there is nothing to confirm afterwards."""
    number = at.far_off()
    page = technician.go(f"/readings/{number}/confirm")
    assert "so it does not count yet" in page.text
    done = technician.send(page, "reason", reason="measured twice")
    assert f"Reading {number} confirmed" in done.text
    assert not counts(shop, number)["to_confirm"]
    again = technician.go(f"/readings/{number}/confirm")
    assert not any("reason" in form["fields"] for form in again.forms)


def test_a_held_void_is_agreed_to_by_a_second_person(shop, at, technician):
    """Its author among quality cannot; another person of quality can."""
    number = at.undone()
    leads = [link for link in technician.go("/").links.values() if link.endswith("/agree")]
    assert [f"/readings/{number}/agree"] == leads
    page = technician.go(leads[0])
    assert "The lot has a better result without this reading." in page.text
    done = technician.send(page, "reason", reason="the gauge says 1.75")
    assert "No voids need agreement." in done.text
    assert counts(shop, number)["voided"]["agreed"]["reason"] == "the gauge says 1.75"
    assert "This void needs no agreement." in technician.go(f"/readings/{number}/agree").text
    again = technician.go(
        f"/readings/{number}/agree", data={**page.form("reason")["fields"], "reason": "x", "once": "k"}
    )
    assert 409 == again.status


def test_a_build_is_cleared_for_a_reason(shop, at, technician):
    """From the desk of quality; without a reason the doubt stays, and it is lifted once."""
    number = at.doubt()
    desk = technician.go("/quality")
    assert "Suspect builds (1)" in desk.text
    page = technician.go(desk.links["Review"])
    assert (422, 1) == (
        technician.send(page, "reason", reason="").status,
        len(shop.get("quality", "/build-doubts?in_force=true")["items"]),
    )
    done = technician.send(page, "reason", reason="the bar had a void")
    assert "Doubt lifted" in done.text
    assert [] == shop.get("quality", "/build-doubts?in_force=true")["items"]
    sent = {**page.form("reason")["fields"], "reason": "again", "once": "k"}
    assert 409 == technician.go(f"/build-doubts/{number}", data=sent).status


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_other_desks_do_none_of_it(shop, at, role):
    """403 for each page and each form. Receiving may confirm its own readings."""
    number, doubt, undone = at.strange(), at.doubt(), at.undone()
    other = Browser(shop, role)
    sealed = {**other.go("/").form("seal")["fields"], "cause": "instrument", "reason": "x"}
    paths = (f"/readings/{number}/exclude", f"/readings/{undone}/agree")
    assert {403} == {other.raw(path).status_code for path in paths}
    sent = (*paths, f"/readings/{number}/include", f"/build-doubts/{doubt}")
    assert {403} == {other.raw(path, data=sealed).status_code for path in sent}
    assert counts(shop, number)["excluded"] is None


@pytest.mark.parametrize(
    "path", ["/readings/99999/exclude", "/readings/99999/agree", "/readings/99999/confirm", "/build-doubts/99999"]
)
def test_what_is_not_there_is_said_with_a_way_back(technician, path):
    """404 in words."""
    page = technician.go(path)
    assert (404, True) == (page.status, "does not exist" in page.text)
    assert "Back" in page.links
