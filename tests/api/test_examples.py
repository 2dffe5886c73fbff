"""The examples of the document are true: each is sent, and taken."""

import io

import pytest

from tests.api.bodies import CASES, Furnished
from tests.api.test_wrong_types import RIGHT

# What an example names of a shop, or says of the days to come: here what this shop has and the calendar shows.
OF_THE_SHOP = {
    *("supplier_id", "grade_id", "shade_id", "instrument_id", "lot_id", "lot_ids"),
    *("spool_code", "parents", "drawn", "substitute", "due_at", "use_by", "valid_until"),
}
FORM = "/v1/imports"
# By what is set up here other examples are judged.
TERMS = ("/v1/grades", "/v1/shades", "/v1/instruments")


@pytest.fixture
def engine():
    """The document is the same on either engine."""
    return "sqlite"


def examples(document):
    """Every example of a request: (method, path, what is sent)."""
    return {
        (method.upper(), path): content.get("example")
        for path, item in document["paths"].items()
        for method, said in item.items()
        if isinstance(said, dict)
        for content in said.get("requestBody", {}).get("content", {}).values()
    }


def test_every_request_has_an_example(shop):
    """Whoever writes a request for the first time has one to begin with."""
    assert [] == [where for where, example in examples(shop.contract.document).items() if not example]


def test_every_example_is_taken(shop):
    """A request made of each example is answered with success. One shop takes them all, those that change its terms last."""
    at, said, refused = Furnished(shop), examples(shop.contract.document), []
    for path in sorted(CASES, key=lambda path: path.startswith(TERMS)):
        method, number, body = CASES[path]
        own, example = body(at), said[method, path]
        assert OF_THE_SHOP & set(example) <= set(own), path
        sent = {**example, **{name: own[name] for name in OF_THE_SHOP if name in example}}
        address = path.removeprefix("/v1").format(number=number(at), code=number(at))
        answer = shop.call("admin", method, address, sent, If_Match="*")
        if answer.status_code not in RIGHT.get(path, (200, 201)):
            refused.append((path, answer.get_data(as_text=True)))
    assert [] == refused


def test_the_example_of_a_form_is_taken(shop):
    """The file of the example is read; it names a spool that the shop has."""
    supplier, grade = shop.supplier(), shop.grade()
    example = examples(shop.contract.document)["POST", FORM]
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "Q-71"}
    spools = [{"code": "A-1", "net_mass_g": 1000}]
    shop.post("receiving", "/deliveries", {**body, "received_at": "2026-11-20T08:00:00Z", "spools": spools})
    form = {name: value for name, value in example.items() if name != "file"}
    sent = {**form, "dry_run": str(form["dry_run"]).lower(), "file": (io.BytesIO(example["file"].encode()), "r.csv")}
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}"}
    answer = shop.client.post(FORM, data=sent, headers=headers)
    shop.contract.check("POST", FORM, answer)
    assert 200 == answer.status_code, answer.get_data(as_text=True)
