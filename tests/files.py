"""Files to import and lists to export, over HTTP."""

from __future__ import annotations

import csv
import io
from typing import Any

from werkzeug.test import TestResponse

from tests.shop import Shop


def send(
    shop: Shop, kind: str, content: str | bytes, role: str = "quality", name: str = "readings.csv", **form: Any
) -> TestResponse:
    """The answer to a file; form fields are as in the form, header names apart."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", **form.pop("headers", {})}
    raw = content.encode() if isinstance(content, str) else content
    data = {"kind": kind, "file": (io.BytesIO(raw), name), **form}
    answer = shop.client.post("/v1/imports", data=data, headers=headers)
    shop.contract.check("POST", "/v1/imports", answer)
    return answer


def take(shop: Shop, kind: str, content: str | bytes, status: int = 201, **more: Any) -> dict[str, Any]:
    """The answer to a file, which must have this status."""
    answer = send(shop, kind, content, **more)
    assert status == answer.status_code, answer.get_data(as_text=True)[:2000]
    return answer.get_json()


def faults(shop: Shop, kind: str, content: str | bytes, **more: Any) -> list[tuple[int | None, str | None, str]]:
    """Row, column and words of every error of a file, which must be refused for them."""
    said = take(shop, kind, content, 422, **more)
    assert "/problems/invalid" == said["type"]
    return [(e.get("row"), e.get("column"), f"{e['detail']} {e.get('hint', '')}".strip()) for e in said["errors"]]


def places(shop: Shop, kind: str, content: str | bytes, **more: Any) -> list[tuple[int | None, str | None]]:
    """Row and column of every error."""
    return [(row, column) for row, column, _ in faults(shop, kind, content, **more)]


def text(header: str, *rows: str, end: str = "\r\n") -> str:
    """A CSV text of lines."""
    return "".join(f"{line}{end}" for line in (header, *rows))


def export(shop: Shop, path: str, role: str = "quality") -> TestResponse:
    """A list as CSV."""
    headers = {"Authorization": f"Bearer {shop.tokens[role]}", "Accept": "text/csv"}
    return shop.client.get(f"/v1{path}", headers=headers)


def rows(answer: TestResponse) -> list[dict[str, str]]:
    """The rows of an exported list by column."""
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True), newline=""), strict=True))
