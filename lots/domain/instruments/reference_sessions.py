"""Sessions that measure a shade's plaques together with the instrument's tile: result per plaque, and times in which it is suspect."""

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

# Smallest relevant change of a tile or plaque in L*, a* or b*. Common practice for the alarm limit of a check tile, no source.
MATTERS = 0.2
_WITHIN = Limit(-MATTERS, MATTERS)
# With this rule a movement agrees exactly when its whole interval is within MATTERS.
_WHOLE_INTERVAL = DecisionRule(guarded=True, z=1.0)


@dataclass(frozen=True, slots=True)
class Session:
    """Plaques of a shade and a tile, measured one after the other.

    Args:
        number: of the session.
        at: time, with its time zone.
        instrument: its code.
        conditions: of every reading.
        tile_code: the tile, taken as stable.
        tile: its readings.
        plaques: name -> readings of each.
        noise: standard deviation of one reading of a coordinate from a study, > 0; None to use these readings only.
        stated: the instrument's standard uncertainty, > 0, used where neither is known; None if unknown.

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
            raise ValueError("a session requires at least one reading of the tile and of each plaque")

    def like(self, other: Session) -> bool:
        """Returns whether two sessions are comparable: same instrument, conditions and tile."""
        mine, theirs = ((one.instrument, one.conditions, one.tile_code) for one in (self, other))
        return mine == theirs

    def enough(self, plaque: str) -> bool:
        """Returns whether tile and plaque have enough readings for a comparison, or a study gives their standard deviation."""
        return self.noise is not None or min(len(self.tile), len(self.plaques[plaque])) >= ENOUGH


@dataclass(frozen=True, slots=True)
class Approved:
    """Approved or initial colour of a plaque, with its conditions."""

    lab: Lab
    conditions: Conditions

    def read_again(self, plaque: str, session: Session) -> bool:
        """Returns whether a session with enough readings reproduces that colour, each coordinate within MATTERS."""
        if session.conditions != self.conditions or not session.enough(plaque):
            return False
        apart = zip(mean_lab(list(session.plaques[plaque])).as_list(), self.lab.as_list(), strict=True)
        return all(_WITHIN.allows(read - own) for read, own in apart)


@dataclass(frozen=True, slots=True)
class SessionComparison:
    """Result of a session for one plaque: `apart` from the session numbered `since`; both None without a comparable session.

    `approved` is True where there is no comparable session and the plaque agrees with its approved colour.
    """

    at: datetime
    since: int | None
    apart: Separation | None
    approved: bool = False

    @property
    def moved(self) -> bool:
        """True when the plaque moved relative to the tile."""
        return self.apart is not None and self.apart.plaque.state == "moved"

    @property
    def says(self) -> str:
        """The answer in words."""
        if self.apart is None:
            first = "No comparison yet. This is the first session with this tile, instrument and conditions."
            return f"{first} The plaque agrees with its approved colour." if self.approved else first
        return self.apart.says


def seen(
    plaque: str, session: Session, sessions: Sequence[Session], approved: Approved | None = None
) -> SessionComparison:
    """Returns the comparison of a plaque with the first comparable session that has enough readings, else with the first one.

    Args:
        plaque: its name; the session has it.
        session: the session to assess.
        sessions: all sessions since the plaque was approved or made, in any order, with or without this one.
        approved: its approved colour; None if unknown.

    Notes:
        The base is the first session and not the previous one, since slow ageing is not visible in single steps. A first session with few
        readings is replaced by a later one with enough, unless the plaque had moved by then, so that a movement never becomes the base.
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
    """Returns the base session among comparable earlier ones, given in order."""
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
    """History of a plaque since its approval or manufacture. An open session is neither an agreement nor a doubt."""

    approved_at: datetime
    told: tuple[SessionComparison, ...]

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Every time in which the plaque is suspect, in order. A later agreement ends one."""
        began = min([self.approved_at, *(one.at for one in self.told)])
        return doubts([Remeasurement(began, 0.0, _WITHIN, 0.0), *self._history], _WHOLE_INTERVAL)

    def due_at(self, interval_days: int) -> datetime:
        """Returns when the next measurement is due: the interval after the last agreement, or the time of a later disagreement."""
        return due_at(self.approved_at, self._history, interval_days, _WHOLE_INTERVAL)

    @property
    def _history(self) -> list[Remeasurement]:
        found: list[Remeasurement] = []
        for one in self.told:
            # After a movement, agreement on another instrument does not end a doubt.
            if one.approved and not any(earlier.moved for earlier in self.told if earlier.at <= one.at):
                found.append(Remeasurement(one.at, 0.0, _WITHIN, 0.0))
            if one.apart is None or one.apart.plaque.state == "open":
                continue
            plaque = one.apart.plaque
            # Without a half-width for each coordinate the state is "moved", which never agrees.
            halves = plaque.half_width or (None,) * len(plaque.change)
            change, half = max(
                zip(plaque.change, halves, strict=True), key=lambda move: abs(move[0]) + (move[1] or 0.0)
            )
            found.append(Remeasurement(one.at, change, _WITHIN, half))
        return found


def life(
    plaque: str, approved_at: datetime, sessions: Sequence[Session], approved: Approved | None = None
) -> ReferenceHistory:
    """Returns the history of a plaque.

    Args:
        plaque: its name.
        approved_at: time of its approval or manufacture, with its time zone.
        sessions: since then, in any order.
        approved: its approved or initial colour; None if unknown, and then the first session is no agreement.

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
