"""The moment of receipt: typed in the site's time, kept to the second if unchanged, and asked about if it occurred twice.

Source of offsets and of the days on which clocks change: IANA tz database.
"""

from __future__ import annotations

import pytest

from tests.described import describe
from tests.pages.reading import Browser, log
from tests.pages.test_corrections import correct

BERLIN, KOLKATA, ST_JOHNS = "Europe/Berlin", "Asia/Kolkata", "America/St_Johns"


def delivery(desk, number=1):
    """A delivery as the API answers it."""
    return desk.get("receiving", f"/deliveries/{number}")


@pytest.mark.parametrize(
    ("zone", "typed", "meant"),
    [
        (BERLIN, "2026-01-15T09:30", "2026-01-15T08:30:00Z"),
        (BERLIN, "2026-03-29T01:59", "2026-03-29T00:59:00Z"),
        (BERLIN, "2026-03-29T03:00", "2026-03-29T01:00:00Z"),
        (BERLIN, "2026-10-25T01:59", "2026-10-24T23:59:00Z"),
        (BERLIN, "2026-10-25T03:00", "2026-10-25T02:00:00Z"),
        (KOLKATA, "2026-01-15T09:30", "2026-01-15T04:00:00Z"),
        (ST_JOHNS, "2026-01-15T09:30", "2026-01-15T13:00:00Z"),
        (ST_JOHNS, "2026-07-15T09:30", "2026-07-15T12:00:00Z"),
    ],
)
def test_a_time_is_that_of_the_sites_clock(desk, clerk, zone, typed, meant):
    """Half hours, summer and winter, and the minutes around missing or doubled hours. The API answers in UTC."""
    describe(desk, time_zone=zone)
    log(desk, clerk, received_at=typed)
    assert meant == delivery(desk)["received_at"]
    assert typed == clerk.go("/receiving/1/correct").form("received_at")["fields"]["received_at"]


def test_an_hour_that_came_twice_is_asked_about(desk, clerk):
    """On 2026-10-25 the clocks of Berlin went back from 03:00 to 02:00: the clerk chooses which 02:30 it was."""
    describe(desk, time_zone=BERLIN, date_form="DD.MM.YYYY")
    asked = log(desk, clerk, received_at="2026-10-25T02:30")
    assert 422 == asked.status
    assert "so this time occurred twice. Choose the first or the second below." in asked.text
    assert "First: 25.10.2026 02:30 CEST (UTC+02:00)" in asked.text
    assert "Second: 25.10.2026 02:30 CET (UTC+01:00)" in asked.text
    clerk.send(asked, "supplier_lot", received_which="2026-10-25T02:30:00+01:00")
    assert "2026-10-25T01:30:00Z" == delivery(desk)["received_at"]


def test_a_time_that_never_came_is_refused_in_words(desk, clerk):
    """On 2026-03-29 the clocks in Berlin went forward from 02:00 to 03:00. The field takes no UTC offset."""
    describe(desk, time_zone=BERLIN)
    page = log(desk, clerk, received_at="2026-03-29T02:30")
    assert (422, True) == (page.status, "02:30 did not exist on 2026-03-29 in Europe/Berlin" in page.text)
    assert "offset" not in page.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_a_time_that_was_not_touched_is_exact(desk, clerk):
    """The form shows minutes; neither the moment of logging nor a stored one loses its seconds, and neither is a correction."""
    describe(desk, time_zone=ST_JOHNS)
    page = clerk.go("/receiving")
    known = page.form("received_at")["fields"]["received_known"]
    log(desk, clerk)
    assert known[:16] == delivery(desk)["received_at"][:16]
    body = {
        "supplier_id": desk.quillwort["id"],
        "grade_id": desk.white["id"],
        "supplier_lot": "Q-72",
        "received_at": "2026-11-20T08:07:06.5Z",
        "spool_count": 2,
        "net_mass_g": 750.5,
    }
    desk.post("receiving", "/deliveries", body)
    correct(clerk, 2)
    assert 1 == delivery(desk, 2)["version"]
    page = correct(clerk, 2, note="dented")
    assert ("2026-11-20T08:07:06.500000Z", "dented") == tuple(delivery(desk, 2)[k] for k in ("received_at", "note"))
    assert "received" not in page.text[page.text.index("Corrections") :]
    page = correct(clerk, 2, received_at="2026-11-20T04:36")
    assert "2026-11-20T08:06:00Z" == delivery(desk, 2)["received_at"]
    assert "received: 2026-11-20 04:36 NST (was 2026-11-20 04:37 NST)" in page.text


def test_which_of_two_times_it_was_can_be_corrected(desk, clerk):
    """The stored one is preselected, so nothing changes until the other is chosen."""
    describe(desk, time_zone=BERLIN)
    log(desk, clerk, received_at="2026-10-25T02:30:00+02:00")
    correct(clerk, 1)
    assert (1, "2026-10-25T00:30:00Z") == tuple(delivery(desk)[name] for name in ("version", "received_at"))
    correct(clerk, 1, received_which="2026-10-25T02:30:00+01:00")
    assert "2026-10-25T01:30:00Z" == delivery(desk)["received_at"]


def test_numbers_are_typed_and_shown_with_the_sites_decimal_sign(desk, clerk):
    """Cost and masses with a comma, at the form, in its correction and on the page of the delivery; unchanged ones are no correction."""
    describe(desk, decimal_sign="comma")
    done = log(desk, clerk, spools="A-1, 750,5\nA-2", spool_count="", net_mass_g="999,5", cost="12,50", currency="EUR")
    found = delivery(desk)
    assert (12.5, [750.5, 999.5]) == (found["cost"], sorted(spool["net_mass_g"] for spool in found["spools"]))
    assert "750,5" in done.text
    form = clerk.go("/receiving/1/correct").form("cost")["fields"]
    assert ("12,5", "750,5") == (form["cost"], form["mass-A-1"])
    correct(clerk, 1)
    assert 1 == delivery(desk)["version"]
    page = correct(clerk, 1, **{"cost": "13,25", "mass-A-1": "751"})
    assert "cost: 13,25 (was 12,5)" in page.text
    assert "A-1 751 (was 750,5)" in page.text


def test_the_only_supplier_and_grade_are_chosen_and_the_last_ones_come_first(desk, clerk):
    """Fewer keys: what came last is the next in the list; nothing is chosen that could be another."""
    fields = clerk.go("/receiving").form("supplier_id")["fields"]
    assert ("", str(desk.white["id"])) == (fields["supplier_id"], fields["grade_id"])
    log(desk, clerk, supplier_id=str(desk.ninebark["id"]))
    page = clerk.go("/receiving")
    assert page.html.index("NBK: Supplier NBK") < page.html.index("QWT: Supplier QWT")
    assert "" == page.form("supplier_id")["fields"]["supplier_id"]


def test_the_first_field_has_the_focus(desk, clerk):
    """The first field has the focus; after a refusal, the first field with a fault."""
    assert '<select id="supplier_id" name="supplier_id" autofocus' in clerk.go("/receiving").html
    refused = log(desk, clerk, received_at="")
    assert "autofocus" not in refused.html


def test_an_empty_shop_says_who_sets_up_what_is_lacking(shop):
    """Neither supplier nor grade: no form, and the people who set them up."""
    page = Browser(shop, "receiving").go("/receiving")
    assert "No supplier is set up yet. Ask purchasing" in page.text
    assert "No grade is set up yet. Ask quality or the administrator." in page.text
    assert [] == [form for form in page.forms if "supplier_lot" in form["fields"]]
