"""Re-inspections and substitutes at pages of their own, and how much the lists of quality's acts ask of the database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from tests.api.bodies import Furnished
from tests.pages.reading import Browser
from tests.pages.test_statements import made
from tests.shop import SIMPLE_LIMITS

SOON = f"{datetime.now(UTC) + timedelta(days=20):%Y-%m-%d}"


def test_a_lot_is_inspected_again_for_what_its_limits_require(desk):
    """A re-inspection records characteristics and a new date. A missing characteristic or reason is refused at its field."""
    desk.receive(desk.quillwort, desk.grade("PLA-OLD", SIMPLE_LIMITS, shelf_life_days=30))
    technician = Browser(desk, "quality")
    page = technician.go(technician.go("/lots/1").links["Inspect again"])
    assert "The shelf life of this grade is 30 days" in page.text
    refused = technician.send(page, "use_by", use_by=SOON, reason="kept dry")
    assert (422, True) == (refused.status, "Name at least one characteristic" in refused.text)
    far = technician.send(page, "use_by", use_by="2199-01-31", reason="kept dry", measure="diameter")
    assert (422, []) == (far.status, desk.get("quality", "/lots/1/reinspections")["items"])
    done = technician.send(far, "use_by", use_by=SOON, measure="diameter")
    assert "Re-inspection recorded" in done.text
    (kept,) = desk.get("quality", "/lots/1/reinspections")["items"]
    assert (["diameter"], "kept dry") == (kept["measure"], kept["reason"])
    assert "still to do" in technician.go("/lots/1/reinspections").text


def test_a_grade_without_a_shelf_life_has_nothing_to_extend(desk):
    """The page says so and has no form; a form sent all the same is refused."""
    desk.receive(desk.quillwort, desk.white)
    technician = Browser(desk, "quality")
    page = technician.go("/lots/1/reinspections")
    assert "sets no shelf life" in page.text
    sent = {**page.form("seal")["fields"], "page": "reinspection", "measure": "diameter", "use_by": SOON, "reason": "x"}
    assert 409 == technician.go("/lots/1/reinspections", data=sent).status


def test_a_substitute_is_accepted_for_a_spool_that_was_drawn(desk):
    """From the possible substitutes. A spool that was measured meanwhile is refused at its field."""
    desk.receive(desk.quillwort, desk.white)
    (part,) = desk.get("quality", "/lots/1/sample")["deliveries"]
    technician = Browser(desk, "quality")
    page = technician.go(technician.go("/lots/1").links["Accept a substitute"])
    assert 422 == technician.send(page, "substitute", reason=" ").status
    done = technician.send(page, "substitute", reason="damaged in the box")
    assert "Substitute accepted" in done.text
    (part,) = desk.get("quality", "/lots/1/sample")["deliveries"]
    assert ["damaged in the box"] == [one["reason"] for one in part["substitutes"]]
    again = technician.go("/lots/1/substitutes")
    desk.diameter(part["drawn"][0])
    refused = technician.send(again, "substitute", reason="missing")
    assert (422, True) == (refused.status, "was measured." in refused.text)


@pytest.mark.parametrize("role", ["receiving", "purchasing", "production"])
def test_other_desks_change_no_sample_and_no_date(desk, role):
    """403 for each page and each form."""
    desk.receive(desk.quillwort, desk.white)
    other = Browser(desk, role)
    sealed = {**other.go("/").form("seal")["fields"], "reason": "x", "lot": "1"}
    assert {403} == {other.raw(path).status_code for path in ("/lots/1/reinspections", "/lots/1/substitutes")}
    assert {403} == {
        other.raw(path, data=sealed).status_code for path in ("/lots/1/reinspections", "/deliveries/1/substitute")
    }


def test_lists_of_acts_make_as_many_statements_for_many_rows_as_for_few(shop):
    """Concessions of a lot, corrective actions, checks, studies, copies, trials."""
    at, admin = Furnished(shop), Browser(shop, "admin")
    lot = shop.receive(at.supplier, at.grade, "MANY", spools=3)
    paths = (
        f"/lots/{lot['lot_id']}/concession",
        "/corrective-actions",
        f"/instruments/{at.instrument['id']}/check",
        f"/instruments/{at.instrument['id']}/study",
        f"/setup/shades/{at.shade['id']}/copies",
        f"/grades/{at.grade['id']}/visual-trials",
    )

    def more() -> None:
        for _ in range(3):
            asked = {"uses": ["hidden"], "max_mass_g": 5, "valid_until": "2199-01-31T00:00:00Z", "reason": "Brackets."}
            shop.post("quality", f"/lots/{lot['lot_id']}/concessions", asked)
            at.action(answered=True)
            at.study()
            at.remeasurement()
            shop.diameter(lot["spools"][0]["code"])

    more()
    before = {path: made(admin, path) for path in paths}
    more()
    assert before == {path: made(admin, path) for path in paths}
    assert {} == {path: count for path, count in before.items() if count > 25}
