"""Checks of instruments as posted."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize("readings", [[1.750, 1.751], [[95.02, -0.79, 1.48], [95.0, -0.8, 1.5]]], ids=["pin", "tile"])
def test_a_check_keeps_what_was_read_on_the_artefact(shop, readings):
    """A check returns its readings unchanged: numbers of a gauge pin, rows of three of a white tile."""
    instrument = shop.post("quality", "/instruments", {"code": "I-1", "kind": "any", "check_interval_days": 30})
    body = {"checked_at": "2026-11-20T10:00:00Z", "result": "pass", "artefact": "known", "readings": readings}
    shop.post("quality", f"/instruments/{instrument['id']}/checks", body)
    (kept,) = shop.get("quality", f"/instruments/{instrument['id']}/checks")["items"]
    assert readings == kept["readings"]


@pytest.mark.parametrize("readings", [["1,75"], [[95.0, "x"]], [[]], [None], [[[1]]], 1.75])
def test_a_check_takes_nothing_but_numbers(shop, readings):
    """Text, empty rows and nested brackets are refused at their place."""
    instrument = shop.post("quality", "/instruments", {"code": "I-1", "kind": "any", "check_interval_days": 30})
    body = {"checked_at": "2026-11-20T10:00:00Z", "result": "pass", "readings": readings}
    refused = shop.post("quality", f"/instruments/{instrument['id']}/checks", body, 422)
    assert refused["errors"][0]["pointer"].startswith("/readings")
