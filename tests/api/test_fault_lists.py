"""Answers to faulty requests stay short: the first errors, their count, and truncated values."""

from __future__ import annotations

import io
import json

import pytest

from lots.api.http import errors, strict_json
from lots.app import _LONGEST_ADDRESS
from lots.services.errors import MOST_LISTED
from lots.services.files import csv_tables, imports
from lots.services.readings import recording
from lots.store.setup import spool_codes
from tests.api.refusals import refused, send
from tests.store.rows import counts

# The most that a problem document of listed faults takes, bytes.
SHORT = 100_000
WIDE = {"d1_mm": 1.75, "d2_mm": 1.75}


@pytest.fixture
def engine():
    """SQLite alone: these requests never reach the database."""
    return "sqlite"


def listed(answer, total):
    """The problem document, with as many listed errors as allowed and their count."""
    assert 422 == answer.status_code
    said = answer.get_json()
    assert MOST_LISTED == len(said["errors"])
    assert total == said["errors_total"]
    assert f"{MOST_LISTED} of {total:,} errors are listed." in said["detail"]
    assert SHORT > len(answer.get_data())
    return said


def post(shop, path, body):
    """The answer to a JSON body."""
    return send(shop, "POST", path, json.dumps(body).encode())


def imported(shop, text, kind="diameter"):
    """The answer to a file."""
    headers = {"Authorization": f"Bearer {shop.tokens['admin']}"}
    form = {"kind": kind, "file": (io.BytesIO(text.encode()), "bench.csv")}
    return shop.client.post("/v1/imports", data=form, headers=headers)


@pytest.fixture
def near_names(monkeypatch):
    """The number of similarity comparisons of names."""
    asked = []

    def counted(*args, **kwargs):
        asked.append(args)
        return []

    monkeypatch.setattr(errors, "get_close_matches", counted)
    return asked


def test_as_many_faults_as_are_listed_are_all_there_is(shop):
    """Up to the limit every error is listed, without a count of further ones."""
    said = refused(post(shop, "/v1/suppliers", {f"k{n}": 1 for n in range(MOST_LISTED - 2)}), 422, "invalid")
    assert MOST_LISTED == len(said["errors"])
    assert "errors_total" not in said
    assert "are listed" not in said["detail"]


def test_unknown_fields_are_counted_and_the_first_are_listed(shop, near_names):
    """Of 500 unknown fields 100 are listed, and only these are compared with known names."""
    listed(post(shop, "/v1/suppliers", {f"k{n}": 1 for n in range(500)}), 502)
    assert MOST_LISTED >= len(near_names) > 0


def test_faults_of_a_list_are_counted_over_all_of_it(shop, near_names):
    """The count covers 1,000 readings with 20 unknown fields and three missing ones each."""
    listed(post(shop, "/v1/diameter-readings", [{f"k{n}": 1 for n in range(20)}] * 1000), 23_000)
    assert MOST_LISTED >= len(near_names)


def test_faults_of_columns_are_counted(shop):
    """The count covers 2,000 numbers written as text in columns, and an unknown spool."""
    body = {"columns": {"spool_code": ["X-1"] * 2000, "d1_mm": ["x"] * 2000, "d2_mm": [1.75] * 2000}}
    listed(post(shop, "/v1/diameter-readings", body), 2000)


def test_faults_of_a_query_are_counted(shop):
    """The count covers 300 unknown parameters."""
    listed(send(shop, "GET", "/v1/lots?" + "&".join(f"p{n}=1" for n in range(300))), 300)


def test_spools_that_nobody_knows_are_counted_and_few_are_looked_up(shop, monkeypatch):
    """Similar codes are looked up only for listed errors, with at most one query each."""
    asked = []
    monkeypatch.setattr(spool_codes, "similar", lambda code: asked.append(code) or [])
    listed(post(shop, "/v1/diameter-readings", [{"spool_code": f"N-{n}", **WIDE} for n in range(500)]), 500)
    assert MOST_LISTED == len(asked)


