"""Uses for which a lot was accepted, from its stored original inspection; unknown in older shops, never a pass."""

import json

import pytest

from lots.store.drift.lot_series import _by_use

NOW = json.dumps({"cosmetic": "pass", "fit": "pass"})


def ended(accepted, retested, uses=None):
    """A stored result of an original inspection."""
    kept = {"accepted": accepted, "within_gap": False, "retested": retested}
    return json.dumps(kept if uses is None else {**kept, "uses": uses})


@pytest.mark.parametrize(
    ("inspected", "expected"),
    [
        (None, {}),
        (ended(True, False, {"cosmetic": "fail", "fit": "pass"}), {"cosmetic": False, "fit": True}),
        (ended(True, True, {"cosmetic": "fail", "fit": "pass"}), {"cosmetic": False, "fit": True}),
        (ended(True, False), {"cosmetic": True, "fit": True}),
        (ended(True, True), {}),
        (ended(False, True), {"cosmetic": False, "fit": False}),
    ],
    ids=["open", "kept", "kept, then repeated", "older", "older, then repeated", "older, refused, then repeated"],
)
def test_verdicts_of_the_original_inspection(inspected, expected):
    """Stored verdicts count whatever lots pass now; an older rejected lot failed each use, and one accepted for some is unknown."""
    assert expected == dict(_by_use(inspected, NOW))
