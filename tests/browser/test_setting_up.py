"""Quality in a real browser: Enter checks limits and sets nothing, a reference is previewed, and nothing is cut off."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.conftest import WIDTHS, Site
from tests.browser.person import Person

# A page with its assets on a slow telephone.
MOST_BYTES = 150_000


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
@pytest.mark.parametrize("width", [*WIDTHS, 390])
def test_enter_tries_limits_and_sets_nothing(
    site: Site, width: int, script: bool, person: Callable[..., Person]
) -> None:
    """The effect on lots is drawn and fits the page; only the button sets the limits."""
    quality = person(width, script=script, role="quality")
    quality.go("/grades/1/limits")
    before = site.ask("quality", "GET", "/grades/1/limits")
    field = quality.page.locator('[name="color-lot_max"]')
    field.fill("0.4")
    with quality.page.expect_navigation():
        field.press("Enter")
    assert "Nothing is stored yet." in quality.page.get_by_role("status").inner_text()
    assert quality.page.locator(".effect-picture svg").is_visible()
    assert quality.page.get_by_role("button", name="Set limits").is_visible()
    assert quality.fits()
    assert len(quality.page.content().encode()) < MOST_BYTES
    assert before == site.ask("quality", "GET", "/grades/1/limits")
    if script:
        assert [] == quality.barriers(contrast=width == WIDTHS[0])


def test_a_refused_check_leads_to_the_field_at_fault(person: Callable[..., Person]) -> None:
    """The typed values stay, and a link leads to the field in its section."""
    quality = person(390, role="quality")
    quality.go("/grades/1/limits")
    quality.page.locator("details#moisture").evaluate("section => section.open = true")
    quality.page.locator('[name="moisture-max_percent"]').fill("wet")
    quality.press("Check")
    quality.page.get_by_role("link", name="Moisture: Moisture, at most, % by mass").click()
    box = quality.page.locator('[name="moisture-max_percent"]')
    assert ("wet", True) == (box.input_value(), box.is_visible())
    assert quality.fits()
    assert [] == quality.barriers(contrast=False)


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_reference_is_looked_at_before_it_is_approved(
    site: Site, script: bool, person: Callable[..., Person]
) -> None:
    """Both swatches and the step in words, on a telephone; nothing is stored by looking."""
    quality = person(WIDTHS[0], script=script, role="quality")
    quality.go("/setup/shades/1/revisions/new")
    before = site.ask("quality", "GET", "/shades/1/revisions")
    quality.page.locator('[name="readings"]').fill("94 -0.8 1.5\n94.2 -0.8 1.5")
    quality.page.locator('[name="approved_by"]').fill("Wilhelmina")
    quality.press("Show reference")
    assert "Approval of a reference of shade HW" == quality.heading()
    assert 2 == quality.page.locator("svg.swatch").count()
    assert "darker" in quality.page.locator("dl.facts").inner_text()
    assert quality.fits()
    if script:
        assert [] == quality.barriers()
    assert before == site.ask("quality", "GET", "/shades/1/revisions")
