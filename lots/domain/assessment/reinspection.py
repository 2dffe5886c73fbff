"""The re-inspection of a lot at the end of its shelf life: what must be measured again, and until when the lot may then be used."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from lots.domain.assessment.assessment import Assessment
from lots.domain.assessment.limits_revision import Limits


def measurable(limits: Limits | None) -> tuple[str, ...]:
    """Returns the characteristics that a re-inspection can name: those that the limits require for some use."""
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
    """Returns what is still to be done for a re-inspection, in words; empty when the characteristic passes by its new readings alone.

    Older readings do not count: they describe the material before it aged.

    Args:
        since: the assessment by the readings taken and stored after the re-inspection was recorded.
        name: one of the characteristics that it names.
    """
    if since.passed(name):
        return ()
    about = [f for f in since.findings if f.characteristic == name and f.verdict != "pass"]
    asked = [part for f in about if f.to_measure for part in f.to_measure.split("; ")]
    return tuple(
        f"for the re-inspection: {part}" for part in dict.fromkeys(asked or [f"{name} readings that pass their limits"])
    )


def reinspected_until(inspections: Iterable[tuple[datetime, bool]]) -> datetime | None:
    """Returns until when re-inspections extend the shelf life of a lot, None without a complete one.

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
