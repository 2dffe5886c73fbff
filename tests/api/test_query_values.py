"""Query values that could reach the database, on both engines."""

from tests.api.refusals import admin, refused, send

BY_NUMBER = (("/v1/deliveries", "lot_id"), ("/v1/lots", "supplier_id"), ("/v1/lots", "grade_id"))


def test_a_number_that_cannot_be_one_is_refused_in_a_query(shop):
    """A filter by an impossible number is refused."""
    for number in ("0", "abc", "-1", str(2**63), str(10**30), "9" * 400, "1.5", ""):
        for path, name in BY_NUMBER:
            refused(send(shop, "GET", f"{path}?{name}={number}"), 422, "invalid", [name])


def test_a_number_that_nobody_was_given_finds_nothing(shop):
    """A filter by an unused number gives an empty list."""
    for path, name in BY_NUMBER:
        answer = send(shop, "GET", f"{path}?{name}={2**63 - 1}")
        assert {"items": [], "next": None} == answer.get_json()


def test_text_with_control_characters_is_refused_in_a_query(shop):
    """Text with NUL or another control character is refused."""
    for query in ("standing=blocked\u0000", "supplier_lot=a%00b", "supplier_lot=%07", "standing=%ed%a0%80"):
        refused(send(shop, "GET", f"/v1/lots?{query}"), 422, "invalid", [query.partition("=")[0]])


def test_a_query_that_is_not_utf_8_is_refused(shop):
    """A query in another encoding is refused as unreadable, on a list and on a repeatable POST."""
    raw = {"QUERY_STRING": "cursor=\xff"}
    refused(shop.client.get("/v1/lots", headers=admin(shop), environ_overrides=raw), 400, "malformed", [])
    keyed = {**admin(shop), "Idempotency-Key": "k"}
    body = {"code": "A", "name": "N"}
    refused(shop.client.post("/v1/suppliers", json=body, headers=keyed, environ_overrides=raw), 400, "malformed", [])


WRONG = (
    ("/v1/spools/S/clearance", "use"),
    ("/v1/spools/S/clearance?use=decorative", "use"),
    ("/v1/spools/S/clearance?use=fit&job=", "job"),
    ("/v1/lots/1/readings?kind=weight", "kind"),
    ("/v1/lots/1/assessment?as_of=now", "as_of"),
    ("/v1/lots/1/assessment?limits_revision=0", "limits_revision"),
    ("/v1/lots/1/assessment?shade_revision=99999999999", "shade_revision"),
    ("/v1/loads?open=yes", "open"),
    ("/v1/loads?open=True", "open"),
)


def test_a_wrong_value_of_a_query_is_pointed_at(shop):
    """Query values are checked as strictly as a body."""
    for path, pointer in WRONG:
        refused(send(shop, "GET", path), 422, "invalid", [pointer])
