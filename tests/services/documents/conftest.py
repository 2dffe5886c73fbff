"""A webhook receiver, a shop with permission to send to it, and the sender."""

import pytest

from lots.services.documents import webhook_requests
from lots.services.documents.webhook_sending import Sender
from tests.receiver import HERE, Receiver


@pytest.fixture
def receiver():
    """A receiver that accepts everything by default."""
    one = Receiver()
    yield one
    one.stop()


@pytest.fixture
def near(shop):
    """A shop with permission to send to this machine."""
    shop.app.extensions["webhook_networks"] = HERE
    yield shop
    shop.app.extensions["webhook_networks"] = ()


@pytest.fixture
def sender():
    """The sender in this process."""
    one = Sender(HERE)
    yield one
    one.stop()


@pytest.fixture
def soon(monkeypatch):
    """Sets attempts to end after half a second."""
    monkeypatch.setattr(webhook_requests, "DEADLINE_S", 0.5)
