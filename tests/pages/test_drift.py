"""The page of drift: choices, pictures for each width, projections with dates, and lots."""

from __future__ import annotations

import html
import re
from datetime import datetime, timedelta

import pytest

from lots.services import clock
from tests.api.pictures.seen import SVG, Picture
from tests.files import rows
from tests.journeys.supply import whites
from tests.pages.reading import Browser


@pytest.fixture
def drifting(desk):
    """A buyer who follows fourteen lots that grow yellower, and another supplier with two."""
    whites(desk.quillwort, desk.white, [0.05 * number for number in range(14)])
    whites(desk.ninebark, desk.white, [0.0, 0.1], prefix="N")
    return Browser(desk, "purchasing")


def path(desk, supplier="quillwort", **more):
    """The page of a supplier's white lots."""
    query = "".join(f"&{name}={value}" for name, value in more.items())
    return f"/suppliers/{getattr(desk, supplier)['id']}/drift?grade_id={desk.white['id']}{query}"


def test_supplier_grade_and_characteristic_are_chosen_in_plain_words(desk, drifting):
    """Another supplier leads to the page of that one, with the same grade and characteristic."""
    page = drifting.go(path(desk))
    fields = page.form("supplier_id")["fields"]
    assert (str(desk.quillwort["id"]), str(desk.white["id"]), "color") == tuple(
        fields[name] for name in ("supplier_id", "grade_id", "characteristic")
    )
    for code in ("lot_delta_e", "component_b", "load_bearing"):
        assert code not in page.text
    other = drifting.go(path(desk, supplier_id=desk.ninebark["id"]))
    assert f"/suppliers/{desk.ninebark['id']}/drift?grade_id={desk.white['id']}&characteristic=color" == drifting.at
    assert str(desk.ninebark["id"]) == other.form("supplier_id")["fields"]["supplier_id"]


def test_a_phone_gets_the_newest_lots_and_a_wide_screen_all(desk, drifting):
    """Both from the page's own addresses, with the words of the page as alternative text."""
    page = drifting.go(path(desk))
    (wide,) = (html.unescape(found) for found in re.findall(r'<img src="([^"]*)"', page.html))
    (narrow,) = (
        html.unescape(found)
        for found in re.findall(r'<source media="\(max-width: 40rem\)" srcset="([^"]*)"', page.html)
    )
    assert re.search(r'<img [^>]*alt="[^"]+"', page.html)
    answers = [drifting.raw(address) for address in (wide, narrow)]
    assert [(200, SVG)] * 2 == [(answer.status_code, answer.mimetype) for answer in answers]
    seen = [Picture(answer.get_data(as_text=True)) for answer in answers]
    assert ["960", "360"] == [one.root.get("width") for one in seen]
    assert (True, False) == tuple("Q-02" in one.words for one in seen)
    assert all("Q-14" in one.words for one in seen)


def test_the_lots_stand_below_the_picture_the_newest_first(desk, drifting):
    """Each with its status and its figures with their uncertainty, and a link."""
    page = drifting.go(path(desk))
    table = page.html.partition("<h2>Lots</h2>")[2].partition("</table>")[0]
    assert [f"Q-{number:02d}" for number in range(14, 0, -1)] == re.findall(r'<th scope="row"><a [^>]*>([^<]*)', table)
    assert "0.65" in table.partition("</tr>")[2].partition("</tr>")[0]


def test_days_choose_the_lots_shown_and_stay_in_every_address(desk, drifting):
    """The picture, the file and the form carry them; the charts rest on all lots all the same."""
    told = desk.get(
        "purchasing", f"/drift?supplier_id={desk.quillwort['id']}&grade_id={desk.white['id']}&characteristic=color"
    )
    days = {"from": told["lots"][4]["received_at"][:10], "to": told["lots"][7]["received_at"][:10]}
    page = drifting.go(path(desk, **days))
    table = page.html.partition("<h2>Lots</h2>")[2].partition("</table>")[0]
    assert [f"Q-0{number}" for number in (8, 7, 6, 5)] == re.findall(r'<th scope="row"><a [^>]*>([^<]*)', table)
    assert "Baseline, charts, projection and signals use all 14 lots." in page.text
    assert days == {name: page.form("supplier_id")["fields"][name] for name in days}
    addresses = [html.unescape(one) for one in re.findall(r'(?:src|srcset|href)="([^"]*drift\.[^"]*)"', page.html)]
    assert 3 == len(addresses)
    assert all(f"{name}={day}" in address for address in addresses for name, day in days.items())
    (file,) = [drifting.raw(one) for one in addresses if "drift.csv" in one]
    assert "attachment; filename=drift.csv" == file.headers["Content-Disposition"]
    found = rows(file)
    assert {"Q-05", "Q-06", "Q-07", "Q-08"} == {row["supplier_lot"] for row in found}


