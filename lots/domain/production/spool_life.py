"""How old a spool is, sealed and opened, how long it stays dry, and what that means for loading it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.domain.assessment.limits_revision import GENERAL
from lots.domain.production.drying import DryingRule


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


@dataclass(frozen=True, slots=True)
class Dryness:
    """How long ago a spool was known to be dry, and how long that holds.

    Args:
        known_at: the newest of the lot's newest moisture reading, the spool's own dry reading and a drying by the grade's rule; None without any.
        opened_at: when the spool was opened, since when it takes up water faster; None while it is sealed.
        dry_for_h: hours that it holds while sealed, > 0.
        dry_for_open_h: hours that it holds once opened; None for half of `dry_for_h`.
        rule: how the grade is dried.
        uses: that require moisture by the lot's limits.
        dried: True where `known_at` is that of a drying.
    """

    known_at: datetime | None
    opened_at: datetime | None
    dry_for_h: float
    dry_for_open_h: float | None
    rule: DryingRule
    uses: tuple[str, ...]
    dried: bool = False

    def asked_for(self, use: str) -> bool:
        """True where a use requires moisture: by its name, or because the limits name no uses."""
        return use in self.uses or GENERAL in self.uses

    @property
    def open_h(self) -> float:
        """Hours that an opened spool stays dry."""
        return self.dry_for_h / 2 if self.dry_for_open_h is None else self.dry_for_open_h

    def against(self, spool: str, at: datetime) -> list[str]:
        """Returns why a spool may have taken up water again by a moment, and what to do; empty while its measurement holds.

        Reference:
            Common practice, no source: filament takes up water, faster from its opening on. That an opened spool holds half as long is, too.
        """
        do = f"dry it by the grade's rule{self.rule.in_words} or measure again."
        if self.known_at is None:
            return [f"Spool {spool}: nobody knows how dry it is. Measure its moisture, or {do}"]
        age_h = (at - self.known_at).total_seconds() / 3600
        was = "it was dried" if self.dried else "its moisture or that of its lot was measured"
        if age_h > self.dry_for_h:
            return [f"Spool {spool}: {was} {age_h:.0f} h ago, which holds {self.dry_for_h:g} h; {do}"]
        if self.opened_at is None:
            return []
        # Until it was opened it stood sealed.
        open_since = max(self.known_at, self.opened_at)
        open_h = (at - open_since).total_seconds() / 3600
        if open_h <= self.open_h:
            return []
        was = "it was opened" if open_since == self.opened_at else was
        return [f"Spool {spool}: {was} {open_h:.0f} h ago, which holds {self.open_h:g} h once opened; {do}"]
