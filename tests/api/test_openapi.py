import importlib
import re
from urllib.parse import urljoin

import pytest
from marshmallow import Schema, fields
from openapi_spec_validator import OpenAPIV31SpecValidator

from lots.api.http.fields import Strict, Text, answered
from lots.services.setup.roles import ROLES

METHODS = ("get", "post", "patch", "put", "delete")


@pytest.fixture
def engine():
    """SQLite alone: the document is the same on either engine."""
    return "sqlite"


@pytest.fixture
def document(app):
    """The served document."""
    return app.test_client().get("/v1/openapi.json").get_json()


def operations(document):
    """Every operation: (method, path, its documentation)."""
    return [
        (method, path, item[method]) for path, item in document["paths"].items() for method in METHODS if method in item
    ]


def is_page(document, response):
    """Whether a success is a page of a list."""
    shown = response.get("content", {}).get("application/json", {}).get("schema", {})
    named = shown.get("$ref", "").rpartition("/")[2]
    return {"items", "next"} <= set(document["components"]["schemas"].get(named, {}).get("properties", {}))


def headers_of(operation):
    """Names of the headers that an operation takes."""
    return {p["name"]: p for p in operation.get("parameters", []) if p.get("in") == "header"}


def test_the_document_is_openapi_3_1(document):
    """The document states OpenAPI 3.1, and a validator finds no fault."""
    assert document["openapi"].startswith("3.1.")
    assert [] == [error.message for error in OpenAPIV31SpecValidator(document).iter_errors()]


def test_the_document_is_there_without_a_token(app):
    """The document needs no token."""
    answer = app.test_client().get("/v1/openapi.json")
    assert (200, "application/json") == (answer.status_code, answer.mimetype)


