"""A helper for every kind of error response, and one for requests that no client library sends."""

from __future__ import annotations

import re
from typing import Any

from werkzeug.test import TestResponse

from tests.shop import Shop

MEMBERS = {"type", "title", "status", "detail", "errors"}


def send(
    shop: Shop,
    method: str,
    path: str,
    data: bytes | str | None = None,
    content_type: str | None = "application/json",
    role: str = "admin",
    **headers: str,
) -> TestResponse:
    """One request with exactly these bytes as its body; header names are written with underscores."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    if role != "nobody":
        named.setdefault("Authorization", f"Bearer {shop.tokens[role]}")
    return shop.client.open(path, method=method, data=data, content_type=content_type, headers=named)


def admin(shop: Shop) -> dict[str, str]:
    """The header of an administrator."""
    return {"Authorization": f"Bearer {shop.tokens['admin']}"}


def refused(answer: TestResponse, status: int, slug: str = "", pointers: list[str] | None = None) -> dict[str, Any]:
    """Returns the problem document of an error after checking its shape, status, slug and pointers."""
    text = answer.get_data(as_text=True)
    assert status == answer.status_code, text[:500]
    assert "application/problem+json" == answer.mimetype
    body = answer.get_json()
    assert set() == MEMBERS - set(body)
    assert re.fullmatch(r"/problems/[a-z]+(-[a-z]+)*", body["type"])
    assert status == body["status"]
    assert body["title"].strip()
    assert body["detail"].strip()
    for error in body["errors"]:
        assert set() == {"pointer", "detail"} - set(error)
        assert error["detail"].strip()
        assert error.get("hint", "-").strip()
        assert re.fullmatch(r"|(/[^/]+)+|[\w-]+", error["pointer"], re.DOTALL), error["pointer"]
    if status == 422:
        assert body["errors"], "a 422 says what to put right"
    if slug:
        assert f"/problems/{slug}" == body["type"]
    if pointers is not None:
        assert sorted(pointers) == sorted(error["pointer"] for error in body["errors"])
    return body


def hints(body: dict[str, Any]) -> str:
    """Every hint of a problem document, one after the other."""
    return " ".join(error.get("hint", "") for error in body["errors"])
