"""References that age: whether instrument or plaque moved, when a reference is due again, and since when one has not agreed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean
from typing import Literal

from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.statistics.quantiles import student

State = Literal["moved", "still", "open"]
Mover = Literal["instrument", "plaque", "both", "neither", "cannot tell"]
Vector = tuple[float, ...]

# Fewer readings tell next to nothing of their scatter. Common practice, no source.
ENOUGH = 3
READ_MORE = f"Read each at least {ENOUGH} times."


@dataclass(frozen=True, slots=True)
class Remeasured:
    """A tile or plaque read then and now on the same instrument, under the same conditions.

    Args:
        before, now: readings, at least one of each, all of the same components (L*, a*, b*, say), each with the artefact placed anew.
        noise: standard deviation of one such reading as known from many, > 0; None where only these readings tell.
        stated: the instrument's own standard uncertainty, > 0, which stands in where neither tells the scatter of a component; None where
            nobody stated it.

    Raises:
        ValueError: a side has no reading, lengths differ, a value is no finite number, or noise or uncertainty is not above 0.
    """

    before: tuple[Vector, ...]
    now: tuple[Vector, ...]
    noise: float | None = None
    stated: float | None = None

    def __post_init__(self) -> None:
        if not self.before or not self.now:
            raise ValueError("a re-measurement needs a reading then and a reading now")
        if len({len(row) for row in (*self.before, *self.now)}) != 1 or not self.before[0]:
            raise ValueError("all readings of a re-measurement must have the same components")
        if not all(math.isfinite(value) for row in (*self.before, *self.now) for value in row):
            raise ValueError("the readings of a re-measurement must be numbers")
        for name, sd in (("noise", self.noise), ("stated", self.stated)):
            if sd is not None and not (math.isfinite(sd) and sd > 0):
                raise ValueError(f"{name} is {sd!r}; it must be a number above 0")


@dataclass(frozen=True, slots=True)
class Movement:
    """How far something moved between then and now.

    Args:
        change: now less then, per component; of a plaque, relative to the tile.
        u: standard uncertainty of each; None where nothing tells the scatter.
        half_width: of the interval of each; None as `u` is.
        state: "moved" when any component did; "still" when all stay within what matters; else "open".
    """

    change: Vector
    u: Vector | None
    half_width: Vector | None
    state: State


@dataclass(frozen=True, slots=True)
class Separation:
    """What moved. A plaque that moved against the tile did so whatever the instrument does; else `mover` is "cannot tell" where a movement is open."""

    mover: Mover
    instrument: Movement
    plaque: Movement

    @property
    def says(self) -> str:
        """The answer in a sentence."""
        if self.mover == "plaque" and self.instrument.state == "open":
            return f"The plaque changed against the tile. Whether the instrument drifted as well cannot be told. {READ_MORE}"
        return {
            "instrument": "The tile reads otherwise and the plaque moved with it: the instrument drifted.",
            "plaque": "The tile reads as before and the plaque does not: the plaque changed.",
            "both": "The tile reads otherwise, and the plaque moved apart from it: instrument and plaque both changed.",
            "neither": "Tile and plaque read as before.",
            "cannot tell": f"Cannot tell whether {' or '.join(self._open())} moved. {READ_MORE}",
        }[self.mover]

    def _open(self) -> list[str]:
        both = (("the tile", self.instrument), ("the plaque against the tile", self.plaque))
        return [name for name, movement in both if movement.state == "open"]


def what_moved(tile: Remeasured, plaque: Remeasured, matters: float, confidence: float = 0.95) -> Separation:
    """Returns whether the instrument drifted, the plaque changed, both or neither, or that the readings cannot tell.

    A tile is taken as stable, so what it reads otherwise is the instrument. What a plaque reads otherwise, less that, is the plaque.

    Args:
        tile, plaque: read in the same two sessions on the same instrument, with the same components.
        matters: smallest movement of a component that matters, > 0, in its unit.
        confidence: that no component of a movement is called moved by chance, 0 < confidence < 1.

    Raises:
        ValueError: the components differ, or `matters` is no number above 0.

    Notes:
        The rule, per component: with the interval of the change from then to now, it is still where the interval lies within `matters` either
        way; else moved where the interval leaves out 0; else open. The interval is Student's t on the scatter of readings within a session,
        pooled over both, or normal on the noise that is known from many, where these readings scatter no more. Where neither tells, it is
        normal on the instrument's own uncertainty. The confidence is shared among components (Bonferroni). For the difference of plaque and tile, t is the mean of both, weighted by their parts of the variance.

        Takes the instrument's drift as the same on both, so a tile near the plaque's colour should be read.

    Reference:
        JCGM 100:2008, 5.1.2 and G.3 (difference, t); Cochran and Cox 1957, Experimental Designs, 4.14 (weighted t; section from memory). That
        tile and plaque together tell instrument from plaque is common practice, no source.

    Example:
        >>> steady = Remeasured(((95.0, 0.1, 0.2),), ((95.01, 0.1, 0.2),), noise=0.02)
        >>> yellowed = Remeasured(((94.0, -0.8, 1.5),), ((94.0, -0.8, 2.0),), noise=0.02)
        >>> what_moved(steady, yellowed, 0.2).mover
        'plaque'
    """
    if not (math.isfinite(matters) and matters > 0):
        raise ValueError(f"what matters is {matters!r}; it must be a number above 0")
    size = len(tile.now[0])
    if size != len(plaque.now[0]):
        raise ValueError(f"tile and plaque must have the same components, got {size} and {len(plaque.now[0])}")
    each = 1 - (1 - confidence) / size
    of_tile = [_change(tile, i, each) for i in range(size)]
    of_plaque = [_less(_change(plaque, i, each), of_tile[i]) for i in range(size)]
    instrument, aged = _movement(of_tile, matters), _movement(of_plaque, matters)
    return Separation(_mover(instrument.state, aged.state), instrument, aged)


def _mover(instrument: State, plaque: State) -> Mover:
    if plaque == "open" or (instrument == "open" and plaque != "moved"):
        return "cannot tell"
    if instrument == "moved":
        return "both" if plaque == "moved" else "instrument"
    return "plaque" if plaque == "moved" else "neither"


# Change, its standard uncertainty, and the quantile that makes an interval of it; the last two None where nothing tells the scatter.
_Change = tuple[float, float | None, float | None]


def _change(read: Remeasured, component: int, confidence: float) -> _Change:
    """Now less then in one component."""
    sides = [[row[component] for row in rows] for rows in (read.before, read.now)]
    then, now = (fmean(side) for side in sides)
    df = sum(map(len, sides)) - 2
    squares = math.fsum((value - mean) ** 2 for side, mean in zip(sides, (then, now), strict=True) for value in side)
    sd = math.sqrt(squares / df) if df else 0.0
    # Readings that are alike to the last digit hide their scatter behind it.
    noise = read.stated if read.noise is None and sd <= BINARY_NOISE else read.noise
    if noise is None and sd <= BINARY_NOISE:
        return now - then, None, None
    known = noise is not None and noise >= sd
    quantile = student(math.inf if known else df, confidence)
    return now - then, max(sd, noise or 0.0) * math.sqrt(1 / len(sides[0]) + 1 / len(sides[1])), quantile


def _less(plaque: _Change, tile: _Change) -> _Change:
    """The plaque's change relative to the tile."""
    (change, u, quantile), (of_tile, u_tile, quantile_tile) = plaque, tile
    if u is None or quantile is None or u_tile is None or quantile_tile is None:
        return change - of_tile, None, None
    both = math.hypot(u, u_tile)
    share = (u / both) ** 2
    return change - of_tile, both, share * quantile + (1 - share) * quantile_tile


