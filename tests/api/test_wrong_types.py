import copy
import json

import pytest

from tests.api.bodies import CASES, Furnished
from tests.api.refusals import refused
from tests.store.rows import counts

# One at a time in place of a right value. Some are right for some fields; then they are taken, and that is well.
WRONG = [
    None,
    True,
    "x",
    "",
    [],
    {},
    [None],
    {"x": 1},
    -1,
    0.5,
    1e308,
    10**30,
    10**400,
    2**63,
    "1,75",
    "\u0000",
    "y" * 9000,
]

# Two dependent fields: an error in one can show at the other.
TOGETHER = {
    "/designed_mm": "/measured_mm",
    "/break_force_n": "/stress_mpa",
    "/area_mm2": "/break_force_n",
    "/spool_code": "/lot_id",
    "/over_white": "/over_black",
    "/over_white/0": "/over_black",
}

# Paths where a valid body can still conflict with the state of the shop.
RIGHT = {"/v1/inspection-severity": (409,)}


def resolved(document, schema):
    """The schema itself behind a reference or a choice of one object and many."""
    while "$ref" in schema or "oneOf" in schema or "anyOf" in schema:
        if "$ref" in schema:
            schema = document["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
        else:
            schema = (schema.get("oneOf") or schema["anyOf"])[0]
    return schema


def places(document, schema, example, at=()):
    """Every place of a schema: nested objects and first list elements, as far as the example has them."""
    schema = resolved(document, schema)
    for name, inner in schema.get("properties", {}).items():
        here = (*at, name)
        yield here
        below = example.get(name) if isinstance(example, dict) else None
        if isinstance(below, dict):
            yield from places(document, inner, below, here)
        elif isinstance(below, list) and below:
            yield (*here, 0)
            yield from places(document, resolved(document, inner).get("items", {}), below[0], (*here, 0))


def spoilt(body, place, value):
    """A copy of a body with one value replaced."""
    found = copy.deepcopy(body)
    inner = found
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    return found


def written(place):
    """A place as a JSON pointer."""
    return "".join(f"/{step}" for step in place)


def on_the_way(place, pointer):
    """True when a pointer names this place, something in it, or something around it."""
    return f"{pointer}/".startswith(f"{place}/") or f"{place}/".startswith(f"{pointer}/")


def schema_of(document, path, method):
    """The schema of a path's body."""
    return document["paths"][path][method.lower()]["requestBody"]["content"]["application/json"]["schema"]


def test_every_path_that_takes_a_body_has_a_case(app):
    """Every path with a body has a case here."""
    paths = app.test_client().get("/v1/openapi.json").get_json()["paths"]
    takes = {
        path
        for path, item in paths.items()
        for said in item.values()
        if isinstance(said, dict) and "application/json" in said.get("requestBody", {}).get("content", {})
    }
    assert set(CASES) == takes


@pytest.mark.thorough
@pytest.mark.parametrize("path", CASES)
def test_a_wrong_value_in_any_field_is_refused_at_its_place_and_nothing_is_stored(shop, path):
    """A wrong value in any field is refused at its place, and nothing is stored."""
    at = Furnished(shop)
    method, number, body = CASES[path]
    schema = schema_of(shop.contract.document, path, method)
    right = shop.call(
        "admin", method, path.removeprefix("/v1").format(number=number(at), code=number(at)), body(at), If_Match="*"
    )
    assert right.status_code in RIGHT.get(path, (200, 201)), right.get_data(as_text=True)
    address, right, tried = None, None, 0
    for place in places(shop.contract.document, schema, body(at)):
        for value in WRONG:
            if address is None:  # at the start, and after each body that was taken
                address, right = path.removeprefix("/v1").format(number=number(at), code=number(at)), body(at)
                before = counts()
            wrong = spoilt(right, place, value)
            answer = shop.call("admin", method, address, wrong, If_Match="*")
            what = f"{method} {path} {written(place)} = {json.dumps(value)[:40]}"
            assert answer.status_code in (200, 201, 404, 409, 422), f"{what}: {answer.get_data(as_text=True)[:300]}"
            tried += 1
            if answer.status_code < 400:
                address = None
                continue
            said = refused(answer, answer.status_code)
            assert before == counts(), what
            if answer.status_code == 422:
                pointers = [error["pointer"] for error in said["errors"]]
                here = {written(place), TOGETHER.get(written(place), written(place))}
                assert any(on_the_way(one, pointer) for one in here for pointer in pointers), f"{what}: {pointers}"
    assert tried >= len(WRONG)
