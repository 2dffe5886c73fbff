"""A technician's file with fifty errors: all reported at once, corrected, stored, and sent again by mistake."""

from tests.files import faults, take, text
from tests.shop import FULL_LIMITS, MEASURED, RECEIVED
from tests.store.rows import contents

HEADER = ["spool_code", "position_m", "d1_mm", "d2_mm", "instrument_code", "measured_at", "screening", "note"]
GOOD = ["S-1", "3", "1.748", "1.752", "MIC-1", MEASURED, "false", "by the window"]
# The faulty value of a valid row, and a word of its error.
SLIPS = [
    ("spool_code", "S-9", "Spool S-9 does not exist"),
    ("spool_code", "", "required"),
    ("spool_code", "S\x07-1", "control character"),
    ("spool_code", "x" * 61, "61 characters"),
    ("position_m", "-1", "out of range"),
    ("position_m", "10001", "out of range"),
    ("position_m", "3 m", "Write 3 alone"),
    ("position_m", "1_000", "thousands"),
    ("position_m", "three", "not a number"),
    ("d1_mm", "", "required"),
    ("d1_mm", "0.0689", "inches"),
    ("d1_mm", "0.1748", "centimetres"),
    ("d1_mm", "1748", "micrometres"),
    ("d1_mm", "68.9", "thousandths"),
    ("d1_mm", "17.48", "decimal point"),
    ("d1_mm", "2.85", "plausible"),
    ("d1_mm", "1,748", "decimal comma for the whole file"),
    ("d1_mm", "NaN", "empty"),
    ("d1_mm", "inf", "empty"),
    ("d1_mm", "1e999", "too large"),
    ("d1_mm", "\uff11.75", "digits 0 to 9"),
    ("d1_mm", "1.7A8", "not a number"),
    ("d1_mm", "1.7O", "letter O"),
    ("d1_mm", "1.748mm", "Write 1.748 alone"),
    ("d1_mm", "\u22121.748", "as a hyphen"),
    ("d1_mm", "=1.748", "not a number"),
    ("d2_mm", "", "required"),
    ("d2_mm", "-1.752", "plausible"),
    ("d2_mm", "0", "plausible"),
    ("d2_mm", "1.752.1", "not a number"),
    ("d2_mm", "--", "empty"),
    ("d2_mm", "#DIV/0!", "empty"),
    ("d2_mm", "175.2", "decimal point"),
    ("d2_mm", "0x1.c", "not a number"),
    ("instrument_code", "MIC-2", "MIC-1"),
    ("instrument_code", "callipers", "does not exist"),
    ("measured_at", "2026-11-20 11:00", "time zone of the whole file"),
    ("measured_at", "20.11.2026 11:00", "time is not complete"),
    ("measured_at", "2026-11-31T11:00:00Z", "does not exist"),
    ("measured_at", "2026-11-20T25:00:00Z", "does not exist"),
    ("measured_at", "2036-11-20T11:00:00Z", "is in the future"),
    ("measured_at", "1026-11-20T11:00:00Z", "from 2000 to 2200"),
    ("measured_at", "2026-W47-5", "time is not complete"),
    ("measured_at", "yesterday", "time is not complete"),
    ("screening", "yes", "true nor false"),
    ("screening", "1", "true nor false"),
    ("screening", "wahr", "true nor false"),
    ("note", "x" * 2001, "2001 characters"),
    ("note", "a\x00b", "control character"),
    ("note", "M\udcfcller", "0xFC"),
]


def row_with(column, cell):
    """A valid row with one cell changed."""
    cells = [cell if name == column else good for name, good in zip(HEADER, GOOD, strict=True)]
    return ",".join(f'"{one}"' if "," in one else one for one in cells)


def test_fifty_slips_are_named_at_once_and_the_mended_file_goes_in_once(shop):
    """Fifty errors are reported at row and column, nothing is stored; the corrected file is stored once."""
    grade = shop.grade("PLA-HW-175", FULL_LIMITS)
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    shop.post("receiving", "/deliveries", {**body, "spools": [{"code": "S-1", "net_mass_g": 1000}]})
    shop.post("quality", "/instruments", {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 365})
    before = contents()

    # A valid row precedes each faulty one, so that the errors are in rows 3, 5, 7, ...
    good = ",".join(GOOD)
    lines = [line for column, cell, _ in SLIPS for line in (good, row_with(column, cell))]
    found = faults(shop, "diameter", text(",".join(HEADER), *lines).encode("utf-8", "surrogateescape"))
    assert 50 == len(SLIPS) == len(found)
    assert [(3 + 2 * n, column) for n, (column, _, _) in enumerate(SLIPS)] == [
        (row, column) for row, column, _ in found
    ]
    for (column, cell, words), (_, _, said) in zip(SLIPS, found, strict=True):
        assert words in said, f"{column} {cell!r}: {said}"
    assert before == contents()

    mended = text(",".join(HEADER), *[good] * (2 * len(SLIPS)))
    tried = take(shop, "diameter", mended, 200, dry_run="true")
    assert before == contents()
    done = take(shop, "diameter", mended, name="mended.csv")
    assert tried["lots"] == done["lots"]
    assert 100 == done["items"] == len(shop.get("quality", "/lots/1/readings?limit=500")["items"])

    after = contents()
    again = take(shop, "diameter", mended, 200, name="mended (1).csv", role="receiving")
    assert (True, done["id"], "mended.csv") == (again["already_imported"], again["id"], again["file_name"])
    assert after == contents()


def test_no_slip_hides_another_in_its_row(shop):
    """A row with six errors reports all six, of form and plausibility."""
    grade = shop.grade("PLA-HW-175", FULL_LIMITS)
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    shop.post("receiving", "/deliveries", {**body, "spools": [{"code": "S-1", "net_mass_g": 1000}]})
    cells = {
        "position_m": "-1",
        "d1_mm": "0.0689",
        "d2_mm": "1,75",
        "measured_at": "2036-11-20T11:00:00Z",
        "screening": "yes",
    }
    line = ",".join(f'"{cells.get(name, good)}"' for name, good in zip(HEADER, GOOD, strict=True)).replace(
        "MIC-1", "MIC-9"
    )
    found = faults(shop, "diameter", text(",".join(HEADER), line, line))
    wrong = ["position_m", "d1_mm", "d2_mm", "instrument_code", "measured_at", "screening"]
    assert [(row, name) for row in (2, 3) for name in wrong] == [(row, column) for row, column, _ in found]
