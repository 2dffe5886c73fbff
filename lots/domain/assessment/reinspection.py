"""Re-inspection of a lot at the end of its shelf life: characteristics to measure again, and the new use-by date."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from lots.domain.assessment.assessment import Assessment
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import said


def measurable(limits: Limits | None) -> tuple[str, ...]:
    """Returns the characteristics that the limits require for some use, which a re-inspection can name."""
    return () if limits is None else tuple(name for name in limits.blocks if limits.used_by(name))


def latest_use_by(now: datetime, shelf_life_days: int) -> datetime:
    """Returns the latest date that a re-inspection can set: one more shelf life.

    Args:
        now: the moment of the re-inspection.
        shelf_life_days: the shelf life of the grade, d, > 0.

    Reference:
        Common practice, no source.
    """
    return now + timedelta(days=shelf_life_days)


def still_to_do(since: Assessment, name: str) -> tuple[str, ...]:
    """Returns the next actions for a re-inspection, in words; empty when the characteristic passes by its new readings alone.

    Older readings do not count, since they describe the material before it aged.

    Args:
        since: the assessment from readings taken and stored after the re-inspection was recorded.
        name: a characteristic of the re-inspection.
    """
    if since.passed(name):
        return ()
    about = [f for f in since.findings if f.characteristic == name and f.verdict != "pass"]
    asked = [part for f in about if f.to_measure for part in f.to_measure.split("; ")]
    return tuple(f"for the re-inspection: {part}" for part in dict.fromkeys(asked or [f"measure {said(name)} again"]))


def reinspected_until(inspections: Iterable[tuple[datetime, bool]]) -> datetime | None:
    """Returns the use-by date from re-inspections, None without a complete one.

    The newest complete re-inspection counts. A newer one that is not complete may only shorten it.

    Args:
        inspections: (use-by date, complete) in the order they were recorded.
    """
    until: datetime | None = None
    for use_by, complete in inspections:
        if complete:
            until = use_by
        elif until is not None:
            until = min(until, use_by)
    return until
