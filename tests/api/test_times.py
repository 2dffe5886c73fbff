"""Times in queries and bodies: RFC 3339 with an offset alone."""

import pytest

from tests.api.refusals import admin, hints, refused, send


@pytest.fixture
def engine():
    """SQLite alone: invalid times never reach the database; tests/store covers stored times on both engines."""
    return "sqlite"


WRONG_TIMES = {
    "naive": "2026-11-20T10:00:00",
    "date only": "2026-11-20",
    "week date": "2026-W47-5T10:00:00Z",
    "ordinal date": "2026-324T10:00:00Z",
    "compact": "20261120T100000Z",
    "24:00": "2026-11-20T24:00:00Z",
    "leap second": "2026-11-20T23:59:60Z",
    "30 February": "2026-02-30T10:00:00Z",
    "month 13": "2026-13-01T10:00:00Z",
    "minute 60": "2026-11-20T10:60:00Z",
    "year 1": "0001-01-01T00:00:00Z",
    "year 1 east": "0001-01-01T00:00:00+14:00",
    "year 9999": "9999-12-31T23:59:59Z",
    "year 9999 west": "9999-12-31T23:59:59-14:00",
    "year 10000": "10000-01-01T00:00:00Z",
    "offset 99:99": "2026-11-20T10:00:00+99:99",
    "offset without colon": "2026-11-20T10:00:00+0100",
    "words": "yesterday",
    "Unix time": "1763632800",
    "other digits": "\u0662026-11-20T10:00:00Z",
    "ten decimals": "2026-11-20T10:00:00.1234567890Z",
    "decimal comma": "2026-11-20T10:00:00,5Z",
}


@pytest.mark.parametrize("text", WRONG_TIMES.values(), ids=WRONG_TIMES)
def test_a_time_that_is_not_one_is_refused(shop, text):
    """A time that is not RFC 3339 with an offset is refused, in a query or a body."""
    answer = shop.client.get("/v1/lots", query_string={"received_from": text}, headers=admin(shop))
    assert "2026-11-25T13:00:00Z" in hints(refused(answer, 422, "invalid", ["received_from"]))
    reading = {"spool_code": "S", "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": text}
    answer = shop.client.post("/v1/diameter-readings", json=reading, headers=admin(shop))
    refused(answer, 422, "invalid", ["/measured_at"])


@pytest.mark.parametrize("value", [None, 0, 1763632800, True, [], {}])
def test_a_time_in_a_body_is_text(shop, value):
    """A number or null as a time is refused."""
    reading = {"spool_code": "S", "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": value}
    answer = shop.client.post("/v1/diameter-readings", json=reading, headers=admin(shop))
    refused(answer, 422, "invalid", ["/measured_at"])


RIGHT_TIMES = {
    "2026-11-20T10:00:00Z": "2026-11-20T10:00:00Z",
    "2026-11-20t10:00:00z": "2026-11-20T10:00:00Z",
    "2026-11-20T10:00:00+13:45": "2026-11-19T20:15:00Z",
    "2026-11-20T10:00:00-00:00": "2026-11-20T10:00:00Z",
    "2026-11-20T10:00:00.5Z": "2026-11-20T10:00:00.500000Z",
    "2026-11-20T10:00:00.123456789Z": "2026-11-20T10:00:00.123456Z",
}


@pytest.mark.parametrize(("text", "answered"), RIGHT_TIMES.items(), ids=RIGHT_TIMES)
def test_a_time_is_answered_in_utc(shop, text, answered):
    """A time with any offset is answered in UTC."""
    delivery = shop.receive(shop.supplier(), shop.grade(), received_at=text)
    assert answered == delivery["received_at"]
    assert answered == delivery["lot"]["received_at"]


def test_a_plus_in_a_query_is_explained(shop):
    """An unencoded + in a query is refused with the right form."""
    said = refused(send(shop, "GET", "/v1/lots?received_from=2026-11-20T10:00:00+01:00"), 422, "invalid")
    assert "%2B" in hints(said)
    assert 200 == send(shop, "GET", "/v1/lots?received_from=2026-11-20T10:00:00%2B01:00").status_code
