"""Behaviour that only a real browser shows: going back after storing, focus, and the phone layout."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.conftest import WIDTHS
from tests.browser.person import Person


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_going_back_after_storing(script: bool, person: Callable[..., Person]) -> None:
    """The result has an address of its own, so that reloading and going back send no form."""
    clerk = person(WIDTHS[0], script=script, role="receiving")
    clerk.go("/bench?spool=HW-Q12-2")
    page = clerk.page
    page.get_by_label("d1, mm").first.fill("1.751")
    page.get_by_label("d2 across d1").first.fill("1.753")
    clerk.press("Store")
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.method))
    page.reload()
    assert "1 reading stored: diameter of HW-Q12-2" in page.get_by_role("status").inner_text()
    page.go_back()
    assert clerk.heading() == "Measure spool HW-Q12-2"
    page.go_forward()
    assert "1 reading stored" in page.get_by_role("status").inner_text()
    assert clerk.fits()
    assert {"GET"} == set(sent)


def test_focus_on_the_first_fault(person: Callable[..., Person]) -> None:
    """The clerk types on where it is wrong, and finds the second fault told as well."""
    clerk = person(WIDTHS[0], role="receiving")
    clerk.go("/bench?spool=HW-Q12-2")
    page = clerk.page
    for field, typed in (("d1_mm-0", "1.75"), ("d2_mm-0", "0.0689"), ("d1_mm-1", "1,751"), ("d2_mm-1", "1.75")):
        page.locator(f'[name="{field}"]').fill(typed)
    clerk.press("Store")
    assert "d2_mm-0" == page.evaluate("document.activeElement.name")
    assert ["d2_mm-0", "d1_mm-1"] == page.locator("[aria-invalid]").evaluate_all("all => all.map(e => e.name)")


def test_a_telephone_has_the_uses_in_words(person: Callable[..., Person]) -> None:
    """The picture of lots and uses would have to be pushed sideways, so each lot says the same, and a link leads to the picture."""
    lead = person(WIDTHS[0], role="production")
    lead.go("/lots?standing=blocked")
    assert 0 == lead.page.locator("figure.picture").count()
    assert "no: " in lead.page.locator("tbody tr").first.locator(".good").inner_text()
    lead.follow("Picture of lots and uses")
    assert lead.page.locator("figure.picture").is_visible()


def test_labels_of_a_certificate_are_whole_on_a_telephone(person: Callable[..., Person]) -> None:
    """No word of "Standard uncertainty" is broken or cut off: each fits into the width of its label."""
    buyer = person(390, role="purchasing")
    buyer.go("/deliveries/1/certificate")
    cut = """() => [...document.querySelectorAll("form td[data-name]")].filter(cell => {
        const label = getComputedStyle(cell, "::before"), pen = document.createElement("canvas").getContext("2d");
        pen.font = `${label.fontWeight} ${label.fontSize} ${label.fontFamily}`;
        return cell.dataset.name.split(" ").some(word => pen.measureText(word).width > parseFloat(label.width));
    }).map(cell => cell.dataset.name)"""
    assert {"Value", "Standard uncertainty"} == set(
        buyer.page.locator("form td[data-name]").evaluate_all("all => all.map(e => e.dataset.name)")
    )
    assert [] == buyer.page.evaluate(cut)
    assert buyer.fits()
