"""For which uses a lot was accepted, from what is kept of its original inspection: of older shops as far as it is known, never as a pass."""

import json

import pytest

from lots.store.drift.lot_series import _by_use

NOW = json.dumps({"cosmetic": "pass", "fit": "pass"})


def ended(accepted, retested, uses=None):
    """How an original inspection ended, as it is kept."""
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
    """What was kept counts, whatever lots pass now; a refused lot of an older shop failed each use; one accepted for some is not known."""
    assert expected == dict(_by_use(inspected, NOW))
