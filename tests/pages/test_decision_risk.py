"""Decision risk at the page: the figures of the API, drawn and in sentences."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser
from tests.pages.test_words import JSON_NAME


@pytest.fixture
def measured(desk):
    """A grade with limits on two figures, and lots that give the standard deviation between spools."""
    limits = {"sampling": {"fixed": 3}, "diameter": {"mean_tolerance_mm": 0.03, "readings_per_spool_min": 3}}
    desk.post("quality", f"/grades/{desk.white['id']}/limits", limits)
    for number in range(4):
        delivery = desk.receive(desk.quillwort, desk.white, f"L-{number}", spools=3)
        for place, spool in enumerate(delivery["spools"]):
            for step in (0.0, 0.004, 0.008):
                size = 1.74 + 0.003 * place + step
                desk.diameter(spool["code"], d1=size, d2=size, instrument_id=desk.micrometer["id"])
    return desk


def test_the_page_says_what_the_api_says(measured):
    """Both risks of each figure, with what would lower them; the picture holds the sentences."""
    asked = f"/decision-risk?grade_id={measured.white['id']}"
    found = measured.get("quality", asked)
    page = Browser(measured, "quality").go(asked)
    known = [one for one in found["measures"] if one["false_accept_probability"] is not None]
    assert known
    for one in found["measures"]:
        assert one["label"] in page.text
    for one in known:
        for risk in ("false_accept_probability", "false_reject_probability"):
            assert f"{100 * one[risk]:.1f} %" in page.text
        assert one["says"] in page.html
        assert one["changes"][0]["change"] in page.text
    assert [] == JSON_NAME.findall(page.text)


def test_another_sample_is_asked_for_in_the_form(measured):
    """More spools, as the API answers for them."""
    asked = f"grade_id={measured.white['id']}&spools=8&readings=5"
    found = measured.get("quality", f"/decision-risk?{asked}")
    quality = Browser(measured, "quality")
    page = quality.send(
        quality.go("/decision-risk"), "grade_id", grade_id=str(measured.white["id"]), spools="8", readings="5"
    )
    assert "8 spools, 5 readings each" in page.text
    assert {one["spools"] for one in found["measures"]} == {8}


@pytest.mark.parametrize(
    ("typed", "says"), [({"spools": "many"}, "is not a whole number"), ({"readings": "0"}, "is out of range")]
)
def test_a_slip_is_said_at_its_field(desk, typed, says):
    """The typed values stay."""
    quality = Browser(desk, "quality")
    page = quality.send(quality.go("/decision-risk"), "grade_id", grade_id=str(desk.white["id"]), **typed)
    assert (422, True) == (page.status, says in page.text)
    assert typed.items() <= page.form("grade_id")["fields"].items()


def test_a_grade_without_limits_is_said_at_its_field(desk):
    """For a grade without limits the page shows the error and its remedy."""
    bare = desk.grade("BARE")
    page = Browser(desk, "purchasing").go(f"/decision-risk?grade_id={bare['id']}")
    assert (422, True) == (page.status, "Grade BARE has no limits. Set its limits first." in page.text)


def test_clerks_and_production_have_other_work(desk):
    """The page is for those who plan samples."""
    assert 403 == Browser(desk, "production").raw("/decision-risk").status_code
