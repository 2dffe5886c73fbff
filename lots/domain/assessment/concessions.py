"""Concessions: permission to use a nonconforming lot for stated uses, quantity and time, approved by a second person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.words import hyphenated, listed, moment


@dataclass(frozen=True, slots=True)
class Concession:
    """A concession with the mass taken so far.

    Args:
        number: its number in the record.
        uses: the permitted uses.
        max_mass_g: permitted mass in total, g, > 0.
        taken_g: mass that finished loads used and running loads reserved, g.
        valid_until: the last moment at which a load may begin.
        finish_running: True when a job begun in time may finish later.
        requested_by, approved_by: two different people; approved_by is None before approval.
        withdrawn: True when it was withdrawn.

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
        """The mass that may still be loaded, g, never negative."""
        return max(0.0, self.max_mass_g - self.taken_g)

    def against(self, use: str, mass_g: float | None, at: datetime) -> str | None:
        """Returns why this concession does not permit a load, or None when it does.

        Args:
            use: the use of the job.
            mass_g: mass that the job needs, g; None when not stated, and then any mass left is enough.
            at: start of the load.
        """
        if self.approved_by is None:
            return f"concession {self.number} is not approved yet"
        if self.withdrawn:
            return f"concession {self.number} was withdrawn"
        if use not in self.uses:
            return f"concession {self.number} is for {_listed(self.uses)}, not for {hyphenated(use)}"
        if at > self.valid_until:
            return f"concession {self.number} expired at {self.valid_until:%Y-%m-%d %H:%M} UTC"
        if self.left_g <= BINARY_NOISE:
            return f"concession {self.number} is used up ({self.max_mass_g:.10g} g)"
        if mass_g is not None and mass_g > self.left_g + BINARY_NOISE:
            return f"concession {self.number} has {self.left_g:.10g} g left, less than the {mass_g:g} g of the job"
        return None

    @property
    def terms(self) -> str:
        """Uses, quantity and time in words."""
        return self._terms("")

    @property
    def says(self) -> str:
        """The terms in words, with the approver after approval."""
        return f"Permitted only {self._terms(f', approved by {self.approved_by}' if self.approved_by else '')}"

    def _terms(self, approved: str) -> str:
        end = "A job that began in time may finish." if self.finish_running else "Unload by then."
        return (
            f"for {listed([hyphenated(use) for use in self.uses])}, under concession {self.number}{approved}: "
            f"at most {self.left_g:.10g} g, until {moment(self.valid_until)}. {end}"
        )


def _listed(uses: Sequence[str]) -> str:
    return ", ".join(hyphenated(use) for use in uses)


def permitting(
    concessions: Sequence[Concession], use: str, mass_g: float | None, at: datetime
) -> tuple[Concession | None, list[str]]:
    """Returns the concession to load under, the first to expire, or None with the reason against each.

    Args:
        concessions: of the spool's lot.
        use, mass_g, at: as in Concession.against.
    """
    reasons = {c.number: c.against(use, mass_g, at) for c in concessions}
    fit = [c for c in concessions if reasons[c.number] is None]
    if fit:
        return min(fit, key=lambda c: (c.valid_until, c.number)), []
    return None, [f"{reason[0].upper()}{reason[1:]}." for reason in reasons.values() if reason is not None]


def reserved_g(concession: Concession, spool_remaining_g: float, mass_g: float | None) -> float:
    """Returns the mass that a load reserves under its concession until it is unloaded, g.

    It is the mass of the job where stated, else the mass on the spool, and at most the mass left under the concession.
    """
    return min(concession.left_g, spool_remaining_g if mass_g is None else mass_g)
