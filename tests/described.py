"""A shop with more details than the defaults."""

from __future__ import annotations

from typing import Any

from tests.shop import Shop


def describe(shop: Shop, **changes: Any) -> None:
    """Changes the shop's details: name, addresses, time zone, dates, decimal sign, labels."""
    version = shop.call("admin", "GET", "/shop").headers["ETag"]
    answer = shop.call("admin", "PATCH", "/shop", changes, If_Match=version)
    assert answer.status_code == 200, answer.get_data(as_text=True)
