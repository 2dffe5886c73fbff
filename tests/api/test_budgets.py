"""Budgets of every path: elements taken, elements answered and statements, compared with the table of budgets."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from lots.api.documents import print_limits
from lots.api.http import routes, strict_json
from lots.app import _LONGEST_ADDRESS
from lots.domain.production import picks, stock_matches
from lots.services.drift import series
from lots.services.errors import MOST_LISTED
from lots.services.files import csv_tables, delivery_rows
from lots.services.production import matching
from lots.store.production import shelf
from tests.api.bodies import CASES, Furnished
from tests.api.budgets import TABLE
from tests.api.test_openapi import operations
from tests.api.test_queries import statements
from tests.changes import CHANGES, READS, Change

# The page of a list; more needs a reason.
PAGE = 500
DOCUMENTED = Path(__file__).parents[2] / "DEVELOPERS.md"
LIMITS = {
    "faults listed in an answer": MOST_LISTED,
    "names in an object of a body": strict_json.MAX_NAMES,
    "elements in an array of a body": strict_json.MAX_ELEMENTS,
    "characters of path and query": _LONGEST_ADDRESS,
    "readings in a list or columns": routes._MAX_LIST,
    "rows of a file": csv_tables.MOST_ROWS,
    "columns of a file": csv_tables.MOST_COLUMNS,
    "faults after which a file is read no further": csv_tables.MOST_FAULTS,
    "deliveries of a file": delivery_rows.MOST_DELIVERIES,
    "spools of a file": delivery_rows.MOST_SPOOLS_IN_FILE,
    "steps of the search for a pick": picks.STEPS,
    "lots that a pick compares": stock_matches.MOST_LOTS,
    "colours that a pick compares": stock_matches.MOST_COLORS,
    "spools on the shelf that a pick looks at": shelf.MOST_SPOOLS,
    "lots in the match table": matching.MOST_IN_TABLE,
    "lots that drift shows": series.MOST_SHOWN,
    "lots listed as matches of one": matching.MOST_MATCHES,
    "rows of all tables of a printed paper": print_limits.MOST_ROWS,
    "rows of all tables of a letter": print_limits.MOST_ROWS_OF_LETTER,
}


@pytest.fixture
def engine():
    """SQLite alone: counts are equal on both engines."""
    return "sqlite"


@pytest.fixture
def document(app):
    """The served document."""
    return app.test_client().get("/v1/openapi.json").get_json()


def whole(document, part):
    """A part of the document with its reference resolved."""
    while isinstance(part, dict) and "$ref" in part:
        found = document
        for step in part["$ref"].removeprefix("#/").split("/"):
            found = found[step.replace("~1", "/")]
        part = found
    return part


def arrays(document, part, seen=()):
    """The most elements of each array in a schema, None where unstated."""
    if isinstance(part, dict) and "$ref" in part:
        if part["$ref"] in seen:
            return
        seen = (*seen, part["$ref"])
    part = whole(document, part)
    if isinstance(part, list):
        for each in part:
            yield from arrays(document, each, seen)
    elif isinstance(part, dict):
        if "array" in (part.get("type") or ()):
            yield part.get("maxItems")
        for each in part.get("properties", {}).values():
            yield from arrays(document, each, seen)
        for name in ("items", "oneOf", "anyOf", "allOf", "additionalProperties"):
            yield from arrays(document, part.get(name), seen)


def taken(document, operation):
    """The most elements of one array in a request; where the document is silent the parser of bodies sets the bound."""
    content = operation.get("requestBody", {}).get("content", {})
    if "multipart/form-data" in content:
        return csv_tables.MOST_ROWS
    if not content:
        return 0
    found = arrays(document, content["application/json"]["schema"])
    return max((strict_json.MAX_ELEMENTS if most is None else most for most in found), default=1)


def answer_of(document, operation):
    """The JSON schema of an operation's answer."""
    answers = (whole(document, said) for status, said in operation["responses"].items() if status.startswith("2"))
    content = next(said["content"] for said in answers if "application/json" in said.get("content", {}))
    return whole(document, content["application/json"]["schema"])


def test_every_path_has_its_budget(document):
    """Every path has a row, and every row a path."""
    assert set(TABLE) == {(method.upper(), path) for method, path, _ in operations(document)}


