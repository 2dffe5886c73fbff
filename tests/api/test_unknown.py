"""Unknown numbers, codes and names, on both engines."""

import json

from tests import hostile
from tests.api.bodies import CASES, Furnished
from tests.api.refusals import refused, send
from tests.store.rows import counts


def test_an_unknown_number_in_a_path_is_404(shop):
    """Every path with a number is 404 for an unused one of any length, also with a valid body."""
    at = Furnished(shop)
    for path, item in shop.contract.document["paths"].items():
        if "{number}" not in path:
            continue
        for method in {"get", "post", "patch"} & set(item):
            body = CASES[path][2](at) if path in CASES and CASES[path][0].lower() == method else {}
            before = counts()
            for number in (0, 999_999, 2**63 - 1, 2**63, 10**30, 10**400, "9" * 5000):
                answer = send(shop, method, path.format(number=number), json.dumps(body), If_Match="*")
                assert 404 == answer.status_code, f"{method} {path} {str(number)[:20]}"
                refused(answer, 404, "not-found", [])
            assert before == counts(), f"{method} {path}"


def test_an_unknown_spool_is_404(shop):
    """An unknown spool code is 404 with the advice not to load it."""
    for code in (
        "nope",
        "%00",
        "a%00b",
        "%ff",
        "%ed%a0%80",
        "%F0%9F%98%80",
        "..",
        "x" * 3000,
        "'--",
        "%25",
        "%0a",
        "%7f",
    ):
        for path in (f"/v1/spools/{code}", f"/v1/spools/{code}/clearance?use=cosmetic"):
            answer = send(shop, "GET", path)
            assert 404 == answer.status_code, path[:80]
            assert "do not load it" in refused(answer, 404, "not-found", [])["detail"].lower()


def test_a_text_in_a_path_that_cannot_be_recorded_is_404(shop):
    """A control character in a code or name of a path is 404, also with a valid body."""
    at, tried = Furnished(shop), 0
    for path, item in shop.contract.document["paths"].items():
        if not ("{code}" in path or "{name}" in path):
            continue
        for method in {"get", "post", "patch"} & set(item):
            query = "?use=cosmetic" if path.endswith("/clearance") else ""
            body = CASES[path][2](at) if path in CASES and CASES[path][0].lower() == method else {}
            before = counts()
            for text in ("%00", "A%00", "%0A", "A%0D%0AB", "%1b", "%7F", "%C2%85", "%09", "%ED%A0%80"):
                for keys in ({}, {"Idempotency_Key": f"k{tried}"}):
                    answer = send(shop, method, path.format(code=text, name=text) + query, json.dumps(body), **keys)
                    refused(answer, 404, "not-found", [])
                    tried += 1
            assert before == counts()
    assert tried >= 7 * 9 * 2


def test_a_raw_control_character_in_the_query_of_a_repeatable_post_is_400(shop):
    """A raw control character in the query of a repeatable POST is 400 (RFC 3986), and nothing is stored."""
    sent = {"Authorization": b"Bearer " + shop.tokens["admin"].encode(), "Content-Type": b"application/json"}
    sent["Idempotency-Key"] = b"k"
    before = counts()
    for raw in (b"\x00", b"limit=\x00", b"a=\n", b"\x7f=1", b"\xc2\x85"):
        answer = hostile.send(shop.app, "POST", b"/v1/suppliers", raw, sent, b'{"code": "A", "name": "N"}')
        assert (400, "malformed") == (answer.status_code, answer.get_json()["type"].rpartition("/")[2])
    assert before == counts()


def test_an_unknown_spool_cannot_be_loaded_or_measured(shop):
    """Loading or measuring an unknown spool is refused."""
    before = counts()
    load = json.dumps({"spool_code": "nope", "machine": "P1", "job": "J", "use": "fit"})
    refused(send(shop, "POST", "/v1/loads", load), 404, "not-found", [])
    reading = json.dumps({"spool_code": "nope", "d1_mm": 1.75, "d2_mm": 1.75})
    refused(send(shop, "POST", "/v1/diameter-readings", reading), 422, "invalid", ["/spool_code"])
    assert before == counts()


REFERENCES = (
    ("/v1/deliveries", "supplier_id"),
    ("/v1/deliveries", "grade_id"),
    ("/v1/diameter-readings", "instrument_id"),
    ("/v1/grades", "shade_id"),
    ("/v1/readings/1/void", "replaced_by"),
)


def test_a_number_that_is_nobodys_is_pointed_at_in_a_body(shop):
    """An unknown or impossible number in a body is an error of its field."""
    at = Furnished(shop)
    for path, field in REFERENCES:
        body = CASES[path.replace("/1/", "/{number}/")][2](at)
        before = counts()
        for number in (999, 2**63 - 1, 0, -1, 2**63, 10**30, 10**400, 1.5, "1", True):
            answer = send(shop, "POST", path, json.dumps({**body, field: number}))
            assert 422 == answer.status_code, f"{path} {field} {str(number)[:20]}"
            refused(answer, 422, "invalid", [f"/{field}"])
        assert before == counts()


def test_text_with_what_no_label_holds_is_refused(shop):
    """Control characters, half surrogate pairs and blank text are refused."""
    texts = ("\u0000", "a\u0000b", "a\u0007", "\ud800", "a\udfffb", "\u0085x\u0085y", "", " ", "\u3000")
    for text in texts:
        answer = send(shop, "POST", "/v1/suppliers", json.dumps({"code": text, "name": "N"}))
        assert 422 == answer.status_code, repr(text)
        refused(answer, 422, "invalid", ["/code"])


def test_text_of_any_script_is_kept_as_it_is(shop):
    """Umlauts, other scripts and emoji are returned unchanged, at full length too."""
    for number, name in enumerate(("Zürich", "株式会社", "\U0001f600", "ﷺ" * 200, "x" * 200)):
        made = shop.post("purchasing", "/suppliers", {"code": f"S{number}", "name": f" {name} "})
        assert name == made["name"]
        assert name == shop.get("purchasing", f"/suppliers/{made['id']}")["name"]


def test_an_unknown_field_of_any_name_is_refused(shop):
    """An unknown field is refused, whatever its name."""
    pointers = {
        "\ud800": "/?",
        "a\udfffb": "/a?b",
        "\u0000": "/\u0000",
        "a/b": "/a~1b",
        "a~b": "/a~0b",
        "": "/",
        "é": "/é",
    }
    for name, pointer in pointers.items():
        answer = send(shop, "POST", "/v1/suppliers", json.dumps({"code": "A", "name": "N", name: 1}))
        assert 422 == answer.status_code, repr(name)
        assert [pointer] == [error["pointer"] for error in answer.get_json()["errors"]]