def test_every_route_is_in_the_document_and_nothing_else(app, document):
    """The documented and the served paths and methods under /v1 are the same."""
    served = {
        (method.lower(), re.sub(r"<(?:[^:<>]*:)?(\w+)>", r"{\1}", rule.rule))
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/v1/") and rule.rule != "/v1/openapi.json"
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    assert served == {(method, path) for method, path, _ in operations(document)}


def test_every_operation_names_its_roles(document):
    """Each operation names its roles once each, the administrator included."""
    for method, path, operation in operations(document):
        roles = operation["x-roles"]
        assert roles, f"{method} {path}"
        assert set() == set(roles) - set(ROLES), f"{method} {path}"
        assert len(set(roles)) == len(roles), f"{method} {path}"
        assert "admin" in roles, f"{method} {path}"


def test_every_operation_documents_its_answer_and_the_problem_document(document):
    """Each operation has a description, the schema of its success, and a problem document for errors."""
    for method, path, operation in operations(document):
        assert operation["summary"].strip(), f"{method} {path}"
        responses = operation["responses"]
        assert any(status.startswith("2") for status in responses), f"{method} {path}"
        default = responses["default"]
        if "$ref" in default:
            default = document["components"]["responses"][default["$ref"].rpartition("/")[2]]
        assert ["application/problem+json"] == list(default["content"]), f"{method} {path}"


def test_post_documents_the_idempotency_key_and_patch_the_etag(document):
    """The document has Idempotency-Key for repeatable POSTs, and If-Match for PATCH."""
    for method, path, operation in operations(document):
        headers = headers_of(operation)
        assert (method == "post") == ("Idempotency-Key" in headers), f"{method} {path}"
        assert (method == "patch") == ("If-Match" in headers), f"{method} {path}"
        if method == "patch":
            assert headers["If-Match"]["required"]


@pytest.mark.parametrize("name", ["Diameter", "Shrink", "Bond", "Surface", "Moisture"])
def test_every_measure_of_a_reading_names_its_unit(document, name):
    """The name of every measure contains its unit."""
    units = ("_mm", "_mm2", "_dm2", "_m", "_h", "_n", "_mpa", "_percent", "_c")
    fields = document["components"]["schemas"][f"{name}Args"]["properties"]
    measures = {field for field, said in fields.items() if "number" in said["type"]}
    assert measures
    assert set() == {field for field in measures if not field.endswith(units)}


def test_the_docs_page_and_its_assets_are_served_by_the_application(app):
    """The docs page and its files come from this application, without the internet."""
    client = app.test_client()
    page = client.get("/docs")
    assert (200, "text/html") == (page.status_code, page.mimetype)
    wanted = re.findall(r'(?:src|href)="([^"]+)"', page.get_data(as_text=True))
    assert len(wanted) >= 3
    for relative in wanted:
        address = urljoin("/docs", relative)
        assert address.startswith("/"), address
        assert not address.startswith("//"), address
        with client.get(address) as answer:
            assert 200 == answer.status_code, address
            assert len(answer.get_data()) > 50, address


def test_nothing_on_the_docs_page_points_to_another_host(app):
    """Neither the docs page, its script nor its style sheet contains a foreign host."""
    client = app.test_client()
    page = client.get("/docs").get_data(as_text=True) + client.get("/docs/start.js").get_data(as_text=True)
    assert [] == re.findall(r"(?:https?:)?//[\w.-]+", page)
    with client.get("/docs/swagger-ui.css") as answer:
        style = answer.get_data(as_text=True)
    assert [] == re.findall(r"(?:url\(|@import\s+)['\"]?(?:https?:)?//[^)]*", style)


def test_the_document_names_no_host(document):
    """Addresses in the document are relative."""
    assert ["/"] == [server["url"] for server in document["servers"]]


def test_the_root_leads_a_stranger_to_sign_in(app):
    """The root redirects an unknown visitor to sign-in."""
    answer = app.test_client().get("/")
    assert (302, "/sign-in?then=/") == (answer.status_code, answer.headers["Location"])


def test_a_file_beside_the_assets_cannot_be_fetched(app):
    """A path that leaves the folder of assets finds nothing."""
    assert 404 == app.test_client().get("/docs/../__init__.py").status_code
    assert 404 == app.test_client().get("/docs/%2e%2e/__init__.py").status_code


DESCRIBED = (
    "assessment.decisions",
    "assessment.visual_trials",
    "production.clearance",
    "production.loads",
    "production.spools",
    "readings.readings",
    "readings.replicates",
    "receiving.inspection",
    "receiving.lots_and_deliveries",
    "setup.grades",
    "setup.limits",
    "setup.shades",
)


@pytest.mark.parametrize("room", DESCRIBED)
def test_every_number_with_a_fraction_says_what_it_is(room):
    """Every number with a fraction has a description."""
    silent = [
        f"{schema.__name__}.{name}"
        for schema in vars(importlib.import_module(f"lots.api.{room}")).values()
        if isinstance(schema, type) and issubclass(schema, Schema)
        for name, field in schema().fields.items()
        if isinstance(_innermost(field), fields.Float) and not field.metadata.get("description")
    ]
    assert [] == silent


def _innermost(field):
    """The innermost type of nested lists."""
    return _innermost(field.inner) if isinstance(field, fields.List) else field


def test_every_operation_is_described(document):
    """Each operation has a short sentence as its summary, and a description in sentences of at most 25 words."""
    for method, path, operation in operations(document):
        at = f"{method} {path}"
        summary, description = operation["summary"], operation.get("description", "")
        assert re.fullmatch(r"[A-Z][^\n]{8,119}\.", summary), f"{at}: {summary}"
        assert not re.search(r"\b[45]\d\d\b", summary), f"{at}: statuses belong into the description"
        assert description.strip().endswith("."), f"{at} has no description"
        sentences = re.split(r"(?<=[.!?])\s+", f"{summary} {description}".replace("\n", " "))
        assert [] == [said for said in sentences if len(said.split()) > 25], at


def test_every_refusal_that_a_description_names_is_an_answer(document):
    """Every status in a description has a documented response."""
    for method, path, operation in operations(document):
        named = set(re.findall(r"\b[45]\d\d\b", operation["description"])) - {"500"}
        assert set() == named - set(operation["responses"]), f"{method} {path}"


def test_every_operation_names_the_refusals_of_its_kind(document):
    """Each operation has the errors of its kind: token, query, database, path, body, version and role."""
    for method, path, operation in operations(document):
        expected = {"401", "422", "429", "503"}
        expected |= {"404"} if "{" in path else set()
        expected |= {"400", "413", "415"} if "requestBody" in operation else set()
        expected |= {"412", "428"} if method == "patch" else set()
        expected |= {"403"} if set(ROLES) - set(operation["x-roles"]) else set()
        assert set() == expected - set(operation["responses"]), f"{method} {path}"


def test_every_success_describes_its_headers(document):
    """Successes document their headers: request id, ETag, next page, and the mark of a repeat."""
    for method, path, operation in operations(document):
        for status, response in operation["responses"].items():
            if not status.startswith("2"):
                continue
            headers = response["headers"]
            assert "X-Request-Id" in headers
            assert ("ETag" in headers) or method not in ("get", "patch"), f"{method} {path}"
            assert (method == "post") == ("Idempotent-Replayed" in headers), f"{method} {path}"
            assert is_page(document, response) == ("Link" in headers), f"{method} {path}"


def test_what_is_made_at_an_address_of_its_own_says_where(document):
    """A POST that creates a readable resource has Location."""
    for path in document["paths"]:
        collection, _, member = path.rpartition("/")
        if member in ("{number}", "{code}") and "post" in document["paths"].get(collection, {}):
            assert "Location" in document["paths"][collection]["post"]["responses"]["201"]["headers"], collection


class AskedArgs(Strict):
    """A request with a required and an optional field."""

    name = Text(5, required=True, metadata={"description": "what it is called"})
    way = Text(5, one_of=("up", "down"), load_default="up")


@pytest.mark.parametrize(
    ("how", "required", "null", "ways"),
    [
        ({}, True, True, ["up", "down", None]),
        ({"null": False}, True, False, ["up", "down"]),
        ({"whole": False}, False, False, ["up", "down"]),
    ],
)
def test_an_answer_says_of_a_field_what_its_request_says(how, required, null, ways):
    """Required request fields are always in the answer; an unstated optional field is null, never null, or absent. The request is unchanged."""
    name, way = answered(AskedArgs, "name", "way", **how)
    assert (True, False, "what it is called") == (name.required, name.allow_none, name.metadata["description"])
    assert (required, null, ways) == (way.required, way.allow_none, way.metadata["enum"])
    assert {"name": "a", "way": "up"} == AskedArgs().load({"name": "a"})
    assert ["up", "down"] == AskedArgs().fields["way"].metadata["enum"]