def _movement(changes: Sequence[_Change], matters: float) -> Movement:
    change = tuple(found for found, _, _ in changes)
    known = [(u, u * quantile) for _, u, quantile in changes if u is not None and quantile is not None]
    states = [_state(found, u, quantile, matters) for found, u, quantile in changes]
    state: State = "moved" if "moved" in states else "open" if "open" in states else "still"
    if len(known) < len(changes):
        return Movement(change, None, None, state)
    return Movement(change, tuple(u for u, _ in known), tuple(half for _, half in known), state)


def _state(change: float, u: float | None, quantile: float | None, matters: float) -> State:
    if u is None or quantile is None:
        return "open"
    within, half = Limit(-matters, matters), u * quantile
    if within.allows(change - half) and within.allows(change + half):
        return "still"
    return "open" if Limit(-half, half).allows(change) else "moved"


@dataclass(frozen=True, slots=True)
class Remeasurement:
    """A reference measured again.

    Args:
        at: when, with its time zone.
        value: how far it lies from its own values, in the limit's unit; a colour difference, say.
        limit: what still counts as agreement.
        uncertainty: standard uncertainty of the value, >= 0; None when unknown.

    Raises:
        ValueError: a time without zone, or a number that is none.
    """

    at: datetime
    value: float
    limit: Limit
    uncertainty: float | None = None

    def __post_init__(self) -> None:
        if self.at.tzinfo is None:
            raise ValueError(f"the time {self.at} needs a time zone")
        if not math.isfinite(self.value):
            raise ValueError(f"value is {self.value!r}; it must be a number")
        if self.uncertainty is not None and not (math.isfinite(self.uncertainty) and self.uncertainty >= 0):
            raise ValueError(f"uncertainty is {self.uncertainty!r}; it must be a number of 0 or more")

    def agrees(self, rule: DecisionRule) -> bool:
        """True when it agrees: under a guarded rule with its guard band on either side, and not at all without an uncertainty."""
        if not rule.guarded:
            return self.limit.allows(self.value)
        if self.uncertainty is None:
            return False
        guard = rule.z * self.uncertainty
        return self.limit.allows(self.value - guard) and self.limit.allows(self.value + guard)


