"""Stability of references: drift of instrument or plaque, due dates, and times in which a reference is suspect."""

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

# Least readings for a standard deviation. Common practice, no source.
ENOUGH = 3
READ_MORE = f"Measure each at least {ENOUGH} times."


@dataclass(frozen=True, slots=True)
class Remeasured:
    """A tile or plaque measured then and now on the same instrument, under the same conditions.

    Args:
        before, now: readings, at least one of each, all with the same components (such as L*, a*, b*), each with the artefact placed again.
        noise: standard deviation of one such reading from a study, > 0; None to use these readings only.
        stated: the instrument's standard uncertainty, > 0, used where the readings and `noise` give no standard deviation; None if unknown.

    Raises:
        ValueError: a side has no reading, lengths differ, a value is not a finite number, or noise or uncertainty is not above 0.
    """

    before: tuple[Vector, ...]
    now: tuple[Vector, ...]
    noise: float | None = None
    stated: float | None = None

    def __post_init__(self) -> None:
        if not self.before or not self.now:
            raise ValueError("a remeasurement needs a reading then and a reading now")
        if len({len(row) for row in (*self.before, *self.now)}) != 1 or not self.before[0]:
            raise ValueError("all readings of a remeasurement must have the same components")
        if not all(math.isfinite(value) for row in (*self.before, *self.now) for value in row):
            raise ValueError("the readings of a remeasurement must be numbers")
        for name, sd in (("noise", self.noise), ("stated", self.stated)):
            if sd is not None and not (math.isfinite(sd) and sd > 0):
                raise ValueError(f"{name} is {sd!r}; it must be a number above 0")


@dataclass(frozen=True, slots=True)
class Movement:
    """Change between then and now.

    Args:
        change: now minus then, per component; of a plaque, relative to the tile.
        u: standard uncertainty of each; None where unknown.
        half_width: of the interval of each; None as `u` is.
        state: "moved" when any component moved; "still" when all are within `matters`; else "open".
    """

    change: Vector
    u: Vector | None
    half_width: Vector | None
    state: State


@dataclass(frozen=True, slots=True)
class Separation:
    """Cause of a change: instrument or plaque. `mover` is "cannot tell" where a movement is open, unless the plaque moved."""

    mover: Mover
    instrument: Movement
    plaque: Movement

    @property
    def says(self) -> str:
        """The answer in words."""
        if self.mover == "plaque" and self.instrument.state == "open":
            return f"The plaque changed relative to the tile. A drift of the instrument cannot be excluded. {READ_MORE}"
        return {
            "instrument": "The instrument drifted. Tile and plaque changed alike.",
            "plaque": "The plaque changed. The tile reads as before.",
            "both": "Instrument and plaque changed. The tile reads differently, and the plaque changed relative to it.",
            "neither": "Tile and plaque are unchanged.",
            "cannot tell": f"The readings do not show whether {' or '.join(self._open())} changed. {READ_MORE}",
        }[self.mover]

    def _open(self) -> list[str]:
        both = (("the tile", self.instrument), ("the plaque relative to the tile", self.plaque))
        return [name for name, movement in both if movement.state == "open"]


def what_moved(tile: Remeasured, plaque: Remeasured, matters: float, confidence: float = 0.95) -> Separation:
    """Returns whether the instrument drifted, the plaque changed, both or neither, or that the readings do not show it.

    The tile is taken as stable, so a change of the tile is the drift of the instrument. The change of the plaque minus that of the tile is the change
    of the plaque itself.

    Args:
        tile, plaque: measured in the same two sessions on the same instrument, with the same components.
        matters: smallest relevant change of a component, > 0, in its unit.
        confidence: probability that no component is wrongly called moved, 0 < confidence < 1.

    Raises:
        ValueError: the components differ, or `matters` is not a number above 0.

    Notes:
        Rule per component, with the interval of the change: still where the interval is within `matters` in both directions; else moved where it
        excludes 0; else open. The interval is Student's t with the standard deviation within sessions, pooled over both. It is normal with the
        noise from a study where that is not smaller, or with the instrument's stated uncertainty where neither is known. The confidence is
        shared among components (Bonferroni). For the difference of plaque and tile, t is the mean of both, weighted by their variances.

        The drift is taken as equal for tile and plaque, so the tile should be near the plaque's colour.

    Reference:
        JCGM 100:2008, 5.1.2 and G.3 (difference, t); Cochran and Cox 1957, Experimental Designs, 4.14 (weighted t; section from memory). The
        separation of instrument and plaque by a tile is common practice, no source.

    Example:
        >>> steady = Remeasured(((95.0, 0.1, 0.2),), ((95.01, 0.1, 0.2),), noise=0.02)
        >>> yellowed = Remeasured(((94.0, -0.8, 1.5),), ((94.0, -0.8, 2.0),), noise=0.02)
        >>> what_moved(steady, yellowed, 0.2).mover
        'plaque'
    """
    if not (math.isfinite(matters) and matters > 0):
        raise ValueError(f"matters is {matters!r}; it must be a number above 0")
    size = len(tile.now[0])
    if size != len(plaque.now[0]):
        raise ValueError(f"tile and plaque must have the same components, got {size} and {len(plaque.now[0])}")
    each = 1 - (1 - confidence) / size
    of_tile = [_change(tile, i, each) for i in range(size)]
    of_plaque = [_relative(_change(plaque, i, each), of_tile[i]) for i in range(size)]
    instrument, aged = _movement(of_tile, matters), _movement(of_plaque, matters)
    return Separation(_mover(instrument.state, aged.state), instrument, aged)


