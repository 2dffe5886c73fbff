"""The SQL statements of a page: as many for many rows as for few."""

from __future__ import annotations

import re
from collections import Counter

import pytest

from tests.api.test_queries import statements
from tests.pages.reading import Browser

# The most that a page makes, signing in and the red bar included.
MOST = {
    "/": 32,
    "/bench": 4,
    "/check": 3,
    "/containments": 5,
    "/containments.csv?open=true": 3,
    "/decision-risk": 5,
    "/decision-risk?grade_id=1": 12,
    "/deliveries": 9,
    "/deliveries?sort=received&supplier_id=1": 9,
    "/grades": 4,
    "/grades/1": 9,
    "/grades/1/limits": 7,
    "/jobs": 4,
    "/loaded": 6,
    "/lots": 6,
    "/lots/1/matches": 6,
    "/lots/7/exposure.csv": 6,
    "/lots/2/pictures/bond.svg": 9,
    "/lots/2/pictures/color.svg": 9,
    "/lots/2/pictures/diameter.svg": 9,
    "/lots/2/pictures/shrinkage.svg": 9,
    "/lots?sort=number&use=cosmetic": 6,
    "/lots?standing=quarantined": 6,
    "/picks": 4,
    "/purchasing/week": 17,
    "/purchasing/week?supplier_id=1&grade_id=1": 17,
    "/purchasing/agreements": 5,
    "/purchasing/agreements?grade_id=1&supplier_id=1": 17,
    "/purchasing/certificates": 5,
    "/purchasing/certificates?supplier_id=1&grade_id=1": 14,
    "/purchasing/letters": 5,
    "/purchasing/stock": 12,
    "/purchasing/next-order": 16,
    "/purchasing/next-order.svg?grade_id=1": 14,
    "/quality": 16,
    "/receiving": 8,
    "/respool": 2,
    "/search?q=1": 14,
    "/setup": 3,
    "/setup/instruments": 8,
    "/setup/people": 4,
    "/setup/shades": 5,
    "/setup/shop": 4,
    "/setup/suppliers": 3,
    "/setup/test-prints": 5,
    "/suppliers/1/baseline?grade_id=1": 9,
    "/suppliers/1/drift.csv?grade_id=1": 9,
    "/suppliers/1/inspection?grade_id=1": 10,
    "/suppliers/1/drift.svg?grade_id=1": 9,
    "/suppliers/1/drift?grade_id=1&from=2026-01-01&to=2026-12-31": 15,
    "/suppliers/1/drift?grade_id=1": 10,
}


def made(somebody, path):
    """How many statements one answer takes."""
    assert 200 == somebody.raw(path).status_code
    with statements() as seen:
        somebody.raw(path)
    return len(seen)


def fill(desk, once):
    """Lots in quarantine, blocked and loaded, concessions asked for, instruments with checks, deliveries."""
    for number in range(3):
        desk.supplier(f"S-{once}{number}")
        desk.post("admin", "/people", {"name": f"P-{once}{number}", "role": "quality"})
        desk.receive(desk.quillwort, desk.white, f"Q-{once}{number}", spools=2)
        lot = desk.good_lot(desk.ninebark, desk.white, f"N-{once}{number}")["lot_id"]
        desk.decide(lot, "block", "Streaks.")
        asked = {"uses": ["hidden"], "max_mass_g": 500, "valid_until": "2199-01-31T00:00:00Z", "reason": "Brackets."}
        desk.post("quality", f"/lots/{lot}/concessions", asked)
        spool = desk.good_lot(desk.quillwort, desk.white, f"L-{once}{number}")["spools"][0]["code"]
        desk.load(spool, machine=f"P{once}{number}", job=f"J-{once}{number}")
        gauge = {
            "code": f"G-{once}{number}",
            "kind": "caliper",
            "standard_uncertainty": 0.02,
            "check_interval_days": 30,
        }
        made_one = desk.post("quality", "/instruments", gauge)
        checked = {"checked_at": "2026-01-05T08:00:00Z", "result": "pass", "artefact": "block"}
        desk.post("quality", f"/instruments/{made_one['id']}/checks", checked)


@pytest.fixture
def few(desk):
    """A shop with three of everything."""
    fill(desk, "A")
    return desk


def test_a_page_makes_as_many_statements_for_many_rows_as_for_few(few):
    """The lists and the desks."""
    admin = Browser(few, "admin")
    before = {path: made(admin, path) for path in MOST}
    fill(few, "B")
    assert before == {path: made(admin, path) for path in MOST}
    assert {} == {path: (count, MOST[path]) for path, count in before.items() if count > MOST[path]}


def test_the_page_of_a_spool_at_the_bench_makes_few(few):
    """Its label, its lot with all readings, the sample, the limits, the instruments and their checks."""
    quality = Browser(few, "quality")
    assert [] == [count for kind in ("", "&kind=color") if (count := made(quality, f"/bench?spool=L1-S001{kind}")) > 15]


def test_the_page_of_a_lot_reads_each_thing_once(few):
    """The page of a blocked, loaded or quarantined lot takes one statement each for the lot, its readings and their records."""
    admin = Browser(few, "admin")
    found = [made(admin, f"/lots/{number}") for number in range(1, 10)]
    assert max(found) <= 17


def test_no_table_is_read_twice_for_the_page_of_a_lot(few):
    """Rows of lots, readings, deliveries and checks, with and without those of other lots."""
    admin = Browser(few, "admin")
    admin.raw("/lots/3")
    with statements() as seen:
        admin.raw("/lots/3")
    read = Counter(re.search(r' FROM "(\w+)"', sql)[1] for sql, _ in seen)
    assert {} == {table: n for table, n in read.items() if n > 1 and table != "load"}
