"""One invented shop, delivered and measured lot by lot: the buyer's answers and pages."""

from __future__ import annotations

from datetime import timedelta

import pytest

from lots.services import clock
from tests.journeys import supply
from tests.pages.reading import Browser
from tests.trial.invented import (
    DRIFTS,
    GOOD,
    GRADES,
    LIMITS,
    LOTS,
    NEW,
    SCATTERING,
    SUPPLIERS,
    TRUE,
    figures_of_shop,
)

pytestmark = pytest.mark.thorough

# Colour and diameter are measured of each lot, with one reading of one of its two spools.
MEASURED = {name: LIMITS[name] for name in ("sampling", "color", "uses")}
TRIAL = {**MEASURED, "diameter": {"reading_tolerance_mm": 0.05, "mean_tolerance_mm": 0.03}}
SEED = 3


@pytest.fixture
def engine():
    """SQLite alone: other tests show equal rows on both engines."""
    return "sqlite"


@pytest.fixture
def trial(shop):
    """The shop, with suppliers and grades by the numbers of the true values."""
    suppliers = {number: shop.supplier(name.upper()[:3], name=name) for number, name in SUPPLIERS.items()}
    grades = {number: shop.grade(code, limits=TRIAL) for number, code in GRADES.items()}
    assert [*SUPPLIERS] == [one["id"] for one in suppliers.values()]
    assert [*GRADES] == [one["id"] for one in grades.values()]
    begun = clock.now() - timedelta(days=710)
    with supply.at_the_desks():
        for days, pair, k, measured in figures_of_shop(SEED):
            at = begun + timedelta(days=days)
            lot = f"{SUPPLIERS[pair[0]][0]}{pair[1]}-{k + 1:02d}"
            came = supply.delivery(suppliers[pair[0]], grades[pair[1]], lot, at, spools=2)
            spool, apart = came["spools"][0]["code"], {part: measured[f"color.component_{part}"] for part in "lab"}
            supply.color(spool, at, **apart)
            d_mm = round(measured["diameter.mean"], 3)
            supply.reading("diameter", spool, at, d1_mm=d_mm, d2_mm=d_mm)
    return shop


def test_the_buyer_of_150_lots_reads_the_truth(trial):
    """The real drift is first of the week, no good news is listed, and restricted lots have their permitted uses."""
    assert sum(LOTS.values()) == len(trial.get("purchasing", "/lots?limit=500")["items"])
    found = trial.get("purchasing", "/purchasing-summary")
    drifts = [(one["supplier_id"], one["grade_id"], one["measure"]) for one in found["items"] if one["measure"]]
    first = found["items"][0]
    assert (*DRIFTS, "color.component_b") == drifts[0]
    assert "limit_near" == first["what"]
    assert (*DRIFTS, first["measure"]) == drifts[0]
    assert TRUE >= set(drifts)
    risk = first["risk"]
    assert 0.75 < risk["limit_used"] < 1.1
    assert risk["lots_left_low"] <= 3
    restricted = [one for one in found["items"] if one["what"] == "restricted"]
    assert {"Sorrel"} <= {one["supplier"] for one in restricted}
    assert all("It fails cosmetic use. 2.0 kg remain usable for hidden use." in one["says"] for one in restricted)
    _on_the_page(trial, first["says"], len(found["items"]))
    _told_apart(trial)


def _on_the_page(trial, first: str, entries: int) -> None:
    """The page of the week has the same first entry, and on request the entries of one supplier."""
    buyer = Browser(trial, "purchasing")
    page = buyer.go("/purchasing/week")
    assert page.text.index(first) < page.text.index("Restricted")
    assert f"/suppliers/{DRIFTS[0]}/drift?grade_id={DRIFTS[1]}&characteristic=color" in page.every_link
    mine = buyer.go(f"/purchasing/week?supplier_id={DRIFTS[0]}&grade_id=")
    assert f" of {entries} match" in mine.text
    assert "Sorrel, PLA-HW-175" not in mine.text
    assert first in buyer.go("/").text


def _told_apart(trial) -> None:
    """The better supplier for the use is named, and the newcomer with two lots set aside with the lots it needs."""
    compared = trial.get("purchasing", f"/supplier-comparison?grade_id={DRIFTS[1]}&use=cosmetic")
    lines = {line["supplier_id"]: line for line in compared["suppliers"]}
    cosmetic = {
        number: next(one for one in lines[number]["by_use"] if one["use"] == "cosmetic") for number in SUPPLIERS
    }
    assert {DRIFTS[0]: (40, 40), SCATTERING: (15, 30), GOOD: (40, 40), NEW: (2, 2)} == {
        number: (one["accepted"], one["inspected"]) for number, one in cosmetic.items()
    }
    order = compared["order"]
    assert [[DRIFTS[0], GOOD], [SCATTERING]] == order["acceptance"]["groups"]
    assert [[GOOD], [DRIFTS[0]], [SCATTERING]] == order["steadiness"]["groups"]
    assert GOOD == order["closeness"]["groups"][0][0]
    for criterion in order.values():
        assert [NEW] == [one["supplier_id"] for one in criterion["newcomers"]]
        assert all(one["lots_needed"] >= 1 for one in criterion["newcomers"])
    assert None is lines[NEW]["rank"]
    assert "yellower by 0.03 per lot" in lines[DRIFTS[0]]["headline"]["says"]
    assert "15 of 30 lots accepted for cosmetic" in lines[SCATTERING]["headline"]["says"]
