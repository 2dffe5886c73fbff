"""A shop and its clerk at a browser. Pages see only what the API answers, on whichever engine."""

from __future__ import annotations

import pytest

from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS


@pytest.fixture
def engine():
    """A shop on SQLite only: pages read the API's answers, which are tested on both engines."""
    return "sqlite"


@pytest.fixture
def desk(shop):
    """A shop with two suppliers and a grade whose lots need one diameter and one colour on one spool."""
    shop.quillwort, shop.ninebark = shop.supplier("QWT"), shop.supplier("NBK")
    shop.white = shop.grade(limits=SIMPLE_LIMITS)
    shop.micrometer = shop.post(
        "quality",
        "/instruments",
        {"code": "MIC-1", "kind": "micrometer", "standard_uncertainty": 0.002, "check_interval_days": 30},
    )
    return shop


@pytest.fixture
def clerk(desk):
    """The receiving clerk at a browser."""
    return Browser(desk, "receiving")
