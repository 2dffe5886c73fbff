"""Verdict per use, status and next actions from findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lots.domain.assessment.limits_revision import Limits
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import Verdict


def verdicts(findings: Sequence[Finding], limits: Limits) -> dict[str, Verdict]:
    """Returns use -> verdict, the worst of the findings that the use requires."""
    return {
        use: _use_verdict([f for f in findings if use in f.uses or f.characteristic in needs], use, needs)
        for use, needs in limits.required().items()
    }


def _use_verdict(findings: Sequence[Finding], use: str, needs: Sequence[str]) -> Verdict:
    """Returns the verdict on one use: `fail` before `missing` (or a held failure), `near` and `pass`."""
    judged = {f.characteristic for f in findings}
    deciding = [f for f in findings if use in f.uses]
    if any(f.verdict == "fail" and not f.hold for f in deciding):
        return "fail"
    open_ones = any(f.verdict == "missing" or (f.hold and f.verdict == "fail") for f in deciding)
    if open_ones or not set(needs) <= judged or not needs:
        return "missing"
    return "near" if any(f.verdict == "near" for f in deciding) else "pass"


def standing_of(uses: Mapping[str, Verdict]) -> str:
    """Returns the status of a lot from its verdicts.

    `released` when every use passes, `blocked` when every use fails, `quarantined` while any is open, `restricted` when some pass and
    the rest fail.

    Example:
        >>> standing_of({"cosmetic": "pass", "load_bearing": "fail"})
        'restricted'
    """
    verdicts = set(uses.values())
    if not verdicts or verdicts & {"missing", "near"}:
        return "quarantined"
    if verdicts == {"pass"}:
        return "released"
    return "blocked" if verdicts == {"fail"} else "restricted"


def to_measure(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Returns the next actions for the findings that some use requires, without repeats."""
    return each_once(f.to_measure for f in findings if f.uses and f.verdict != "pass")


def each_once(texts: Iterable[str]) -> tuple[str, ...]:
    """Returns the actions in some texts without repeats, since several findings may wait for the same readings."""
    return tuple(dict.fromkeys(part for text in texts if text for part in text.split("; ")))
