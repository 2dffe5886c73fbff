"""Purchasing: where somebody must act this week, over all suppliers and grades, the most urgent first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TypedDict, cast

from lots.domain.drift.lot_series import LotSeries
from lots.domain.drift.reported import Listing, signals_to_report
from lots.domain.words import counted
from lots.services import clock
from lots.services.drift import drift, signals
from lots.services.drift.drift import Followed
from lots.services.drift.views import ahead_says, percent
from lots.services.purchasing import supplies
from lots.services.purchasing.supplies import Charted, Pair
from lots.services.views import View
from lots.store.changes import feed
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.engine.database import db
from lots.store.tables.decisions import CorrectiveAction
from lots.store.tables.models import Supplier

# How far back the list looks, and how near a limit is near.
BACK = timedelta(days=730)
_NEAR_LOTS = 3
URGENCY = ("overdue_action", "limit_near", "refused_waiting", "drifting")


class Unnamed(TypedDict):
    """One thing to act on, by the numbers of its supplier and grade."""

    what: str
    supplier_id: int
    grade_id: int
    lot_id: int
    measure: str | None
    p_value: float | None
    says: str


class Line(Unnamed):
    """The same with their names."""

    supplier: str
    grade: str


def act_this_week() -> View:
    """Returns where purchasing must act: overdue actions, limits about to be reached, refused lots, drift. Seven queries at most.

    Only lots of the last two years are looked at, so it does not grow with the archive. Of the series that are listed as drifting a stated share
    is steady on average, at most.
    """
    now = clock.now()
    lots, overdue = lot_series.lots_of(since=now - BACK), store.overdue_actions(now)
    suppliers, grades = supplies.named(lots, pairs_of(overdue))
    return to_act_on(now, lots, overdue, suppliers, supplies.charted(lots, grades))


def as_last_worked_out() -> View:
    """Returns the same, worked out anew only once anything was recorded since, or an hour has begun. One query, else as many as `act_this_week`.

    Whatever it rests on is written in the history, so nothing has changed while the newest entry there has not.
    """
    key = (str(db.obj.database), *feed.newest_of_all(), clock.now().replace(minute=0, second=0, microsecond=0))
    if _KEPT.get("key") != key:
        _KEPT.update(key=key, week=act_this_week())
    return cast("View", _KEPT["week"])


# The last list, and what it was worked out from.
_KEPT: dict[str, object] = {}


def pairs_of(actions: Sequence[CorrectiveAction]) -> list[Pair]:
    """Returns the suppliers and grades of corrective actions."""
    return [(action.supplier_id, action.grade_id) for action in actions]


def to_act_on(
    now: datetime,
    lots: LotSeries,
    overdue: Sequence[CorrectiveAction],
    suppliers: Mapping[int, Supplier],
    told: Charted,
) -> View:
    """Returns where to act. No query.

    Args:
        now: the moment of asking.
        lots: of the last two years, of all suppliers and grades.
        overdue: corrective actions that are overdue.
        suppliers: of both, by number.
        told: what the lots are charted against.
    """
    groups = sorted(lots.by([(row.supplier_id, row.grade_id) for row in lots.rows]).items())
    followed = {pair: told.follow(pair, mine) for pair, mine in groups}
    selected = drift.select(one for mine in followed.values() for one in mine)
    found = [_overdue(action, now) for action in overdue]
    found += [line for pair, mine in groups for line in _refused(mine, pair)]
    drifting = drift.listed(followed, selected)
    found += [line for pair, mine in drifting.items() for one in mine for line in _moving(pair, one)]
    items: list[Line] = [
        {**one, "supplier": suppliers[one["supplier_id"]].name, "grade": told.grades[one["grade_id"]].code}
        for one in found
    ]
    items.sort(key=lambda item: (URGENCY.index(item["what"]), item["supplier"], item["grade"]))
    says = "Nothing to act on this week."
    if items:
        says = f"{counted(len(items), 'thing needs', 'things need')} attention, the most urgent first."
    return {"as_of": now, "items": items, "says": f"{says}{_listed_says(selected)}", **drift.counts(selected)}


def _listed_says(selected: Listing) -> str:
    """How many series were looked at, how many are listed and how many of those may be steady; nothing where there are none to look at."""
    if not selected.looked_at:
        return ""
    of = f" Of {counted(selected.looked_at, 'series', 'series')} looked at, {counted(selected.count, 'drifts', 'drift')}."
    if not selected.count:
        return of
    rate = f" On average, at most {percent(selected.rate)} of the series listed as drifting are steady."
    return f"{of}{rate} Weaker signals are on the drift pages of the suppliers."


def _overdue(action: CorrectiveAction, now: datetime) -> Unnamed:
    days = counted(max((now - action.due_at).days, 1), "day")
    says = f"No answer yet on corrective action {action.id} for lot {action.lot.supplier_lot}, due {days} ago."
    return _line("overdue_action", (action.supplier_id, action.grade_id), says, action.lot_id)


def _moving(pair: Pair, one: Followed) -> Iterator[Unnamed]:
    """The lines of a listed series, one for each signal."""
    part, ahead = one.part, one.analysis.projection
    # A limit that is reached already has no lot to come that reaches it first.
    comes = None if ahead is None or ahead.limit is None else ahead.earliest or ahead.about
    soon = ahead is not None and comes is not None and comes - ahead.last <= _NEAR_LOTS
    for signal in signals_to_report(one.analysis, one.limit):
        says = signals.moved(signal, part)
        if soon and ahead is not None:
            says += f" {ahead_says(ahead, part)}"
        yield _line("limit_near" if soon else "drifting", pair, says, part.lot(-1).id, one)


def _refused(lots: LotSeries, pair: Pair) -> Iterator[Unnamed]:
    for row in lots.rows:
        if row.standing == "blocked":
            says = f"Lot {row.supplier_lot} is blocked and still here: ask quality to return it, scrap it or permit it by a concession."
            yield _line("refused_waiting", pair, says, row.id)


def _line(what: str, pair: Pair, says: str, lot_id: int, one: Followed | None = None) -> Unnamed:
    return {
        "what": what,
        "supplier_id": pair[0],
        "grade_id": pair[1],
        "lot_id": lot_id,
        "measure": one.measure if one else None,
        "p_value": one.analysis.p if one else None,
        "says": says,
    }
