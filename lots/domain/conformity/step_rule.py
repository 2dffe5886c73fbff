"""A step from the last accepted lot. It passes or holds the lot for quality's decision, but never rejects a lot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from lots.domain.conformity.findings import Finding, decimals_of, shown
from lots.domain.conformity.guard import NOTHING
from lots.domain.conformity.judgement import UNCERTAINTY_NEEDED
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule

DECISION = "ask quality to accept the step or block the lot"


def without_decision(to_measure: Sequence[str], held: bool) -> list[str]:
    """Returns the work still to be done, without the decision about a step unless a step holds the lot."""
    return [part for part in to_measure if held or DECISION not in part]


@dataclass(frozen=True, slots=True)
class StepRule:
    """The rule for steps from the last accepted lot.

    Args:
        refuses: True under version 1 of the rules, where a step beyond its limit rejects the lot.
        accepted: code of the finding -> the largest step that quality accepted from the same lot, in the finding's unit.
    """

    refuses: bool = False
    accepted: Mapping[str, float] = field(default_factory=dict)

    def judged(self, found: Finding, rule: DecisionRule, now: float, before: float, target: str) -> Finding:
        """Returns the finding on a step: `pass`, `near` until quality decides, or `missing` while evidence is lacking.

        A step beyond its limit, or inside it by less than the guard band, passes in two cases: the lot is no further from the
        target than its predecessor, or quality accepted a step as large as this one. Otherwise the lot is held.

        Args:
            found: the finding on the step as on any other value.
            rule: simple or guarded acceptance. A guarded step of unknown uncertainty is `missing`.
            now: distance of the lot from the target, >= 0, as measured.
            before: distance of its predecessor from the same target, in the same unit.
            target: the target in words.

        Notes:
            Conformity is decided by the limits on the lot itself. A step only says that the lot differs from another one, so the two
            distances are compared as measured and no claim on a supplier follows.

        Reference:
            This project's rule, no source.
        """
        if self.refuses or found.verdict in ("pass", "missing"):
            return found
        found = replace(found, claimable=None)
        if rule.guarded and found.guard is None:
            return replace(found, verdict="missing", to_measure=UNCERTAINTY_NEEDED)
        if why := self._why_it_passes(found, now, before, target):
            return replace(found, verdict="pass", to_measure="", detail=f"{why} {found.detail}".strip())
        by_more = "" if found.verdict == "fail" or found.to_measure.startswith(NOTHING) else f"{found.to_measure}, or "
        return replace(found, verdict="near", hold=True, to_measure=by_more + DECISION)

    def _why_it_passes(self, found: Finding, now: float, before: float, target: str) -> str:
        digits = decimals_of(found.code)
        unit = f" {found.limit.unit}" if found.limit.unit else ""
        if now <= before + BINARY_NOISE:
            return (
                f"The lot is no further from {target} ({shown(now, digits)}{unit}) than the last accepted lot "
                f"({shown(before, digits)}{unit})."
            )
        accepted = self.accepted.get(found.code)
        if accepted is not None and found.value is not None and found.value <= accepted + BINARY_NOISE:
            return f"Quality accepted a step of {shown(accepted, digits)}{unit}."
        return ""


# The rule before quality has accepted any step.
NONE_ACCEPTED = StepRule()