def test_a_day_that_is_none_is_said_beside_the_form(desk, drifting):
    """422, with the chooser."""
    page = drifting.go(path(desk, **{"from": "2026-13-45"}))
    assert 422 == page.status
    assert page.form("supplier_id")


def test_the_projection_says_when_that_lot_would_come(desk, drifting):
    """One lot a month: the date follows from the mean time between the lots, with its interval."""
    told = desk.get(
        "purchasing", f"/drift?supplier_id={desk.quillwort['id']}&grade_id={desk.white['id']}&characteristic=color"
    )
    (ahead,) = [one for one in told["projection"] if one["about"] is not None]
    (first, *_, last) = (lot["received_at"] for lot in told["lots"])
    first, last, about = (datetime.fromisoformat(at) for at in (first, last, ahead["about_at"]))
    assert (last - first).total_seconds() / 13 / 86400 == pytest.approx(ahead["days_per_lot"], abs=1e-6)
    assert (about - last).days == pytest.approx(ahead["days_per_lot"] * (ahead["about"] - 14), abs=1)
    with clock.clock_set_to(last + timedelta(days=1)):
        page = drifting.go(path(desk))
    assert f"At that rate lot {ahead['about']} arrives about {about:%Y-%m-%d}" in page.text
    assert f"At that rate lot {ahead['about']} is due now." in drifting.go(path(desk)).text


def test_an_end_that_is_over_is_now(desk):
    """Between the earliest date and the likely one, the interval begins now."""
    apart = [0.05 * number + 0.02 * (-1) ** number for number in range(14)]
    whites(desk.quillwort, desk.white, apart)
    query = f"supplier_id={desk.quillwort['id']}&grade_id={desk.white['id']}&characteristic=color"
    (ahead, *_) = [
        one
        for one in desk.get("purchasing", f"/drift?{query}")["projection"]
        if one["earliest_at"] and one["latest_at"]
    ]
    earliest, about, latest = (datetime.fromisoformat(ahead[f"{end}_at"]) for end in ("earliest", "about", "latest"))
    assert earliest < about < latest
    with clock.clock_set_to(earliest + (about - earliest) / 2):
        page = Browser(desk, "purchasing").go(path(desk))
    assert f"about {about:%Y-%m-%d} (between now and {latest:%Y-%m-%d})" in page.text


def test_projection_and_signals_speak_of_all_lots_whichever_days_are_shown(desk, drifting):
    """Days without a lot: the drift is among the signals as it is in the projection."""
    whole = drifting.go(path(desk)).text
    page = drifting.go(path(desk, **{"from": "2030-01-01", "to": "2030-01-31"}))
    signal = re.search(r"Yellow-blue difference db\*: yellower since about lot [^.]*\.", whole)
    assert signal
    assert signal.group() in page.text.partition(" Signals ")[2]
    assert "No active signal." not in page.text
    assert "At this slope" in page.text


def test_a_supplier_that_does_not_exist_is_said_in_words(desk, drifting):
    """The chooser stays, so that another can be chosen."""
    page = drifting.go(f"/suppliers/999/drift?grade_id={desk.white['id']}")
    assert 404 == page.status
    assert page.form("supplier_id")
    assert 404 == drifting.raw(f"/suppliers/999/drift.svg?grade_id={desk.white['id']}").status_code
    assert 200 == drifting.go(path(desk, supplier_id="9" * 40)).status