def test_no_path_takes_more_than_its_budget(document):
    """The longest array of each request is as long as its row states, and none exceeds the bound of a body."""
    found = {(method.upper(), path): taken(document, operation) for method, path, operation in operations(document)}
    assert {row: budget.taken for row, budget in TABLE.items()} == found
    assert strict_json.MAX_ELEMENTS >= max(n for row, n in found.items() if row != ("POST", "/v1/imports"))


def test_no_path_answers_more_than_its_budget(document):
    """A list is paged, an answer without a list is one object, and every other one states its growth or bound."""
    for method, path, operation in operations(document):
        said, schema = TABLE[method.upper(), path].answered, answer_of(document, operation)
        if {"items", "next"} <= set(schema.get("properties", {})):
            limit = next(one["schema"] for one in operation["parameters"] if one["name"] == "limit")
            assert said == limit["maximum"] == PAGE, path
        elif not list(arrays(document, schema)):
            assert 1 == said, path


def query_of(at, path):
    """The required query of a path."""
    series = f"?supplier_id={at.supplier['id']}&grade_id={at.grade['id']}"
    return {
        "/v1/drift": series,
        "/v1/certificate-comparison": series,
        "/v1/inspection-severity": series,
        "/v1/forecast": series,
        "/v1/next-order": f"?grade_id={at.grade['id']}&use=general",
        "/v1/match-table": f"?grade_id={at.grade['id']}",
        "/v1/decision-risk": f"?grade_id={at.grade['id']}",
        "/v1/sampling-plan": "?lot_size=500&aql=1.0",
        "/v1/search": "?q=Q",
        "/v1/spools/{code}/clearance": "?use=general",
    }.get(path, "")


def number_of(at, path):
    """The number in the path of a read-only request."""
    return at.webhook() if path.startswith("/v1/webhooks") else 1


@pytest.mark.thorough
def test_no_path_asks_the_database_more_than_its_budget(shop, document):
    """Every path is requested once in a shop with one of everything, and its statements, the token's included, are within budget."""
    at, found, failed = Furnished(shop), {}, {}
    bad = at.blocked_lot()

    def ask(row, call):
        with statements() as seen:
            answer = call()
        found[row] = len(seen)
        if answer.status_code >= 300:
            failed[row] = answer.get_data(as_text=True)

    for path in CHANGES:
        change = Change(at, path)
        ask((change.method, path), change.make)
    for path in READS:
        pairs = {"pairs": [{"reference": [95, 0, 0], "sample": [94, 0, 0]}]}
        body = CASES[path][2](at) if path in CASES else pairs
        named = path.removeprefix("/v1").replace("{number}", str(number_of(at, path)))
        ask(("POST", path), lambda p=named, b=body: shop.call("admin", "POST", p, b))
    for method, path, _ in operations(document):
        if method != "get":
            continue
        number = at.lot_id if path.startswith("/v1/lots/") else 1
        number = bad if "nonconformity" in path else number
        number = at.letter() if path.startswith("/v1/letters/") else number
        named = path.replace("{number}", str(number)).replace("{code}", at.spool).replace("{name}", "J")
        url = named.removeprefix("/v1") + query_of(at, path)
        ask(("GET", path), lambda u=url: shop.call("admin", "GET", u))
    assert {} == failed
    assert set(TABLE) == set(found)
    assert {} == {row: n for row, n in found.items() if n > TABLE[row].statements}


def section():
    """The section Budgets of DEVELOPERS.md."""
    return DOCUMENTED.read_text(encoding="utf-8").partition("## Budgets\n")[2].partition("\n## ")[0]


def test_developers_are_told_every_limit():
    """The table of limits in DEVELOPERS.md has exactly these limits with their numbers."""
    told = dict(re.findall(r"^\| ([a-z][^|]*?) \| ([\d,]+) \|", section(), re.MULTILINE))
    assert {name: f"{limit:,}" for name, limit in LIMITS.items()} == told


def test_developers_are_told_what_grows():
    """DEVELOPERS.md names every path whose answer grows with the stored data, with the quantity it grows with."""
    grows: dict[str, list[str]] = {}
    for (method, path), budget in TABLE.items():
        if isinstance(budget.answered, str):
            grows.setdefault(budget.answered, []).append(f"`{method} {path}`")
    told = section()
    for what, paths in grows.items():
        assert f"| {what} | {', '.join(paths)} |" in told
