"""Every kind of error of a body or a path, through one helper."""

import json

import pytest

from tests.api.bodies import CASES, Furnished
from tests.api.refusals import hints, refused, send
from tests.shop import MEASURED
from tests.store.rows import counts


@pytest.fixture
def engine():
    """SQLite alone: these requests never reach the database."""
    return "sqlite"


UNREADABLE = {
    "empty": b"",
    "blank": b"  \n ",
    "cut short": b'{"code": "A"',
    "no JSON": b"code=A",
    "two values": b"{} {}",
    "trailing comma": b'{"code": "A",}',
    "single quotes": b"{'code': 'A'}",
    "duplicate names": b'{"code": "A", "code": "B", "name": "N"}',
    "duplicate names within": b'{"code": "A", "name": {"x": 1, "x": 2}}',
    "NaN": b'{"code": NaN, "name": "N"}',
    "Infinity": b'{"code": Infinity, "name": "N"}',
    "-Infinity": b'{"code": -Infinity, "name": "N"}',
    "1e999": b'{"code": 1e999, "name": "N"}',
    "tower of lists": b"[" * 100_000,
    "closed tower": b"[" * 100_000 + b"]" * 100_000,
    "tower of objects": b'{"a":' * 100_000,
    "tower behind a string": b'["\\"[", ' + b"[" * 100_000,
    "not UTF-8": b'{"code": "\xff\xfe", "name": "N"}',
    "UTF-16": '{"code": "A", "name": "N"}'.encode("utf-16"),
    "UTF-8 surrogate": b'{"code": "\xed\xa0\x80", "name": "N"}',
    "byte order mark": b'\xef\xbb\xbf{"code": "A", "name": "N"}',
    "NUL outside": b'{"code": "A", "name": "N"}\x00',
    "bare control character": b'{"code": "A\x01", "name": "N"}',
    "5000 digits": b'{"code": ' + b"9" * 5000 + b', "name": "N"}',
}


@pytest.mark.parametrize("body", UNREADABLE.values(), ids=UNREADABLE)
def test_a_body_that_is_not_json_is_refused_with_400(shop, body):
    """Unreadable bodies and JSON extensions are refused with 400 in words, and nothing is stored."""
    before = counts()
    refused(send(shop, "POST", "/v1/suppliers", body), 400, "malformed", [])
    assert before == counts()


@pytest.mark.parametrize("kind", [None, "text/plain", "application/x-www-form-urlencoded", "text/json", "x", "json"])
def test_another_content_type_is_refused_with_415(shop, kind):
    """A body without a JSON content type is refused with 415 and the right type."""
    answer = send(shop, "POST", "/v1/suppliers", b'{"code": "A", "name": "N"}', content_type=kind)
    assert "Content-Type: application/json" in refused(answer, 415, "wrong-type", [])["detail"]


@pytest.mark.parametrize(
    "kind", ["application/json; charset=utf-8", "APPLICATION/JSON", "application/merge-patch+json"]
)
def test_json_by_another_name_is_json(shop, kind):
    """A parameter, capitals or a suffix of the content type are still JSON."""
    assert 201 == send(shop, "POST", "/v1/suppliers", b'{"code": "A", "name": "N"}', content_type=kind).status_code


def test_a_huge_body_is_refused_with_413(shop):
    """A body over the size limit is refused with 413 and the limit before it is read."""
    body = b'{"code": "A", "name": "' + b"N" * 4_194_304 + b'"}'
    assert "4,194,304" in refused(send(shop, "POST", "/v1/suppliers", body), 413, "too-large", [])["detail"]
    keyed = send(shop, "POST", "/v1/suppliers", body, Idempotency_Key="k")
    refused(keyed, 413, "too-large", [])
    assert [] == shop.get("purchasing", "/suppliers")["items"]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE"])
@pytest.mark.parametrize("path", ["/v1/lots", "/v1/lots/1", "/v1/loads", "/healthz", "/docs"])
def test_a_wrong_method_is_refused_with_405_and_what_is_allowed(shop, method, path):
    """A wrong method is refused with 405, and the Allow header lists the valid ones."""
    answer = send(shop, method, path, b"")
    refused(answer, 405, "wrong-method", [])
    assert "GET" in answer.headers["Allow"]


@pytest.mark.parametrize(
    "path", ["/v1", "/v1/", "/v1/lot", "/v1/lots/", "/v2/lots", "/x", "/v1/lots/-1", "/v1/lots/1.5"]
)
def test_an_unknown_path_is_404(shop, path):
    """An unknown path is a 404 problem document, with or without a token."""
    refused(send(shop, "GET", path), 404, "not-found", [])
    refused(send(shop, "GET", path, role="nobody"), 404, "not-found", [])


