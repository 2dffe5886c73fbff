"""Shelf life, open life and dryness of a spool, and their effect on loading."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from lots.domain.assessment.limits_revision import GENERAL
from lots.domain.production.drying import DryingRule


@dataclass(frozen=True, slots=True)
class SpoolLife:
    """The dates of a spool and the limits of its grade.

    Args:
        received_at: receipt of its delivery.
        opened_at: first opening, None while sealed.
        dried_at: last drying, None if never.
        shelf_life_days: days after receipt within which a sealed lot needs no new inspection; None for no limit.
        open_life_days: days after opening, or after the last drying, before it must be dried again; None for no limit.
        reinspected_until: end of the shelf life after a re-inspection of the lot, None without one. The open life does not change, because
            an inspection of the lot does not show the water in an opened spool.
    """

    received_at: datetime
    opened_at: datetime | None = None
    dried_at: datetime | None = None
    shelf_life_days: int | None = None
    open_life_days: int | None = None
    reinspected_until: datetime | None = None

    @property
    def use_by(self) -> datetime | None:
        """The earlier end of shelf life and open life, None where neither applies."""
        ends = [end for end in (self._shelf_end, self._open_end) if end is not None]
        return min(ends, default=None)

    @property
    def _shelf_end(self) -> datetime | None:
        if self.shelf_life_days is None:
            return None
        end = self.received_at + timedelta(days=self.shelf_life_days)
        return end if self.reinspected_until is None else max(end, self.reinspected_until)

    def past_shelf_life(self, at: datetime) -> bool:
        """Returns whether the shelf life has ended, re-inspections included."""
        return self._shelf_end is not None and at > self._shelf_end

    @property
    def _open_end(self) -> datetime | None:
        if self.opened_at is None or self.open_life_days is None:
            return None
        fresh_from = self.opened_at if self.dried_at is None else max(self.opened_at, self.dried_at)
        return fresh_from + timedelta(days=self.open_life_days)

    def against(self, spool: str, at: datetime) -> list[str]:
        """Returns why the spool is too old to load at a time, and what to do; empty when it is not.

        Reference:
            Common practice, no source: filament takes up water once opened, and ages on the shelf.
        """
        reasons = []
        if self._open_end is not None and at > self._open_end:
            since = "opened" if self.dried_at is None or self.dried_at < (self.opened_at or self.dried_at) else "dried"
            reasons.append(
                f"Spool {spool} was {since} more than {self.open_life_days} days ago. Dry it and record the drying before loading."
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
    """Age of the last proof that a spool is dry, and its validity.

    Args:
        known_at: the newest of the lot's moisture readings, the spool's own dry reading and a drying by the grade's rule; None without any.
        opened_at: opening of the spool, after which it takes up water faster; None while it is sealed.
        dry_for_h: hours of validity while sealed, > 0.
        dry_for_open_h: hours of validity once opened; None for half of `dry_for_h`.
        rule: drying rule of the grade.
        uses: uses that require moisture by the lot's limits.
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
        """Returns whether a use requires moisture: by name, or because the limits name no uses."""
        return use in self.uses or GENERAL in self.uses

    @property
    def open_h(self) -> float:
        """Hours that an opened spool stays dry."""
        return self.dry_for_h / 2 if self.dry_for_open_h is None else self.dry_for_open_h

    def against(self, spool: str, at: datetime) -> list[str]:
        """Returns why a spool may no longer be dry at a time, and what to do; empty while the last proof is valid.

        Reference:
            Common practice, no source: filament takes up water, faster once opened; an opened spool stays dry half as long.
        """
        dry = f"by the grade's rule{self.rule.in_words}"
        if self.known_at is None:
            return [f"Spool {spool} has no moisture reading and no drying. Measure its moisture or dry it {dry}."]
        age_h = (at - self.known_at).total_seconds() / 3600
        was = "dried" if self.dried else "measured for moisture"
        if age_h > self.dry_for_h:
            return [self._expired(spool, was, age_h, f"{self.dry_for_h:g} h", dry)]
        if self.opened_at is None:
            return []
        # The spool was sealed until it was opened.
        open_since = max(self.known_at, self.opened_at)
        open_h = (at - open_since).total_seconds() / 3600
        if open_h <= self.open_h:
            return []
        was = "opened" if open_since == self.opened_at else was
        return [self._expired(spool, was, open_h, f"{self.open_h:g} h once opened", dry)]

    def _expired(self, spool: str, was: str, hours: float, valid: str, dry: str) -> str:
        of_lot = " or its lot" if was == "measured for moisture" else ""
        return (
            f"Spool {spool}{of_lot} was {was} {hours:.0f} h ago (valid for {valid}). Dry it {dry} or measure it again."
        )
