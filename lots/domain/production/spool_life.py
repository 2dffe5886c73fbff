"""How old a spool is, sealed and opened, and what that means for loading it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True, slots=True)
class SpoolLife:
    """The dates of a spool and what its grade allows.

    Args:
        received_at: when its delivery came.
        opened_at: when it was first opened, None while sealed.
        dried_at: when it was last dried, None if never.
        shelf_life_days: days after receipt within which a sealed lot needs no new inspection; None for no limit.
        open_life_days: days after opening, or after the last drying, before it must be dried again; None for no limit.
        reinspected_until: the date that a re-inspection of its lot extends the shelf life to, None without one. The days after opening
            stay as they are: what a spool took up since it was opened, an inspection of its lot does not show.
    """

    received_at: datetime
    opened_at: datetime | None = None
    dried_at: datetime | None = None
    shelf_life_days: int | None = None
    open_life_days: int | None = None
    reinspected_until: datetime | None = None

    @property
    def use_by(self) -> datetime | None:
        """The earlier of the two ends, None where neither applies: whichever rule ends first wins."""
        ends = [end for end in (self._shelf_end, self._open_end) if end is not None]
        return min(ends, default=None)

    @property
    def _shelf_end(self) -> datetime | None:
        if self.shelf_life_days is None:
            return None
        end = self.received_at + timedelta(days=self.shelf_life_days)
        return end if self.reinspected_until is None else max(end, self.reinspected_until)

    def past_shelf_life(self, at: datetime) -> bool:
        """True when the shelf life has ended at a moment, re-inspections included."""
        return self._shelf_end is not None and at > self._shelf_end

    @property
    def _open_end(self) -> datetime | None:
        if self.opened_at is None or self.open_life_days is None:
            return None
        fresh_from = self.opened_at if self.dried_at is None else max(self.opened_at, self.dried_at)
        return fresh_from + timedelta(days=self.open_life_days)

    def against(self, spool: str, at: datetime) -> list[str]:
        """Returns why the spool is too old to load at a moment, and what to do; empty when it is not.

        Reference:
            Common practice, no source: filament takes up water once opened, and ages on the shelf.
        """
        reasons = []
        if self._open_end is not None and at > self._open_end:
            since = "opened" if self.dried_at is None or self.dried_at < (self.opened_at or self.dried_at) else "dried"
            reasons.append(
                f"Spool {spool} was {since} more than {self.open_life_days} days ago: dry it, and say so, before loading it."
            )
        if self.past_shelf_life(at):
            extended = (
                f", extended to {self.reinspected_until:%Y-%m-%d}" if self.reinspected_until == self._shelf_end else ""
            )
            reasons.append(
                f"Spool {spool} is past its shelf life of {self.shelf_life_days} days{extended}. "
                "Ask quality to inspect the lot again."
            )
        return reasons