@dataclass(frozen=True, slots=True)
class Doubt:
    """A time in which a reference may not have been what it was taken for: decisions made against it then are in doubt.

    Args:
        since: the last moment it agreed; None where it never did before.
        found_at: when it was first found not to agree.
        until: the next moment it agreed again; None while it does not.
    """

    since: datetime | None
    found_at: datetime
    until: datetime | None

    def holds(self, decided_at: datetime) -> bool:
        """True when a decision of that moment is in doubt. One at the very moment of a re-measurement counts as made after it."""
        return (self.since is None or self.since <= decided_at) and (self.until is None or decided_at < self.until)


def doubts(history: Sequence[Remeasurement], rule: DecisionRule) -> tuple[Doubt, ...]:
    """Returns every time in which a reference is in doubt, in order.

    Args:
        history: of one reference, in any order. Its approval counts as one, with a value of 0 where it was measured then.
        rule: simple or guarded.

    Notes:
        Nobody knows when between two re-measurements a reference moved, so all of the time since it last agreed is in doubt. Of two
        at one moment the one that does not agree counts.

    Reference:
        ISO/IEC 17025 asks that earlier results be examined when equipment is found out of order (from memory); the window back to the last
        good check is common practice, no source, as `calibration` has it.

    Example:
        >>> from datetime import UTC
        >>> read = [Remeasurement(datetime(2025, month, 1, tzinfo=UTC), value, Limit(None, 0.3)) for month, value in ((1, 0.0), (7, 0.5))]
        >>> [(found.since.month, found.found_at.month, found.until) for found in doubts(read, DecisionRule())]
        [(1, 7, None)]
    """
    found: list[Doubt] = []
    agreed_at: datetime | None = None
    found_at: datetime | None = None
    for at, agrees in _in_order(history, rule):
        if not agrees:
            found_at = found_at or at
            continue
        if found_at is not None:
            found.append(Doubt(agreed_at, found_at, at))
        agreed_at, found_at = at, None
    return (*found, Doubt(agreed_at, found_at, None)) if found_at is not None else tuple(found)


def _in_order(history: Sequence[Remeasurement], rule: DecisionRule) -> list[tuple[datetime, bool]]:
    """Moments in order with whether the reference agreed then."""
    at: dict[datetime, bool] = {}
    for one in history:
        at[one.at] = at.get(one.at, True) and one.agrees(rule)
    return sorted(at.items())


def due_at(approved_at: datetime, history: Sequence[Remeasurement], interval_days: int, rule: DecisionRule) -> datetime:
    """Returns when a reference is to be measured again.

    Args:
        approved_at: when it was approved, from which its first interval runs.
        history: of the reference, in any order.
        interval_days: days that an agreement holds, > 0; 6 or 12 months is common practice, no source.
        rule: simple or guarded.

    Returns:
        The last agreement and the interval; where the newest re-measurement did not agree, its own time: it is due since then.

    Raises:
        ValueError: an interval that is not above 0, or an approval without time zone.

    Example:
        >>> from datetime import UTC
        >>> due_at(datetime(2025, 1, 1, tzinfo=UTC), [], 180, DecisionRule()).isoformat()
        '2025-06-30T00:00:00+00:00'
    """
    if interval_days <= 0:
        raise ValueError(f"interval_days is {interval_days!r}; it must be above 0")
    if approved_at.tzinfo is None:
        raise ValueError(f"the time {approved_at} needs a time zone")
    at, agrees = max([(approved_at, True), *_in_order(history, rule)], key=lambda item: (item[0], not item[1]))
    return at + timedelta(days=interval_days) if agrees else at
