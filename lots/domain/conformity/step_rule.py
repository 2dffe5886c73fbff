"""A step from the last accepted lot: it passes, or it holds the lot for quality's decision. It never refuses a lot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from lots.domain.conformity.findings import Finding, decimals_of, shown
from lots.domain.conformity.guard import NOTHING
from lots.domain.conformity.judgement import UNCERTAINTY_NEEDED
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule

DECISION = "quality's decision on the step: accept the step or block the lot"


@dataclass(frozen=True, slots=True)
class StepRule:
    """How steps from the last accepted lot are judged.

    Args:
        refuses: True under version 1 of the rules, where a step beyond its limit refuses the lot.
        accepted: code of the finding -> the largest step that quality accepted from the same lot, in the finding's unit.
    """

    refuses: bool = False
    accepted: Mapping[str, float] = field(default_factory=dict)

    def judged(self, found: Finding, rule: DecisionRule, now: float, before: float, target: str) -> Finding:
        """Returns the finding on a step: `pass`, `near` until quality decides, or `missing` while evidence is lacking.

        A step that is beyond its limit, or inside it by less than the guard band, passes in two cases: the lot lies no further from the
        target than its predecessor, or quality accepted a step as large as this one. Else the lot is held.

        Args:
            found: the step against its limit, as any other value.
            rule: simple or guarded acceptance. A guarded step of unknown uncertainty is `missing`, whichever way it goes.
            now: distance of the lot from the target, >= 0, as measured.
            before: distance of its predecessor from the same target, in the same unit.
            target: what both are measured from, in words.

        Notes:
            The limits on the lot itself say whether it conforms, with their guard bands. A step says only that it differs from another lot,
            so the two distances are compared as measured and nothing can be claimed of a supplier.

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
                f"This lot is no further from {target} ({shown(now, digits)}{unit}) than the last accepted lot "
                f"({shown(before, digits)}{unit})."
            )
        accepted = self.accepted.get(found.code)
        if accepted is not None and found.value is not None and found.value <= accepted + BINARY_NOISE:
            return f"Quality accepted a step of {shown(accepted, digits)}{unit}."
        return ""


# The rule where quality accepted no step yet.
NONE_ACCEPTED = StepRule()
