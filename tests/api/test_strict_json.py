from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.api.http.strict_json import depth


def read_slowly(text):
    """The deepest nesting, counted character by character."""
    deepest = now = place = 0
    inside = False
    while place < len(text):
        sign = text[place]
        if inside:
            place += sign == "\\"
            inside = sign != '"'
        elif sign == '"':
            inside = True
        else:
            now += (sign in "[{") - (sign in "]}")
            deepest = max(deepest, now)
        place += 1
    return deepest


@given(st.text('"\\[]{}a,\n', max_size=40))
def test_depth_is_what_a_reader_counts(text):
    """Depth is that of a simple count, for any quotes, backslashes and brackets, terminated or not."""
    assert read_slowly(text) == depth(text.encode())


def test_an_unended_string_of_escaped_quotes_is_answered(shop):
    """A 4 MB body of escaped quotes without an end is refused quickly."""
    body = b'"' + b'\\"' * 2_000_000
    for tail in (b"", b"\\"):
        headers = {"Authorization": f"Bearer {shop.tokens['receiving']}", "Content-Type": "application/json"}
        answer = shop.client.post("/v1/diameter-readings", data=body + tail, headers=headers)
        assert 400 == answer.status_code
        assert "not JSON" in answer.get_json()["detail"]


def test_an_answer_has_moments_in_utc_and_else_only_what_json_has(app):
    """A time is written in RFC 3339, and a value without a JSON form raises an error."""
    at = datetime(2026, 11, 25, 14, 30, tzinfo=timezone(timedelta(hours=1)))
    assert {"at": "2026-11-25T13:30:00Z"} == app.json.loads(app.json.dumps({"at": at}))
    assert "2026-11-25T13:30:00.250000Z" in app.json.dumps([at.astimezone(UTC) + timedelta(milliseconds=250)])
    for value in (Decimal(1), {1}, b"", object()):
        with pytest.raises(TypeError):
            app.json.dumps({"value": value})
