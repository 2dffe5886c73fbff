"""Quality's habits: simple rules that fit on a card.

1. A reading that waits for a confirmation is confirmed. This year has no typing errors.
2. A step from the last accepted lot is accepted where every other finding of its characteristic passes.
3. A lot that is open after its last round is blocked where an open finding other than a step conforms with a probability below one half.
   Otherwise it stays in quarantine. No concession is granted.
4. Two spectrophotometers get an agreement study on a set day.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.year import assumptions as assumed
from tests.year.api import Desk, Setup
from tests.year.bench import written
from tests.year.wanted import STEP, still_open

if TYPE_CHECKING:
    from tests.year.clerk import Case


class Quality:
    """Decides by these habits."""

    def __init__(self, desk: Desk, setup: Setup, seed: int) -> None:
        self.desk, self.setup, self.seed = desk, setup, seed
        self.steps_accepted, self.blocked_by_hand, self.confirmed = 0, 0, 0

    def confirm(self, items: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
        """Confirms readings far from their neighbours; returns the lot after the last of them, if any."""
        after = []
        for item in items:
            if item.get("to_confirm"):
                made = self.desk.post(
                    "quality", f"/readings/{item['id']}/confirm", {"reason": "read again, and it is so"}
                )
                after = [made["lot"]]
                self.confirmed += 1
        return after

    def decide_steps(self, case: Case) -> bool:
        """Accepts a lot's steps where every other finding of theirs passes; returns whether any was accepted."""
        held = [one for one in still_open(case.assessment) if one["hold"] and one["measure"].startswith(STEP)]
        others = [
            one["verdict"]
            for one in case.assessment["findings"]
            if one["characteristic"] in {step["characteristic"] for step in held}
            and not one["measure"].startswith(STEP)
        ]
        if not held or set(others) != {"pass"}:
            return False
        case.uses = self._decide(case, "accept_step", "every other finding passes")
        self.steps_accepted += 1
        return True

    def close(self, case: Case) -> None:
        """Blocks an open lot that is more probably outside than inside a limit."""
        if not {"near", "missing"} & {*case.uses.values()}:
            return
        chances = [one["conformance_probability"] for one in still_open(case.assessment) if not one["hold"]]
        if any(chance is not None and chance < assumed.BLOCK_BELOW_PROBABILITY for chance in chances):
            self._decide(case, "block", "effort is spent, and it is more likely outside than inside")
            self.blocked_by_hand += 1

    def _decide(self, case: Case, action: str, reason: str) -> dict[str, str]:
        made = self.desk.post("quality", f"/lots/{case.number}/decisions", {"action": action, "reason": reason})
        uses: dict[str, str] = made["lot"]["uses"]
        return uses

    def study_agreement(self, moment: datetime) -> None:
        """Reads plaques on both spectrophotometers and records the study."""
        chance = np.random.default_rng((self.seed, 6))
        noise, usual = assumed.NOISE["color"], assumed.READ_WITH["color"]
        plaques = []
        for nth in range(assumed.AGREEMENT_PLAQUES):
            grade = list(assumed.GRADES.values())[nth % len(assumed.GRADES)]
            middle = np.array(grade["lab"]) + chance.normal(0, 0.3, 3)
            reads = [
                [(middle + offset + chance.normal(0, noise["reading"])).round(2).tolist() for _ in range(3)]
                for offset in (np.zeros(3), np.array(assumed.SECOND_OFFSET))
            ]
            plaques.append({"code": f"PLAQUE-{nth + 1}", "first": reads[0], "second": reads[1]})
        other = self.setup.instruments[assumed.SECOND_COLOR]
        body = {"kind": "agreement", "studied_at": written(moment), "other_instrument_id": other, "plaques": plaques}
        self.desk.post("quality", f"/instruments/{self.setup.instruments[usual]}/studies", body)
