"""A spool respooled from a failing one fails too, whatever is assessed later.

Under an attributes plan (MIL-STD-105E, Table II-A: 16 spools, AQL 6.5, letter C, n 5, Ac 1) a lot with a nonconforming spool is
released, but neither that spool nor filament from it is loaded.
"""

import pytest

LIMITS = {
    "sampling": {"plan": "MIL-STD-105E", "level": "II", "aql": 6.5},
    "diameter": {"reading_tolerance_mm": 0.05},
    "uses": {"hidden": ["diameter"]},
}
GOOD, BAD = 1.75, 1.83


@pytest.fixture
def accepted(shop):
    """A released lot of 16 spools with one failing: the supply, the codes of its sample, and the failing reading."""
    supplier, grade = shop.supplier(), shop.grade(limits=LIMITS)
    delivery = shop.receive(supplier, grade, "Q-1", 16)
    codes = delivery["sample"]["spool_codes"]
    readings = [shop.diameter(code, d1=BAD if place == 0 else GOOD) for place, code in enumerate(codes)]
    assert "released" == shop.lot(delivery["lot_id"])["standing"]
    return (supplier, grade), codes, readings[0]["id"]


def wind(shop, code, *parents):
    """Respools 100 g of each parent onto a new spool."""
    body = {"code": code, "parents": [{"spool_code": parent, "mass_g": 100} for parent in parents]}
    return shop.post("production", "/spools", body)


def clear(shop, code):
    """Whether a spool can be loaded for a hidden part."""
    return shop.ask_clearance(code, "hidden")["clear"]


def test_another_reading_on_its_lot_does_not_clear_what_was_wound_from_a_failing_spool(shop, accepted):
    """A reassessment of the lot keeps the failures from parent spools."""
    _, codes, _ = accepted
    wind(shop, "WOUND", codes[0], codes[1])
    assert not clear(shop, "WOUND")
    shop.diameter(codes[2])
    assert not clear(shop, "WOUND")
    reasons = shop.ask_clearance("WOUND", "hidden")["reasons"]
    assert any("1.83" in reason for reason in reasons)


def test_a_spool_that_turns_out_bad_after_winding_takes_the_wound_one_with_it(shop, accepted):
    """A failure found later on a parent reaches its respooled spools, and theirs."""
    _, codes, first = accepted
    shop.void(first)
    shop.diameter(codes[0])
    wind(shop, "WOUND", codes[1], codes[2])
    wind(shop, "AGAIN", "WOUND", codes[3])
    assert clear(shop, "AGAIN")
    shop.diameter(codes[1], d1=BAD)
    assert [False, False] == [clear(shop, code) for code in ("WOUND", "AGAIN")]


def test_it_reaches_a_wound_spool_of_another_lot(shop, accepted):
    """A respooled spool belongs to the heavier parent's lot, with the failures of the other parent, also after an assessment."""
    (supplier, grade), codes, _ = accepted
    other = shop.receive(supplier, grade, "Q-2", 16)
    for code in other["sample"]["spool_codes"]:
        shop.diameter(code)
    body = {
        "code": "WOUND",
        "parents": [
            {"spool_code": other["spools"][0]["code"], "mass_g": 200},
            {"spool_code": codes[1], "mass_g": 100},
        ],
    }
    assert "Q-2" == shop.post("production", "/spools", body)["lot"]["supplier_lot"]
    assert clear(shop, "WOUND")
    shop.void(accepted[2])
    shop.diameter(codes[0])
    shop.diameter(codes[1], d1=BAD)
    assert not clear(shop, "WOUND")
    shop.diameter(other["sample"]["spool_codes"][0])
    assert not clear(shop, "WOUND")


def test_voiding_the_failing_reading_restores_what_was_wound(shop, accepted):
    """Voiding the failing reading restores the respooled spool."""
    _, codes, first = accepted
    wind(shop, "WOUND", codes[0])
    assert not clear(shop, "WOUND")
    shop.void(first)
    shop.diameter(codes[0])
    assert clear(shop, "WOUND")
