"""Every promised error rate is kept, within the noise of its simulation."""

from __future__ import annotations

import pytest

from tests.promises.__main__ import every_promise
from tests.promises.promise import Promise

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    "promise", [pytest.param(one, id=f"{subject}: {one.what}") for subject, _, one in every_promise()]
)
def test_promise_is_kept(promise: Promise) -> None:
    """A simulated rate agrees with the promise."""
    rate = promise.measure()
    assert promise.kept_by(rate), f"promised {promise.promised}, seen {rate}"