def _mover(instrument: State, plaque: State) -> Mover:
    if plaque == "open" or (instrument == "open" and plaque != "moved"):
        return "cannot tell"
    if instrument == "moved":
        return "both" if plaque == "moved" else "instrument"
    return "plaque" if plaque == "moved" else "neither"


# Change, its standard uncertainty, and the quantile of its interval; the last two None where unknown.
_Change = tuple[float, float | None, float | None]


def _change(read: Remeasured, component: int, confidence: float) -> _Change:
    """Returns the change, now minus then, in one component."""
    sides = [[row[component] for row in rows] for rows in (read.before, read.now)]
    then, now = (fmean(side) for side in sides)
    df = sum(map(len, sides)) - 2
    squares = math.fsum((value - mean) ** 2 for side, mean in zip(sides, (then, now), strict=True) for value in side)
    sd = math.sqrt(squares / df) if df else 0.0
    # The standard deviation of equal readings is hidden by the resolution.
    noise = read.stated if read.noise is None and sd <= BINARY_NOISE else read.noise
    if noise is None and sd <= BINARY_NOISE:
        return now - then, None, None
    known = noise is not None and noise >= sd
    quantile = student(math.inf if known else df, confidence)
    return now - then, max(sd, noise or 0.0) * math.sqrt(1 / len(sides[0]) + 1 / len(sides[1])), quantile


def _relative(plaque: _Change, tile: _Change) -> _Change:
    """Returns the plaque's change relative to the tile."""
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
    """A repeated measurement of a reference.

    Args:
        at: time, with its time zone.
        value: deviation from its reference values, in the limit's unit; for example a colour difference.
        limit: largest deviation that counts as agreement.
        uncertainty: standard uncertainty of the value, >= 0; None when unknown.

    Raises:
        ValueError: a time without zone, or a number that is not finite.
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
        """Returns whether it agrees. A guarded rule subtracts its guard band on either side, and requires an uncertainty."""
        if not rule.guarded:
            return self.limit.allows(self.value)
        if self.uncertainty is None:
            return False
        guard = rule.z * self.uncertainty
        return self.limit.allows(self.value - guard) and self.limit.allows(self.value + guard)


@dataclass(frozen=True, slots=True)
class Doubt:
    """Time in which a reference is suspect, and decisions against it with it.

    Args:
        since: the last agreement; None without an earlier one.
        found_at: the first disagreement.
        until: the next agreement; None without one.
    """

    since: datetime | None
    found_at: datetime
    until: datetime | None

    def holds(self, decided_at: datetime) -> bool:
        """Returns whether a decision of that time is suspect. A decision at the time of a remeasurement counts as made after it."""
        return (self.since is None or self.since <= decided_at) and (self.until is None or decided_at < self.until)


def doubts(history: Sequence[Remeasurement], rule: DecisionRule) -> tuple[Doubt, ...]:
    """Returns every time in which a reference is suspect, in order.

    Args:
        history: of one reference, in any order. Its approval counts as one, with a value of 0 where it was measured then.
        rule: simple or guarded.

    Notes:
        A reference may have moved at any time between two remeasurements, so all of the time since its last agreement is suspect. Of two
        at one time the disagreement counts.

    Reference:
        ISO/IEC 17025 requires an examination of earlier results when equipment is found defective (from memory); the time back to the last
        good check is common practice, no source, as in `calibration`.

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
    """Returns times in order with whether the reference agreed."""
    at: dict[datetime, bool] = {}
    for one in history:
        at[one.at] = at.get(one.at, True) and one.agrees(rule)
    return sorted(at.items())


def due_at(approved_at: datetime, history: Sequence[Remeasurement], interval_days: int, rule: DecisionRule) -> datetime:
    """Returns when the next measurement of a reference is due.

    Args:
        approved_at: time of its approval, when its first interval starts.
        history: of the reference, in any order.
        interval_days: validity of an agreement in days, > 0; 6 or 12 months is common practice, no source.
        rule: simple or guarded.

    Returns:
        The last agreement plus the interval; where the newest remeasurement disagreed, its own time.

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
