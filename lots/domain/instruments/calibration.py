"""Validity of a reading by the calibration of its instrument at the time of the reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.domain.conformity.rule_versions import SECOND
from lots.domain.words import moment


@dataclass(frozen=True, slots=True)
class Check:
    """One check of an instrument against a known artefact (a tile, a gauge pin): its time, and whether it passed."""

    checked_at: datetime
    passed: bool


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """Calibration record of an instrument.

    Args:
        code: its name for people.
        registered_at: registration as fit for use; its first interval starts here.
        interval_days: validity of a passed check in days, > 0.
        checks: in any order.
    """

    code: str
    registered_at: datetime
    interval_days: int
    checks: Sequence[Check] = ()

    @property
    def due_at(self) -> datetime:
        """When the next check is due: at the end of the last passed check's validity, or at the last check where that failed."""
        last = max(self.checks, key=lambda c: (c.checked_at, not c.passed), default=None)
        if last is not None and not last.passed:
            return last.checked_at
        return (last.checked_at if last else self.registered_at) + timedelta(days=self.interval_days)

    @property
    def counts_until(self) -> datetime | None:
        """End of validity of an instrument that was never checked, None for one with a check."""
        return None if self.checks else self.registered_at + timedelta(days=self.interval_days)


def doubt_about(measured_at: datetime, instrument: InstrumentRecord, rules: int = SECOND) -> str | None:
    """Returns the reason why a reading is suspect, or None when its instrument had a valid calibration.

    A reading is suspect when the check before it failed. It is also suspect when the check after it failed, since the fault may have occurred at any
    time between, or when it was taken after the last passed check had expired. It is kept in any case. A reading before the registration of its
    instrument is valid unless a check says otherwise, because other records may cover that time. From version 3 of the rules they cover one interval
    before the registration, and no more without a check.

    Args:
        measured_at: time of the reading.
        instrument: with the checks known at the time of the assessment.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.

    Notes:
        Of two checks at one time the failed one counts. A passed check does not validate a reading taken without a valid check. A failed check
        makes every reading since the last passed check suspect.

    Reference:
        ISO 10012 and ISO/IEC 17025 require an examination of earlier results when an instrument is found defective (from memory). The time
        from the last passed check to the failed one is common practice, no source. So is the first interval, which extends as far before the
        registration as after it.
    """
    before = [c for c in instrument.checks if c.checked_at <= measured_at]
    after = [c for c in instrument.checks if c.checked_at > measured_at]
    last = max(before, key=lambda c: (c.checked_at, not c.passed), default=None)
    following = min(after, key=lambda c: (c.checked_at, c.passed), default=None)
    if last is not None and not last.passed:
        return f"instrument {instrument.code} failed its check of {moment(last.checked_at)}"
    if following is not None and not following.passed:
        return f"instrument {instrument.code} failed the next check ({moment(following.checked_at)})"
    if (
        last is None
        and rules > SECOND
        and measured_at < instrument.registered_at - timedelta(days=instrument.interval_days)
    ):
        registered = f"it was registered on {instrument.registered_at:%Y-%m-%d}"
        return f"no check of instrument {instrument.code} covers the reading, because {registered}, more than {instrument.interval_days} days later"
    held_from = last.checked_at if last is not None else instrument.registered_at
    if measured_at > held_from + timedelta(days=instrument.interval_days):
        what = "its last check had expired" if last is not None else "it had never been checked"
        return f"instrument {instrument.code} had no valid calibration, because {what} (every {instrument.interval_days} days)"
    return None
