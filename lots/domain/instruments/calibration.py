"""May a reading be judged by? That depends on its instrument when the reading was taken, not when somebody looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.domain.conformity.rule_versions import SECOND


@dataclass(frozen=True, slots=True)
class Check:
    """One check of an instrument against a known artefact (a tile, a gauge pin): when, and whether it passed."""

    checked_at: datetime
    passed: bool


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """What is known of an instrument.

    Args:
        code: its name for people.
        registered_at: when it was entered as fit for use; its first interval begins here.
        interval_days: days a passed check holds, > 0.
        checks: in any order.
    """

    code: str
    registered_at: datetime
    interval_days: int
    checks: Sequence[Check] = ()

    @property
    def due_at(self) -> datetime:
        """When it is to be checked next: once its last passed check has run out, at the last check where that one failed."""
        last = max(self.checks, key=lambda c: (c.checked_at, not c.passed), default=None)
        if last is not None and not last.passed:
            return last.checked_at
        return (last.checked_at if last else self.registered_at) + timedelta(days=self.interval_days)

    @property
    def counts_until(self) -> datetime | None:
        """When its readings stop to count unless it is checked, None for an instrument that was ever checked: its first interval ends then."""
        return None if self.checks else self.registered_at + timedelta(days=self.interval_days)


def doubt_about(measured_at: datetime, instrument: InstrumentRecord, rules: int = SECOND) -> str | None:
    """Returns why a reading may not be judged by, in words, or None when its instrument was in order.

    A reading is in doubt when the check before it failed; when the check after it failed, since nobody knows when in between the
    instrument went wrong; or when it was taken after the last passed check had run out. It is kept in any case. A reading taken before the
    instrument was registered here is trusted as far as its checks go: other records may cover that time. From version 3 of the rules they cover
    one interval before the registration, and no more without a check.

    Args:
        measured_at: when the reading was taken.
        instrument: with the checks known by the time of judging.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.

    Notes:
        Of two checks at one moment the failed one counts. Recording a passed check cannot excuse a reading taken while none held;
        recording a failed one puts every reading since the last good check in doubt.

    Reference:
        ISO 10012 and ISO/IEC 17025 ask that the validity of earlier results be examined when an instrument is found out of
        order (from memory); the window from the last good check to the failed one is common practice, no source. So is the first
        interval, which begins with the registration and is trusted as far back as it reaches forward.
    """
    before = [c for c in instrument.checks if c.checked_at <= measured_at]
    after = [c for c in instrument.checks if c.checked_at > measured_at]
    last = max(before, key=lambda c: (c.checked_at, not c.passed), default=None)
    following = min(after, key=lambda c: (c.checked_at, c.passed), default=None)
    if last is not None and not last.passed:
        return f"instrument {instrument.code} had failed its check of {last.checked_at:%Y-%m-%d %H:%M}"
    if following is not None and not following.passed:
        return f"instrument {instrument.code} failed its next check, of {following.checked_at:%Y-%m-%d %H:%M}"
    if (
        last is None
        and rules > SECOND
        and measured_at < instrument.registered_at - timedelta(days=instrument.interval_days)
    ):
        registered = f"it was registered on {instrument.registered_at:%Y-%m-%d}"
        return f"no check of instrument {instrument.code} covers the reading: {registered}, more than {instrument.interval_days} days later"
    held_from = last.checked_at if last is not None else instrument.registered_at
    if measured_at > held_from + timedelta(days=instrument.interval_days):
        what = "its last check had run out" if last is not None else "it had never been checked"
        return f"instrument {instrument.code} was out of date: {what} (every {instrument.interval_days} days)"
    return None
