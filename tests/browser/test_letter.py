"""A letter to a supplier in a browser: written, looked at, signed and sent, on a screen and on a phone without script."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.person import Person


@pytest.mark.parametrize(("width", "script"), [(1280, True), (390, False)])
def test_a_letter_is_written_signed_and_sent(width: int, script: bool, person: Callable[..., Person]) -> None:
    """Each page on the way has one heading, fits, and is free of barriers where script can look for them."""
    buyer = person(width, script=script, role="purchasing")

    def well() -> None:
        assert buyer.heading()
        assert buyer.fits(), buyer.page.url
        assert [] == (buyer.barriers() if script else [])

    buyer.go("/lots/24/letter")
    buyer.page.get_by_label("Claim").select_option("replacement")
    buyer.page.get_by_label("Signed by").fill("Isolde Marrow")
    well()
    buyer.press("Show letter")
    well()
    buyer.press("Sign letter")
    well()
    assert buyer.heading().startswith("Letter L-24-")
    buyer.page.get_by_label("Sent to").fill("Jory")
    buyer.press("Record sending")
    well()
    assert "Sending recorded" in buyer.page.locator("main").inner_text()
