"""Sessions in which a shade's plaques are read again beside the instrument's tile: what each tells of them, and since when one is in doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.instruments.reference_stability import (
    ENOUGH,
    Doubt,
    Remeasured,
    Remeasurement,
    Separation,
    doubts,
    due_at,
    what_moved,
)

# A tile or plaque that reads further than this from before, in L*, a* or b*, has moved enough to matter. Common practice for the
# alarm of a check tile, no source.
MATTERS = 0.2
_WITHIN = Limit(-MATTERS, MATTERS)
# With this rule a movement agrees exactly when its whole interval lies within what matters.
_WHOLE_INTERVAL = DecisionRule(guarded=True, z=1.0)


@dataclass(frozen=True, slots=True)
class Session:
    """Plaques of a shade and a tile, read one after the other.

    Args:
        number: of the session.
        at: when, with its time zone.
        instrument: its code.
        conditions: of every reading.
        tile_code: which tile; it is taken as stable.
        tile: its readings.
        plaques: name -> readings of each.
        noise: standard deviation of one reading of a coordinate as known from a study, > 0; None where only these readings tell.
        stated: the instrument's own standard uncertainty, > 0, for what neither tells; None where nobody stated it.

    Raises:
        ValueError: no tile reading, no plaque, or a plaque without a reading.
    """

    number: int
    at: datetime
    instrument: str
    conditions: Conditions
    tile_code: str
    tile: tuple[Lab, ...]
    plaques: Mapping[str, tuple[Lab, ...]]
    noise: float | None = None
    stated: float | None = None

    def __post_init__(self) -> None:
        if not self.tile or not self.plaques or not all(self.plaques.values()):
            raise ValueError("a session needs readings of the tile, and of each plaque, at least one")

    def like(self, other: Session) -> bool:
        """True when both were read alike: on one instrument, under one set of conditions, beside one tile."""
        mine, theirs = ((one.instrument, one.conditions, one.tile_code) for one in (self, other))
        return mine == theirs

    def enough(self, plaque: str) -> bool:
        """True when tile and plaque were read often enough to be compared with, or a study tells how readings scatter."""
        return self.noise is not None or min(len(self.tile), len(self.plaques[plaque])) >= ENOUGH


@dataclass(frozen=True, slots=True)
class Approved:
    """What a plaque was approved with, or made with: its colour, under its conditions."""

    lab: Lab
    conditions: Conditions

    def read_again(self, plaque: str, session: Session) -> bool:
        """True when a session with enough readings reads that colour again, each coordinate within what matters."""
        if session.conditions != self.conditions or not session.enough(plaque):
            return False
        apart = zip(mean_lab(list(session.plaques[plaque])).as_list(), self.lab.as_list(), strict=True)
        return all(_WITHIN.allows(read - own) for read, own in apart)


@dataclass(frozen=True, slots=True)
class SessionComparison:
    """What a session tells of one plaque: `apart` from the session numbered `since`; both None where there is none to compare with.

    `approved` is True where there is none, and the plaque reads what it was approved with.
    """

    at: datetime
    since: int | None
    apart: Separation | None
    approved: bool = False

    @property
    def moved(self) -> bool:
        """True when the plaque moved against the tile."""
        return self.apart is not None and self.apart.plaque.state == "moved"

    @property
    def says(self) -> str:
        """The answer in a sentence."""
        if self.apart is None:
            first = "Nothing to compare with yet: it is the first reading beside this tile, on this instrument and under these conditions."
            return f"{first} It reads as approved, which counts as agreeing." if self.approved else first
        return self.apart.says


def seen(
    plaque: str, session: Session, sessions: Sequence[Session], approved: Approved | None = None
) -> SessionComparison:
    """Returns what a session tells of a plaque, against the first session with enough readings that read it alike, else against the first.

    Args:
        plaque: its name; the session has it.
        session: the session that is asked about.
        sessions: all there are of the plaque's present life, in any order; this one among them or not.
        approved: what it was approved with; None where nobody knows.

    Notes:
        Against the first and not the one before, since slow ageing shows in no single step. A first session with few readings gives way to
        a later one with enough, unless the plaque had moved by then: a movement must not become what later ones agree with.
    """
    before = [
        other
        for other in sessions
        if plaque in other.plaques and (other.at, other.number) < (session.at, session.number) and session.like(other)
    ]
    if not before:
        return SessionComparison(session.at, None, None, approved is not None and approved.read_again(plaque, session))
    base = _base(plaque, sorted(before, key=lambda other: (other.at, other.number)))
    return SessionComparison(session.at, base.number, _apart(plaque, base, session))


def _base(plaque: str, before: Sequence[Session]) -> Session:
    """The session to compare with, of those read alike before, in order."""
    first = before[0]
    for one in before:
        if one.enough(plaque) and (one is first or _apart(plaque, first, one).plaque.state != "moved"):
            return one
    return first


def _apart(plaque: str, then: Session, now: Session) -> Separation:
    noise, stated = (
        max((sd for sd in sds if sd is not None), default=None)
        for sds in ((then.noise, now.noise), (then.stated, now.stated))
    )
    return what_moved(
        Remeasured(_rows(then.tile), _rows(now.tile), noise, stated),
        Remeasured(_rows(then.plaques[plaque]), _rows(now.plaques[plaque]), noise, stated),
        MATTERS,
    )


def _rows(colors: Sequence[Lab]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(color.as_list()) for color in colors)


@dataclass(frozen=True, slots=True)
class ReferenceHistory:
    """A plaque since it was approved or made, with everything its sessions tell. Those that could not tell are no agreement, and no doubt either."""

    approved_at: datetime
    told: tuple[SessionComparison, ...]

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Every time in which it may not have been what it was taken for, in order. Agreeing again ends one; that it was stays known."""
        began = min([self.approved_at, *(one.at for one in self.told)])
        return doubts([Remeasurement(began, 0.0, _WITHIN, 0.0), *self._history], _WHOLE_INTERVAL)

    def due_at(self, interval_days: int) -> datetime:
        """Returns when it is to be measured again: so many days after it last agreed, at once where it was found not to."""
        return due_at(self.approved_at, self._history, interval_days, _WHOLE_INTERVAL)

    @property
    def _history(self) -> list[Remeasurement]:
        found: list[Remeasurement] = []
        for one in self.told:
            # Another instrument may read a plaque that moved as it was approved, so that ends no doubt.
            if one.approved and not any(earlier.moved for earlier in self.told if earlier.at <= one.at):
                found.append(Remeasurement(one.at, 0.0, _WITHIN, 0.0))
            if one.apart is None or one.apart.plaque.state == "open":
                continue
            plaque = one.apart.plaque
            # Without a half-width for each coordinate only "moved" is left, and that is no agreement whatever the value.
            halves = plaque.half_width or (None,) * len(plaque.change)
            change, half = max(
                zip(plaque.change, halves, strict=True), key=lambda move: abs(move[0]) + (move[1] or 0.0)
            )
            found.append(Remeasurement(one.at, change, _WITHIN, half))
        return found


