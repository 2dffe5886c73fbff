"""Concessions: a named person permits a nonconforming lot for stated uses, quantity and time; a second person agrees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.words import hyphenated


@dataclass(frozen=True, slots=True)
class Concession:
    """A permission as it stands now.

    Args:
        number: its number in the record.
        uses: what it permits, nothing else.
        max_mass_g: how much in all, g, > 0.
        taken_g: what loads have used of it, and what loads still running have reserved, g.
        valid_until: the last moment at which a load may begin under it.
        finish_running: True when a job begun in time may run on after that.
        requested_by, approved_by: two different people; approved_by is None while it only is asked for.
        withdrawn: True when it was taken back.

    Reference:
        ISO 9000:2015, 3.12.5: permission to use or release a product that does not conform, generally limited to products with
        nonconforming characteristics, for an agreed quantity or time, and for a specific use.
    """

    number: int
    uses: tuple[str, ...]
    max_mass_g: float
    taken_g: float
    valid_until: datetime
    finish_running: bool
    requested_by: str
    approved_by: str | None
    withdrawn: bool = False

    @property
    def left_g(self) -> float:
        """What may still be loaded under it, g, never negative."""
        return max(0.0, self.max_mass_g - self.taken_g)

    def against(self, use: str, mass_g: float | None, at: datetime) -> str | None:
        """Returns why this concession does not permit a load, or None when it does.

        Args:
            use: what the job asks of the material.
            mass_g: what the job needs, g; None when nobody said, and then anything that is left will do.
            at: when the load begins.
        """
        if self.approved_by is None:
            return f"concession {self.number} is not approved yet"
        if self.withdrawn:
            return f"concession {self.number} was withdrawn"
        if use not in self.uses:
            return f"concession {self.number} is for {_listed(self.uses)}, not for {hyphenated(use)}"
        if at > self.valid_until:
            return f"concession {self.number} ran out at {self.valid_until:%Y-%m-%d %H:%M} UTC"
        if self.left_g <= BINARY_NOISE:
            return f"concession {self.number} is used up ({self.max_mass_g:g} g)"
        if mass_g is not None and mass_g > self.left_g + BINARY_NOISE:
            return f"concession {self.number} has {self.left_g:g} g left, less than the {mass_g:g} g asked for"
        return None

    @property
    def says(self) -> str:
        """Its terms in one sentence."""
        end = "a job begun in time may finish" if self.finish_running else "unload by then"
        return (
            f"Under concession {self.number} only: for {_listed(self.uses)}, at most {self.left_g:g} g, "
            f"until {self.valid_until:%Y-%m-%d %H:%M} UTC ({end}); approved by {self.approved_by}."
        )


def _listed(uses: Sequence[str]) -> str:
    return ", ".join(hyphenated(use) for use in uses)


def permitting(
    concessions: Sequence[Concession], use: str, mass_g: float | None, at: datetime
) -> tuple[Concession | None, list[str]]:
    """Returns the concession to load under, the one that runs out first, or None with why each does not do.

    Args:
        concessions: of the spool's lot.
        use, mass_g, at: as in Concession.against.
    """
    reasons = {c.number: c.against(use, mass_g, at) for c in concessions}
    fit = [c for c in concessions if reasons[c.number] is None]
    if fit:
        return min(fit, key=lambda c: (c.valid_until, c.number)), []
    return None, [f"No help from it: {reason}." for reason in reasons.values() if reason is not None]


def reserved_g(concession: Concession, spool_remaining_g: float, mass_g: float | None) -> float:
    """Returns what a load sets aside of its concession until its spool comes off again, g.

    What the job needs when somebody said so; otherwise all that is on the spool, as far as the concession reaches.
    """
    return min(concession.left_g, spool_remaining_g if mass_g is None else mass_g)