def test_faults_of_a_file_are_counted_up_to_where_reading_stops(shop):
    """A file is read up to its first 10,000 errors, and the answer says so."""
    before = counts()
    header = "spool_code,d1_mm,d2_mm\n"
    listed(imported(shop, header + "X-1,wide,1.75\n" * 300), 600)  # the spool and the number of each row
    said = imported(shop, header + "X-1,wide,1.75\n" * 11_000).get_json()
    assert csv_tables.MOST_FAULTS < said["errors_total"] <= csv_tables.MOST_FAULTS + 5
    assert before == counts()


@pytest.mark.parametrize(
    "body",
    [
        {"code": "x" * 100_000, "name": "N"},
        {"x" * 100_000: 1},
        {"code": int("9" * 4000), "name": "N"},
        [{"x" * 100_000: 1}],
    ],
    ids=["value", "name", "number", "name in a list"],
)
def test_a_long_value_or_name_is_cut(shop, body):
    """A quoted value or name is truncated."""
    answer = post(shop, "/v1/suppliers", body)
    assert 422 == answer.status_code
    assert 10_000 > len(answer.get_data())


def test_a_long_number_in_quotes_is_cut(shop):
    """A quoted long number and its suggested form are both truncated."""
    answer = post(shop, "/v1/diameter-readings", {"spool_code": "X-1", "d1_mm": "9" * 100_000})
    said = refused(answer, 422, "invalid")
    assert "(100,000 characters)" in said["errors"][0]["detail"]
    assert 2_000 > len(answer.get_data())


def test_an_object_with_too_many_names_or_an_array_with_too_many_elements_is_refused_early(shop):
    """Bodies with too many names or elements are refused before any schema."""
    wide = {f"k{n}": 1 for n in range(strict_json.MAX_NAMES + 1)}
    assert "1,000 names" in refused(post(shop, "/v1/suppliers", wide), 400, "malformed", [])["detail"]
    for body in ([1] * 10_001, {"pairs": [1] * 10_001}, {"pairs": [[[1] * 10_001]]}):
        said = refused(post(shop, "/v1/color-differences", body), 400, "malformed", [])
        assert "at most 10,000 elements. This one has 10,001" in said["detail"]


def test_an_endless_address_is_refused(shop):
    """A path with query over the length limit is refused with 414 before any look-up."""
    for path in (f"/v1/spools/{'x' * _LONGEST_ADDRESS}", f"/v1/lots?cursor={'x' * _LONGEST_ADDRESS}"):
        refused(send(shop, "GET", path), 414, "uri-too-long", [])
    refused(send(shop, "GET", f"/v1/spools/{'x' * 5000}"), 404, "not-found", [])


def test_a_form_with_many_fields_is_answered_shortly(shop):
    """A form with 500 unknown fields has a short answer."""
    form = {f"f{n}": "1" for n in range(500)}
    headers = {"Authorization": f"Bearer {shop.tokens['admin']}"}
    answer = shop.client.post("/v1/imports", data=form, headers=headers, content_type="multipart/form-data")
    listed(answer, 502)


@pytest.fixture
def nobody_writes(monkeypatch):
    """Fails where readings or a file take the write lock."""

    def refuse(*_):
        raise AssertionError("a request that is at fault took the turn to write")

    for module in (recording, imports):
        monkeypatch.setattr(module, "transaction", refuse)


@pytest.mark.usefixtures("nobody_writes")
def test_a_list_or_a_file_at_fault_never_takes_the_turn_to_write(shop):
    """Errors in a list, columns or a file are found before the write lock is taken."""
    rows = [{"spool_code": f"N-{n}", **WIDE} for n in range(5)]
    for body in (rows, {"columns": {name: [row[name] for row in rows] for name in rows[0]}}):
        assert 5 == len(refused(post(shop, "/v1/diameter-readings", body), 422, "invalid")["errors"])
    said = imported(shop, "spool_code,d1_mm,d2_mm\n" + "N-1,1.75,1.75\n" * 5)
    assert (422, 5) == (said.status_code, len(said.get_json()["errors"]))
