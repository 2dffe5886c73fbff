"""A receiver of webhooks, a shop that may send to it, and what sends."""

import pytest

from lots.services.documents import webhook_requests
from lots.services.documents.webhook_sending import Sender
from tests.receiver import HERE, Receiver


@pytest.fixture
def receiver():
    """A receiver that takes everything until it is told otherwise."""
    one = Receiver()
    yield one
    one.stop()


@pytest.fixture
def near(shop):
    """A shop that may send to this machine."""
    shop.app.extensions["webhook_networks"] = HERE
    yield shop
    shop.app.extensions["webhook_networks"] = ()


@pytest.fixture
def sender():
    """What sends in this process."""
    one = Sender(HERE)
    yield one
    one.stop()


@pytest.fixture
def soon(monkeypatch):
    """Attempts end after half a second."""
    monkeypatch.setattr(webhook_requests, "DEADLINE_S", 0.5)
