"""Stringing from an empty shop: limits, counts, a released and a blocked lot, over HTTP and in a file."""

import pytest

from tests.files import take, text
from tests.shop import MEASURED

LIMITS = {"sampling": {"fixed": 1}, "stringing": {"hairs_per_gap_max": 0.5, "gaps_min": 10}}


@pytest.fixture
def white(shop):
    """A grade with a limit of half a hair per gap."""
    return shop.grade(limits=LIMITS)


def test_a_clean_lot_is_released_and_a_stringy_one_is_blocked(shop, white):
    """Two prints of one lot are added; 6 hairs on 10 gaps exceed 0.5 per gap."""
    supplier = shop.supplier()
    clean, stringy = (shop.receive(supplier, white, lot) for lot in ("Q-1", "Q-2"))
    code = clean["sample"]["spool_codes"][0]
    first = shop.post(
        "receiving", "/stringing-checks", {"spool_code": code, "hairs": 1, "gaps": 5, "measured_at": MEASURED}
    )
    assert ("stringing", 1, 5, "quarantined") == (
        first["kind"],
        first["hairs"],
        first["gaps"],
        first["lot"]["standing"],
    )
    assert ["count hairs in 5 more gaps of a test print"] == first["lot"]["to_measure"]
    second = shop.measure("stringing", [{"spool_code": code, "hairs": 0, "gaps": 5}])
    assert "released" == second["lots"][0]["standing"]
    bad = shop.measure("stringing", {"spool_code": stringy["sample"]["spool_codes"][0], "hairs": 6, "gaps": 10})
    assert "blocked" == bad["lot"]["standing"]
    finding, of_spool = shop.get("quality", f"/lots/{stringy['lot_id']}/assessment")["findings"]
    assert ("stringing.spool_hairs", "fail") == (of_spool["code"], of_spool["verdict"])
    assert ("stringing.hairs", 0.6, "per gap", "fail") == tuple(
        finding[n] for n in ("code", "value", "unit", "verdict")
    )
    assert "6 hairs in 10 gaps. The true rate may be up to" in finding["message"]


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"gaps": 0}, "/gaps"),
        ({"hairs": -1}, "/hairs"),
        ({"hairs": 1.5}, "/hairs"),
        ({"hairs": "1"}, "/hairs"),
        ({"hairs": 1001}, "/hairs"),
    ],
)
def test_counts_that_are_none_are_refused(shop, white, wrong, pointer):
    """No gap, a negative count, half a hair, text, and more than a hundred per gap are refused."""
    code = shop.receive(shop.supplier(), white)["spools"][0]["code"]
    told = shop.measure("stringing", {"spool_code": code, "hairs": 0, "gaps": 10, **wrong}, status=422)
    assert [pointer] == [fault["pointer"] for fault in told["errors"]]


def test_a_file_of_checks_is_imported(shop, white):
    """The columns of a file are the fields."""
    code = shop.receive(shop.supplier(), white)["sample"]["spool_codes"][0]
    take(shop, "stringing", text("spool_code,hairs,gaps,measured_at", f"{code},2,10,{MEASURED}"))
    (lot,) = shop.get("quality", "/lots")["items"]
    assert "released" == lot["standing"]


def test_a_use_may_require_it(shop):
    """Cosmetic use waits for the count, and hidden use does not."""
    grade = shop.grade(
        limits={
            **LIMITS,
            "diameter": {"mean_tolerance_mm": 0.03},
            "uses": {"cosmetic": ["stringing", "diameter"], "hidden": ["diameter"]},
        }
    )
    lot = shop.receive(shop.supplier(), grade)
    shop.diameter(lot["sample"]["spool_codes"][0])
    assert {"cosmetic": "missing", "hidden": "pass"} == shop.lot(lot["lot_id"])["uses"]