def life(
    plaque: str, approved_at: datetime, sessions: Sequence[Session], approved: Approved | None = None
) -> ReferenceHistory:
    """Returns the life of a plaque.

    Args:
        plaque: its name.
        approved_at: when it was approved or made, with its time zone.
        sessions: since then, in any order.
        approved: what it was approved or made with; None where nobody knows, and then no session agrees by itself.

    Example:
        >>> from datetime import UTC
        >>> alike = Conditions("D65", 10, "d/8", "included")
        >>> def read(number, month, tile_b, b):
        ...     at = datetime(2026, month, 1, tzinfo=UTC)
        ...     return Session(number, at, "S", alike, "T", (Lab(97, 0, tile_b),), {"master": (Lab(95, -1, b),)}, 0.02)
        >>> found = life("master", datetime(2026, 1, 1, tzinfo=UTC), [read(1, 1, 0.4, 1.5), read(2, 7, 0.41, 2.0)])
        >>> found.told[1].moved, [(doubt.since.month, doubt.found_at.month) for doubt in found.doubts]
        (True, [(1, 7)])
    """
    mine = sorted((one for one in sessions if plaque in one.plaques), key=lambda one: (one.at, one.number))
    return ReferenceHistory(approved_at, tuple(seen(plaque, one, mine, approved) for one in mine))