@pytest.mark.parametrize(
    ("path", "wrong", "meant"),
    [
        ("/v1/suppliers", {"nmae": "N"}, "name"),
        ("/v1/deliveries", {"suplier_id": 1}, "supplier_id"),
        ("/v1/diameter-readings", {"d1_m": 1.75}, "d1_mm"),
        ("/v1/color-readings", {"Lab": [95, 0, 0]}, "lab"),
        ("/v1/color-differences", {"pair": []}, "pairs"),
    ],
)
def test_a_near_miss_of_a_name_is_answered_with_the_name(shop, path, wrong, meant):
    """An unknown field similar to a known one is refused with the suggestion."""
    at = Furnished(shop)
    said = refused(send(shop, "POST", path, json.dumps({**CASES[path][2](at), **wrong})), 422, "invalid")
    assert f"/{next(iter(wrong))}" in [error["pointer"] for error in said["errors"]]
    assert "Did you mean" in hints(said)
    assert meant in hints(said)


def test_a_near_miss_within_an_object_is_pointed_at_there(shop):
    """Unknown fields of nested objects and of objects in lists are reported at their place."""
    at = Furnished(shop)
    body = CASES["/v1/color-readings"][2](at)
    body["conditions"] = {**body["conditions"], "iluminant": "D65"}
    said = refused(
        send(shop, "POST", "/v1/color-readings", json.dumps(body)), 422, "invalid", ["/conditions/iluminant"]
    )
    assert "Did you mean illuminant?" == hints(said)
    delivery = {**CASES["/v1/deliveries"][2](at), "spools": [{"net_mass_g": 1000}, {"net_mas_g": 1000}]}
    said = refused(send(shop, "POST", "/v1/deliveries", json.dumps(delivery)), 422, "invalid", ["/spools/1/net_mas_g"])
    assert "Did you mean net_mass_g?" == hints(said)


@pytest.mark.parametrize("body", ["null", "1", '"x"', "true", "[]", "[[]]", "[null]", "[1, {}]"])
@pytest.mark.parametrize("path", ["/v1/suppliers", "/v1/diameter-readings", "/v1/color-differences"])
def test_a_body_that_is_no_object_is_refused(shop, path, body):
    """JSON of another type than the path takes is refused."""
    refused(send(shop, "POST", path, body), 422, "invalid")


def test_every_fault_of_a_list_is_reported_at_once(shop):
    """A list with several errors reports all with their index, and nothing is stored."""
    at = Furnished(shop)
    before = counts()
    good = {"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED}
    wrong_types = [good, {**good, "d1_mm": "1,75", "d2_mm": None}, good, {**good, "spool": 1}, {}, 7]
    answer = send(shop, "POST", "/v1/diameter-readings", json.dumps(wrong_types))
    expected = ["/1/d1_mm", "/1/d2_mm", "/3/spool", "/4/d1_mm", "/4/d2_mm", "/4/spool_code", "/5"]
    refused(answer, 422, "invalid", expected)
    no_sense = [
        good,
        {**good, "d1_mm": 0.0689},
        {**good, "spool_code": "nope"},
        {**good, "d2_mm": 1750, "d1_mm": 17.5, "measured_at": "2199-01-01T00:00:00Z"},
        {**good, "instrument_id": 99},
    ]
    answer = send(shop, "POST", "/v1/diameter-readings", json.dumps(no_sense))
    expected = ["/1/d1_mm", "/2/spool_code", "/3/d1_mm", "/3/d2_mm", "/3/measured_at", "/4/instrument_id"]
    refused(answer, 422, "invalid", expected)
    assert before == counts()


def test_a_list_that_is_too_long_is_refused(shop):
    """A list of more than 5000 readings is refused as a whole."""
    at = Furnished(shop)
    good = {"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75}
    refused(send(shop, "POST", "/v1/diameter-readings", json.dumps([good] * 5001)), 422, "invalid", [""])


def test_an_error_that_nobody_foresaw_is_a_problem_document_too(shop, monkeypatch):
    """An unexpected exception is a 500 problem document without internals."""
    from lots.services.setup import catalog

    def broken(*_):
        raise RuntimeError("secret inside")

    monkeypatch.setattr(catalog, "listed", broken)
    answer = send(shop, "GET", "/v1/suppliers")
    refused(answer, 500, "broken", [])
    assert "secret" not in answer.get_data(as_text=True)
