"""The page on which quality chooses the baseline of a supplier and grade."""

from __future__ import annotations

import re

import pytest

from tests.journeys.supply import whites
from tests.pages.reading import Browser


@pytest.fixture
def address(desk):
    """The form of a supplier with fourteen lots of white."""
    whites(desk.quillwort, desk.white, [0.05 * (number % 5) for number in range(14)])
    return f"/suppliers/{desk.quillwort['id']}/baseline?grade_id={desk.white['id']}"


def ticked(page):
    """The lots whose boxes are ticked."""
    return [int(lot) for lot in re.findall(r'name="lots" value="(\d+)" checked', page.html)]


def send(somebody, page, **typed):
    """Sends the form with its ticked lots."""
    form = page.form("reason")
    return somebody.go(form["action"], data={**form["fields"], "lots": ticked(page), **typed})


def chosen(desk):
    """The baselines as the API lists them."""
    return desk.get("quality", "/baselines")["items"]


def test_chosen_lots_become_the_baseline_of_the_drift_page(desk, address):
    """The first lots are proposed; an excluded one has its reason, and the drift page says what it is charted against."""
    quality = Browser(desk, "quality")
    drift = quality.go(f"/suppliers/{desk.quillwort['id']}/drift?grade_id={desk.white['id']}")
    assert "Provisional baseline: the first 8 lots." in drift.text
    page = quality.go(drift.links["Choose baseline"])
    lots = ticked(page)
    assert 14 == len(lots)
    done = send(quality, page, reason="before the new pigment", **{f"exclude-{lots[3]}": "the die was changed"})
    assert "Baseline revision 1 stored (provisional)" in done.text
    (kept,) = chosen(desk)
    assert sorted({*lots} - {lots[3]}) == sorted(kept["lot_ids"])
    assert [{"lot_id": lots[3], "reason": "the die was changed"}] == kept["excluded"]
    assert ("before the new pigment", "quality person") == (kept["reason"], kept["recorded_by"])
    again = quality.go(address)
    assert "Present baseline: revision 1 (provisional), 13 lots, chosen by quality person" in again.text
    assert kept["lot_ids"] == ticked(again)


def test_agreed_values_need_no_lots(desk, address):
    """A mean and a standard deviation of one measure, with the decimal sign of the site."""
    quality = Browser(desk, "quality")
    given = {"measure-0": "color.component_b", "mean-0": "0.1", "sigma-0": "0.12"}
    done = send(quality, quality.go(address), lots=[], reason="agreed with the supplier", **given)
    assert "Baseline revision 1 stored (agreed values)" in done.text
    ((measure,),) = [one["measures"] for one in chosen(desk)]
    assert ("color.component_b", 0.1, 0.12, 0) == tuple(measure[name] for name in ("measure", "mean", "sigma", "n"))
    assert "Baseline revision 1 (agreed values), chosen by quality person." in done.text
    assert "Reference revision 1, measured with " in done.text
    assert "Present baseline: revision 1 (agreed values), chosen by quality person" in quality.go(address).text


def test_too_few_lots_are_refused_and_what_was_typed_stays(desk, address):
    """Too few lots are refused in words. Ticks and reasons stay as they were sent."""
    quality = Browser(desk, "quality")
    page = quality.go(address)
    few = ticked(page)[:3]
    told = send(quality, page, lots=few, reason="a try", **{f"exclude-{few[0]}": "unstable"})
    assert 422 == told.status
    assert "2 lots are too few" in told.text
    assert (few, "a try") == (ticked(told), told.form("reason")["fields"]["reason"])
    assert "unstable" == told.form("reason")["fields"][f"exclude-{few[0]}"]
    assert 422 == send(quality, page, reason="").status
    assert [] == chosen(desk)


def test_numbers_that_are_none_choose_no_lot(desk, address):
    """An address or a form that was edited is refused, and never breaks the page."""
    quality = Browser(desk, "quality")
    page = quality.go(address)
    told = send(quality, page, lots=["x", "9" * 40, "\u0663"], reason="a try", **{"exclude-x": "odd"})
    assert "A baseline needs lots, or agreed values." in told.text
    assert 404 == quality.go(f"/suppliers/{desk.quillwort['id']}/baseline?grade_id=999").status
    assert 404 == quality.go(f"/suppliers/999/baseline?grade_id={desk.white['id']}").status
    for page in ("baseline", "inspection"):
        assert 404 == quality.go(f"/suppliers/{desk.quillwort['id']}/{page}?grade_id={'9' * 30}").status


def test_only_quality_chooses(desk, address):
    """Purchasing reads the drift and is offered no form."""
    buyer = Browser(desk, "purchasing")
    assert "Choose baseline" not in buyer.go(address.replace("/baseline", "/drift")).links
    assert 403 == buyer.raw(address).status_code


def test_a_supplier_without_lots_is_offered_agreed_values(desk, address):
    """The form says so."""
    page = Browser(desk, "quality").go(f"/suppliers/{desk.ninebark['id']}/baseline?grade_id={desk.white['id']}")
    assert "This supplier has no lots of this grade yet." in page.text
    assert [] == ticked(page)
