"""Every kind of error in the query of a list."""

import base64

import pytest

from tests.api.refusals import admin, hints, refused, send

LISTS = (
    "/v1/suppliers",
    "/v1/shades",
    "/v1/grades",
    "/v1/instruments",
    "/v1/deliveries",
    "/v1/lots",
    "/v1/lots/uses",
    "/v1/imports",
    "/v1/baselines",
    "/v1/containments",
    "/v1/corrective-actions",
    "/v1/letters",
    "/v1/loads",
    "/v1/jobs",
    "/v1/build-doubts",
    "/v1/test-prints",
    "/v1/machines",
    "/v1/load-refusals",
    "/v1/events",
    "/v1/voids",
    "/v1/webhooks",
    "/v1/people",
)


@pytest.fixture
def engine():
    """SQLite alone: these queries never reach the database."""
    return "sqlite"


def encoded(text):
    """A cursor from elsewhere."""
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


GARBAGE = {
    "word": "x",
    "not base64": "!!!",
    "emoji": "\U0001f600",
    "not UTF-8 inside": base64.urlsafe_b64encode(b"\xff\xfe").decode(),
    "other word": encoded("before:1"),
    "no number": encoded("after:x"),
    "negative": encoded("after:-1"),
    "too large": encoded(f"after:{2**63}"),
    "4000 digits": encoded("after:" + "9" * 100),
    "leading zero": encoded("after:01"),
    "blank within": encoded("after: 1"),
    "underscore": encoded("after:1_0"),
    "other digits": encoded("after:\u0661"),
    "SQL": "1; DROP TABLE lot",
    "padded": encoded("after:1") + "=",
}


def test_every_list_is_tried(app):
    """Every list of the document has a row here."""
    document = app.test_client().get("/v1/openapi.json").get_json()
    lists = {
        path
        for path, item in document["paths"].items()
        if "{" not in path and any(p.get("name") == "cursor" for p in item.get("get", {}).get("parameters", []))
    }
    assert set(LISTS) == lists


# Lists that begin with the newest, whose cursors have the other word.
NEWEST_FIRST = ("/v1/letters",)


@pytest.mark.parametrize("cursor", GARBAGE.values(), ids=GARBAGE)
def test_a_cursor_that_no_list_gave_out_is_refused(shop, cursor):
    """A list refuses a foreign cursor and refers to `next`."""
    for path in LISTS:
        sent = encoded("after:1") if path in NEWEST_FIRST and cursor == GARBAGE["other word"] else cursor
        answer = shop.client.get(path, query_string={"cursor": sent}, headers=admin(shop))
        assert "Use `next`" in hints(refused(answer, 422, "invalid", ["cursor"]))


@pytest.mark.parametrize("cursor", ["", " ", "x" * 201, "a\u0000b"])
def test_a_cursor_that_is_no_text_is_refused(shop, cursor):
    """A blank cursor, a long one, or one with a control character is refused."""
    answer = shop.client.get("/v1/lots", query_string={"cursor": cursor}, headers=admin(shop))
    refused(answer, 422, "invalid", ["cursor"])


@pytest.mark.parametrize(
    "limit", ["0", "501", "abc", "", "-1", "1.0", "1e2", " 5", "٥", str(2**63), "9" * 400, "NaN", "0x10"]
)
def test_a_limit_out_of_range_is_refused(shop, limit):
    """A limit outside 1 to 500, or not in plain digits, is refused."""
    for path in LISTS:
        answer = shop.client.get(path, query_string={"limit": limit}, headers=admin(shop))
        refused(answer, 422, "invalid", ["limit"])


@pytest.mark.parametrize("limit", ["1", "500", "007"])
def test_a_limit_in_range_is_taken(shop, limit):
    """Both ends of the range are accepted."""
    for path in LISTS:
        assert 200 == send(shop, "GET", f"{path}?limit={limit}").status_code


@pytest.mark.parametrize("path", LISTS)
def test_an_unknown_parameter_is_refused_with_a_near_name(shop, path):
    """An unknown parameter is refused with a similar name, because a mistyped filter would return everything."""
    said = refused(send(shop, "GET", f"{path}?limt=5"), 422, "invalid", ["limt"])
    assert ("Did you mean limit?", "Unknown parameter.") == (hints(said), said["errors"][0]["detail"])
    assert "limit" in hints(refused(send(shop, "GET", f"{path}?zzz=5"), 422, "invalid", ["zzz"]))


def test_a_parameter_given_twice_is_refused(shop):
    """A repeated parameter is refused, because one would be ignored."""
    for path in LISTS:
        said = refused(send(shop, "GET", f"{path}?limit=5&limit=6"), 422, "invalid", ["limit"])
        assert "twice" in said["detail"]
    query = "standing=blocked&standing=released&limit=1&limit=1"
    refused(send(shop, "GET", f"/v1/lots?{query}"), 422, "invalid", ["limit", "standing"])


def test_several_wrong_parameters_are_reported_at_once(shop):
    """All errors of a query are in one answer."""
    query = "limit=0&standing=good&supplier_id=x&received_from=yesterday&colour=red"
    expected = ["limit", "standing", "supplier_id", "received_from", "colour"]
    refused(send(shop, "GET", f"/v1/lots?{query}"), 422, "invalid", expected)
