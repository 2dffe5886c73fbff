"""Who measured, and with what, over HTTP: readings of another instrument, printer or build help only where they may. Source: this project's rules."""

import pytest

DIAMETER = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.03}}


def test_a_second_micrometer_does_not_release_what_the_first_refuses(shop):
    """A spool of 1.79 mm by MIC-2 is blocked; five readings of 1.75 mm by MIC-1 bring the mean to 1.757 mm and leave it blocked."""
    mics = [
        shop.post("quality", "/instruments", {"code": code, "kind": "micrometer", "check_interval_days": 365})["id"]
        for code in ("MIC-1", "MIC-2")
    ]
    lot = shop.receive(shop.supplier(), shop.grade(limits=DIAMETER))
    code = lot["sample"]["spool_codes"][0]
    assert "blocked" == shop.diameter(code, 1.79, 1.79, instrument_id=mics[1])["lot"]["standing"]
    for _ in range(5):
        after = shop.diameter(code, 1.75, 1.75, instrument_id=mics[0])["lot"]
    assert "blocked" == after["standing"]
    found = shop.finding(lot["lot_id"], "diameter.spool_mean")
    assert ("fail", pytest.approx(1.79)) == (found["verdict"], found["value"])
    assert "By the readings of instrument MIC-2 alone." in found["message"]
