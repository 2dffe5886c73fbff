"""Sessions in which a shade's plaques are read again beside the instrument's tile: what each tells of them, and since when one is in doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.ageing import Apart, Doubt, Remeasured, Remeasurement, doubts, due_at, what_moved
from lots.domain.limits import DecisionRule, Limit
from lots.domain.values import Conditions, Lab

# A tile or plaque that reads further than this from before, in L*, a* or b*, has moved enough to matter. Common practice for the
# alarm of a check tile, no source.
MATTERS = 0.2
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

    def __post_init__(self) -> None:
        if not self.tile or not self.plaques or not all(self.plaques.values()):
            raise ValueError("a session needs readings of the tile, and of each plaque, at least one")

    def like(self, other: Session) -> bool:
        """True when both were read alike: on one instrument, under one set of conditions, beside one tile."""
        mine, theirs = ((one.instrument, one.conditions, one.tile_code) for one in (self, other))
        return mine == theirs


@dataclass(frozen=True, slots=True)
class Seen:
    """What a session tells of one plaque: `apart` from the session numbered `since`; both None where there is none to compare with."""

    at: datetime
    since: int | None
    apart: Apart | None

    @property
    def moved(self) -> bool:
        """True when the plaque moved against the tile."""
        return self.apart is not None and self.apart.plaque.state == "moved"

    @property
    def says(self) -> str:
        """The answer in a sentence."""
        if self.apart is None:
            return "Nothing to compare with yet: it is the first reading beside this tile, on this instrument and under these conditions."
        return self.apart.says


def seen(plaque: str, session: Session, sessions: Sequence[Session]) -> Seen:
    """Returns what a session tells of a plaque, against the first session that read it alike.

    Args:
        plaque: its name; the session has it.
        session: the session that is asked about.
        sessions: all there are of the plaque's present life, in any order; this one among them or not.

    Notes:
        Against the first and not the one before, since slow ageing shows in no single step.
    """
    before = [
        other
        for other in sessions
        if plaque in other.plaques and (other.at, other.number) < (session.at, session.number) and session.like(other)
    ]
    if not before:
        return Seen(session.at, None, None)
    first = min(before, key=lambda other: (other.at, other.number))
    noise = max((one.noise for one in (first, session) if one.noise is not None), default=None)
    apart = what_moved(
        Remeasured(_rows(first.tile), _rows(session.tile), noise),
        Remeasured(_rows(first.plaques[plaque]), _rows(session.plaques[plaque]), noise),
        MATTERS,
    )
    return Seen(session.at, first.number, apart)


def _rows(colors: Sequence[Lab]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(color.as_list()) for color in colors)


@dataclass(frozen=True, slots=True)
class Life:
    """A plaque since it was approved or made, with everything its sessions tell. Those that could not tell are no agreement, and no doubt either."""

    approved_at: datetime
    told: tuple[Seen, ...]

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
        found = []
        for one in self.told:
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


_WITHIN = Limit(-MATTERS, MATTERS)


def life(plaque: str, approved_at: datetime, sessions: Sequence[Session]) -> Life:
    """Returns the life of a plaque.

    Args:
        plaque: its name.
        approved_at: when it was approved or made, with its time zone.
        sessions: since then, in any order.

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
    return Life(approved_at, tuple(seen(plaque, one, mine) for one in mine))
