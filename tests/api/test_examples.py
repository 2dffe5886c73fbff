"""The examples of the document are valid: each request is accepted, and answered in the form shown.

`LOTS_TEST_KEEP_ANSWERS=1 pytest tests/api/test_examples.py` stores the answers of this program as the shown ones.
"""

import io
import json
import os
from importlib import resources

import pytest

from tests.api.bodies import CASES, Furnished
from tests.api.test_wrong_types import RIGHT

# Numbers and future dates of examples, replaced by those of this shop and of the calendar.
OF_THE_SHOP = {
    *("supplier_id", "grade_id", "shade_id", "instrument_id", "lot_id", "lot_ids"),
    *("spool_code", "parents", "drawn", "substitute", "due_at", "use_by", "valid_until"),
}
FORM = "/v1/imports"
# Set-up that other examples depend on.
TERMS = ("/v1/grades", "/v1/shades", "/v1/instruments")
# An answer is short enough to be shown, in characters.
SHORT = 700
KEPT = resources.files("lots.api.http.openapi") / "answer_examples.json"


@pytest.fixture
def engine():
    """SQLite alone: the document is the same on either engine."""
    return "sqlite"


def operations(document):
    """Every operation by name: (method, path, its documentation)."""
    return {
        said["operationId"]: (method.upper(), path, said)
        for path, item in document["paths"].items()
        for method, said in item.items()
        if isinstance(said, dict)
    }


def request_example(said):
    """The example of a request, or None."""
    content = said.get("requestBody", {}).get("content", {})
    return next((one.get("example") for one in content.values()), None)


def answer_example(said):
    """The example of an answer, or None."""
    shown = [one for status, one in said["responses"].items() if status.startswith("2")]
    return next((one["content"].get("application/json", {}).get("example") for one in shown), None)


def address(path, number):
    """The address of a path below /v1."""
    return path.removeprefix("/v1").format(number=number, code=number, name=number)


def sent(shop, at, path, example):
    """The answer to an example."""
    method, number, body = CASES[path]
    own = body(at)
    assert OF_THE_SHOP & set(example) <= set(own), path
    filled = {**example, **{name: own[name] for name in OF_THE_SHOP if name in example}}
    return shop.call("admin", method, address(path, number(at)), filled, If_Match="*")


def form(value):
    """The fields and value types of an answer."""
    if isinstance(value, dict):
        return {name: form(one) for name, one in value.items()}
    if isinstance(value, list):
        return [form(one) for one in value[:1]]
    return "number" if isinstance(value, int | float) and not isinstance(value, bool) else type(value).__name__


def lacking(shown, answered, at=""):
    """Fields of an example missing in an answer, by place; an answer may have more."""
    if isinstance(shown, dict) and isinstance(answered, dict):
        for name, one in shown.items():
            yield from lacking(one, answered.get(name, "nothing"), f"{at}/{name}")
    elif isinstance(shown, list) and isinstance(answered, list):
        for one, other in zip(shown, answered, strict=False):
            yield from lacking(one, other, f"{at}/0")
    elif shown != answered:
        yield f"{at}: {shown}, answered {answered}"


def test_every_request_has_an_example(shop):
    """Every request has an example."""
    document = operations(shop.contract.document)
    assert [] == [
        name for name, (_, _, said) in document.items() if "requestBody" in said and not request_example(said)
    ]


def test_every_example_is_taken_and_answered_as_shown(shop):
    """Requests from the examples succeed in the form shown, reads included; one shop takes them all, changes of its terms last."""
    at, document = Furnished(shop), operations(shop.contract.document)
    answers, refused = {}, []
    for name, (method, path, said) in sorted(document.items(), key=lambda one: one[1][1].startswith(TERMS)):
        if path in CASES and CASES[path][0] == method:
            answer = sent(shop, at, path, request_example(said))
            if answer.status_code in (200, 201):
                answers[name] = answer.get_json()
            elif answer.status_code not in RIGHT.get(path, ()):
                refused.append((name, answer.get_data(as_text=True)))
    for name, (method, path, said) in document.items():
        asks = any(one.get("required") and one["in"] == "query" for one in said.get("parameters", ()))
        if method == "GET" and not asks:
            answer = shop.call("admin", method, address(path, at.spool if "{code}" in path else 1))
            if answer.status_code == 200:
                answers[name] = answer.get_json()
    assert [] == refused
    if os.environ.get("LOTS_TEST_KEEP_ANSWERS"):
        telling = {name: answers[name] for name in document if name in answers and answers[name].get("items") != []}
        short = {name: answer for name, answer in telling.items() if len(json.dumps(answer)) <= SHORT}
        KEPT.write_text(json.dumps(short, indent=1, ensure_ascii=False) + "\n", "utf-8")
    shown = {name: example for name, (_, _, said) in document.items() if (example := answer_example(said))}
    assert set() == set(shown) - set(answers)
    found = {name: list(lacking(form(example), form(answers[name]))) for name, example in shown.items()}
    assert {} == {name: places for name, places in found.items() if places}


def test_every_answer_shown_conforms_to_its_schema(shop):
    """No shown answer lacks a required field or has an unknown one."""
    found = {}
    for name, (_, _, said) in operations(shop.contract.document).items():
        for status, one in said["responses"].items():
            for shown in one.get("content", {}).values():
                if "example" in shown and (faults := shop.contract.faults(shown["schema"], shown["example"])):
                    found[name, status] = faults
    assert {} == found


def test_the_example_of_a_form_is_taken(shop):
    """The example file of a form is read; it names an existing spool."""
    supplier, grade = shop.supplier(), shop.grade()
    example = request_example(operations(shop.contract.document)["postImports"][2])
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "Q-71"}
    spools = [{"code": "A-1", "net_mass_g": 1000}]
    shop.post("receiving", "/deliveries", {**body, "received_at": "2026-11-20T08:00:00Z", "spools": spools})
    form = {name: value for name, value in example.items() if name != "file"}
    sent = {**form, "dry_run": str(form["dry_run"]).lower(), "file": (io.BytesIO(example["file"].encode()), "r.csv")}
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}"}
    answer = shop.client.post(FORM, data=sent, headers=headers)
    shop.contract.check("POST", FORM, answer)
    assert 200 == answer.status_code, answer.get_data(as_text=True)
