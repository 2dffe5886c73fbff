"""`lots tidy`, and the server's task."""

from __future__ import annotations

from datetime import timedelta

import pytest

from lots.commands import upkeep
from lots.store.tables.models import RepeatedRequest
from tests.store.rows import connected, counts

FRESH_APP = True


def age(days):
    """Ages every stored answer by so many days."""
    with connected():
        for row in RepeatedRequest.select():
            RepeatedRequest.update(recorded_at=row.recorded_at - timedelta(days=days)).where(
                RepeatedRequest.id == row.id
            ).execute()


def post(shop, code, key):
    """Creates a supplier with a key; returns status and whether it is a repeat."""
    headers = {"Authorization": f"Bearer {shop.tokens['admin']}", "Idempotency-Key": key}
    answer = shop.client.post("/v1/suppliers", json={"code": code, "name": code}, headers=headers)
    return answer.status_code, answer.headers.get("Idempotent-Replayed")


@pytest.mark.parametrize("engine", ["sqlite"])
def test_it_says_how_much_it_removed(shop, capsys):
    """Of three answers two over a week old are deleted, with their number."""
    post(shop, "A", "one")
    post(shop, "B", "two")
    age(8)
    post(shop, "C", "three")
    with connected():
        upkeep.tidy(7)
    assert "Removed 2 stored answers and 0 sessions older than 7 days.\n" == capsys.readouterr().out
    assert 1 == counts()["repeated_request"]


def test_a_repeat_is_known_until_its_answer_is_gone(shop):
    """Within the days a repeat gets the first answer; later the request runs again, and is refused where its result exists."""
    assert (201, None) == post(shop, "A", "one")
    age(6)
    tidy = next(task for task in shop.app.extensions["background"].tasks if task.name == "tidy")
    with connected():
        tidy.run()
    assert (201, "true") == post(shop, "A", "one")
    age(2)
    with connected():
        tidy.run()
    assert (409, None) == post(shop, "A", "one")
    assert 1 == counts()["supplier"]
