"""Readings as columns: the same answers and errors as a list of objects, with pointers into the columns."""

import pytest

from lots.api.http.columns import in_column
from lots.services.errors import Fault
from tests.api.bodies import CASES, Furnished
from tests.api.refusals import refused
from tests.api.test_wrong_types import WRONG
from tests.shop import FULL_LIMITS, MEASURED, PATHS, SIMPLE_LIMITS


def as_columns(rows):
    """The same readings as columns, with null for missing values."""
    names = dict.fromkeys(name for row in rows for name in row)
    return {"columns": {name: [row.get(name) for row in rows] for name in names}}


def faults(answer):
    """The errors of a refusal, unordered."""
    return {(f["pointer"], f["detail"], f.get("hint")) for f in refused(answer, 422)["errors"]}


def in_place(found):
    """Errors of a list of objects with pointers into columns."""
    return {(in_column(Fault(pointer, detail)).pointer, detail, hint) for pointer, detail, hint in found}


@pytest.fixture
def furnished(shop):
    """A shop with one of everything."""
    return Furnished(shop)


@pytest.fixture
def right(furnished, kind):
    """A valid reading of this kind."""
    _, _, body = CASES[f"/v1{PATHS[kind]}"]
    return {"note": "by the window", "screening": False, **body(furnished)}


@pytest.mark.parametrize("engine", ["sqlite"])  # what is refused never comes to the engine
@pytest.mark.parametrize("kind", PATHS)
def test_what_is_wrong_in_a_list_is_wrong_in_columns(furnished, right, kind):
    """For every field, a valid reading, each wrong value and a missing one give the same errors, hints and pointers."""
    for name in right:
        spoilt = [{**right, name: value} for value in WRONG if value is not None]
        rows = [right, *spoilt, {key: value for key, value in right.items() if key != name}]
        listed = furnished.shop.call("quality", "POST", PATHS[kind], rows)
        as_sent = furnished.shop.call("quality", "POST", PATHS[kind], as_columns(rows))
        assert in_place(faults(listed)) == faults(as_sent), name


@pytest.mark.parametrize("engine", ["sqlite"])  # what is refused never comes to the engine
@pytest.mark.parametrize("kind", PATHS)
def test_faults_of_fields_and_of_sense_are_told_together(furnished, right, kind):
    """An unknown spool and an unreadable reading are reported together, as in a list."""
    rows = [right, {**right, "spool_code": "X-1"}, {**right, "measured_at": "yesterday"}]
    listed = furnished.shop.call("quality", "POST", PATHS[kind], rows)
    as_sent = furnished.shop.call("quality", "POST", PATHS[kind], as_columns(rows))
    assert in_place(faults(listed)) == faults(as_sent)
    assert {"/columns/spool_code/1", "/columns/measured_at/2"} == {pointer for pointer, *_ in faults(as_sent)}


@pytest.mark.parametrize("kind", PATHS)
def test_columns_store_what_a_list_stores(shop, kind):
    """Two lots, one measured by a list and one by columns, have equal readings, findings and status."""
    furnished = Furnished(shop)
    grade = shop.grade("G-2", shade_id=furnished.shade["id"], limits=FULL_LIMITS)
    _, _, body = CASES[f"/v1{PATHS[kind]}"]
    answers, stored, judged = [], [], []
    for lot, form in (("L-1", list), ("L-2", as_columns)):
        came = shop.receive(furnished.supplier, grade, lot)
        codes = [spool["code"] for spool in came["spools"]]
        rows = [{**body(furnished), "measured_at": MEASURED, "spool_code": code, "note": code[-1]} for code in codes]
        del rows[1]["note"]
        answers.append(shop.post("quality", PATHS[kind], form(rows)))
        page = shop.get("quality", f"/lots/{came['lot_id']}/readings")["items"]
        stored.append([_alike(reading, "id", "lot_id", "spool_code", "recorded_at") for reading in page])
        found = shop.get("quality", f"/lots/{came['lot_id']}/assessment")
        judged.append(repr(_alike(found, "lot_id", "as_of", "reading_ids")).replace(codes[0][:2], "L"))
    assert stored[0] == stored[1]
    assert judged[0] == judged[1]
    listed, as_sent = answers
    assert [item["warnings"] for item in listed["items"]] == as_sent["columns"]["warnings"]
    assert ["columns", "lots"] == sorted(as_sent)
    assert as_sent["columns"]["id"] == sorted(as_sent["columns"]["id"])
    assert listed["lots"][0]["standing"] == as_sent["lots"][0]["standing"]


def _alike(view, *apart):
    return {name: value for name, value in view.items() if name not in apart}


SPOOLS = ["L1-S001", "L1-S002"]


@pytest.mark.parametrize(
    ("columns", "pointers"),
    [
        ({"spool_code": SPOOLS, "d1_mm": [1.75, 1.75]}, ["/columns/d2_mm"]),
        (
            {"spool_code": SPOOLS, "d1_mm": [1.75, 1.75], "d2_mm": [1.75, "x"], "d3_mm": [1, 1]},
            ["/columns/d3_mm", "/columns/d2_mm/1"],
        ),
        ({"spool_code": SPOOLS, "d1_mm": [1.75], "d2_mm": [1.75, 1.75]}, ["/columns"]),
        ({"spool_code": SPOOLS, "d1_mm": 1.75, "d2_mm": [1.75, 1.75]}, ["/columns/d1_mm"]),
        ({"spool_code": SPOOLS, "d1/mm": 1.75}, ["/columns/d1~1mm"]),
        ({"spool_code": [], "d1_mm": [], "d2_mm": []}, ["/columns"]),
        ({"spool_code": ["X"] * 5001, "d1_mm": [1.75] * 5001, "d2_mm": [1.75] * 5001}, ["/columns"]),
        ({}, ["/columns"]),
        ([], ["/columns"]),
        (None, ["/columns"]),
    ],
    ids=[
        "one is missing",
        "one is unknown",
        "uneven",
        "no array",
        "a name with a slash",
        "empty",
        "too long",
        "none",
        "a list",
        "null",
    ],
)
def test_what_are_no_columns_is_said_once(shop, columns, pointers):
    """A missing or unknown column is one error for any number of readings, and nothing is stored."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    refused(shop.call("quality", "POST", "/diameter-readings", {"columns": columns}), 422, "invalid", pointers)
    assert [] == shop.get("quality", f"/lots/{delivery['lot_id']}/readings")["items"]


def test_a_body_that_is_not_only_columns_is_one_reading(shop):
    """A body with more than `columns` is a single reading with an unknown field `columns`."""
    answer = shop.call("quality", "POST", "/diameter-readings", {"columns": {}, "d1_mm": 1.75})
    assert "/columns" in {pointer for pointer, *_ in faults(answer)}


def test_one_and_true_are_not_the_same_value(shop):
    """1 and True, equal in Python, are different values."""
    shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    columns = {"spool_code": SPOOLS * 2, "d1_mm": [1.75] * 4, "d2_mm": [1.75] * 4, "position_m": [1, True, 1.0, 1]}
    answer = shop.call("quality", "POST", "/diameter-readings", {"columns": columns})
    refused(answer, 422, "invalid", ["/columns/position_m/1"])
