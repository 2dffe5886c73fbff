"""Purchasing: the matters to act on this week over all suppliers and grades, ordered by risk."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TypedDict, cast

from lots.domain.drift.lot_series import LotSeries
from lots.domain.drift.reported import Listing
from lots.domain.purchasing import urgency
from lots.domain.purchasing.urgency import ANSWERS, MATTERS, Risk
from lots.domain.words import counted, plural
from lots.services import clock
from lots.services.drift import drift
from lots.services.drift.views import percent
from lots.services.purchasing import stock, supplies, week_entries
from lots.services.purchasing.stock import Short
from lots.services.purchasing.supplies import Charted, Pair
from lots.services.purchasing.week_entries import Entry, Shelf
from lots.services.setup import shop
from lots.services.views import View
from lots.store.changes import feed
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.engine.database import db
from lots.store.purchasing import in_the_shop
from lots.store.purchasing.in_the_shop import OpenLetter
from lots.store.tables.decisions import CorrectiveAction
from lots.store.tables.models import Supplier

# The list considers lots received in this time.
BACK = timedelta(days=730)
# Every kind of matter.
KINDS: tuple[str, ...] = MATTERS
# The kinds of overdue answers.
LATE: tuple[str, ...] = ANSWERS


class RiskView(TypedDict):
    """The risk of a matter, for the API."""

    limit_used: float | None
    lots_left_low: int | None
    lots_left_high: int | None
    probability_next_fails: float | None
    stock_kg: float | None


class Line(TypedDict):
    """A matter to act on."""

    what: str
    supplier_id: int
    supplier: str
    grade_id: int
    grade: str
    lot_id: int
    supplier_lot: str
    corrective_action_id: int | None
    measure: str | None
    p_value: float | None
    risk: RiskView
    says: str


@dataclass(frozen=True, slots=True)
class Owed:
    """The data of the list other than series of lots: overdue answers, filament in the shop, and short stocks."""

    overdue: Sequence[CorrectiveAction]
    letters: Sequence[OpenLetter]
    shelf: Shelf
    short: Sequence[Short] = ()

    @property
    def pairs(self) -> list[Pair]:
        """The suppliers and grades of corrective actions."""
        return [(action.supplier_id, action.grade_id) for action in self.overdue]


def act_this_week() -> View:
    """Returns the matters for purchasing: overdue answers, limits nearly reached, waiting lots, short stocks and drift.

    At most twenty queries for any number of lots. Only lots of the last two years are considered. The share of steady series among those
    listed as drifting is controlled on average (false discovery rate).
    """
    now = clock.now()
    lots, owed = lot_series.lots_of(since=now - BACK), owed_now(now)
    suppliers, grades = supplies.named(lots, owed.pairs)
    return to_act_on(now, lots, owed, suppliers, supplies.charted(lots, grades))


def as_last_worked_out() -> View:
    """Returns the answer of `act_this_week` from a cache, which is renewed after a new entry in the history, and every hour.

    One query if the cache is valid. All data of the list are recorded in the history, so its newest entry shows any change.
    """
    key = (str(db.obj.database), *feed.newest_of_all(), clock.now().replace(minute=0, second=0, microsecond=0))
    if _CACHE.get("key") != key:
        _CACHE.update(key=key, week=act_this_week())
    return cast("View", _CACHE["week"])


# The last list and its cache key.
_CACHE: dict[str, object] = {}


def owed_now(now: datetime) -> Owed:
    """Returns the data of the list other than series of lots. At most twelve queries."""
    overdue, there = store.overdue_actions(now), in_the_shop.lots_in_shop(now - BACK)
    shelf = Shelf({one.id: one for one in there}, shop.details().usual_quarantine_days)
    refused = (one.id for one in there if one.standing != "released")
    return Owed(overdue, in_the_shop.letters_without_answer(refused, now), shelf, stock.short(now))


def to_act_on(
    now: datetime,
    lots: LotSeries,
    owed: Owed,
    suppliers: Mapping[int, Supplier],
    told: Charted,
    brought: Callable[[Iterable[int]], Mapping[int, float]] = in_the_shop.masses_of,
) -> View:
    """Returns the matters to act on, the most urgent first (`urgency`). One query if a drift is listed, else none.

    Args:
        now: the present time.
        lots: of the last two years, of all suppliers and grades.
        owed: the other data of the list.
        suppliers: of both, by number.
        told: the limits and baselines of the lots.
        brought: returns the mass received with each lot, g.

    Notes:
        Series are selected among those with a signal to act on (`signals_to_act_on`), which controls the false discovery rate. Improvements and
        immaterial changes are never listed. They are on the drift pages.
    """
    groups = sorted(lots.by([(row.supplier_id, row.grade_id) for row in lots.rows]).items())
    followed = {pair: told.follow(pair, mine) for pair, mine in groups}
    selected = drift.select((one for mine in followed.values() for one in mine), urgency.signals_to_act_on)
    found = [
        *week_entries.answers_overdue(owed.overdue, owed.shelf, now),
        *week_entries.letters_unanswered(owed.letters, owed.overdue, owed.shelf, now),
        *week_entries.lots_waiting(owed.shelf, now),
        *week_entries.stock_short(owed.short, lots.rows),
        *_with_mass(
            [
                week_entries.drifting(pair, one, owed.shelf)
                for pair, mine in drift.listed(followed, selected).items()
                for one in mine
            ],
            brought,
        ),
    ]
    names = {one: (suppliers[one.pair[0]].name, told.grades[one.pair[1]].code) for one in found}
    found.sort(key=lambda one: (*urgency.urgency(one.what, one.risk), *names[one], one.lot_id, one.measure or ""))
    says = "Nothing to act on this week."
    if found:
        says = f"{counted(len(found), 'matter needs', 'matters need')} attention, the most urgent first."
    items = [_line(one, *names[one]) for one in found]
    return {"as_of": now, "items": items, "says": f"{says}{_listed_says(selected)}", **drift.counts(selected)}


def _with_mass(found: Sequence[Entry], brought: Callable[[Iterable[int]], Mapping[int, float]]) -> Sequence[Entry]:
    """Returns drifting series with the expected mass of the next lot, which is that of their newest lot."""
    newest = [one.lot_id for one in found]
    mass_g = brought(newest) if found else {}
    return [
        one._replace(risk=replace(one.risk, lot_kg=mass_g.get(lot, 0.0) / 1000))
        for one, lot in zip(found, newest, strict=True)
    ]


def _listed_says(selected: Listing) -> str:
    """Returns the numbers of series analysed and listed, with the false discovery rate; empty without a series."""
    if not selected.looked_at:
        return ""
    of = f" {selected.count:,} of {counted(selected.looked_at, 'series', 'series')} {plural(selected.count, 'drifts', 'drift')}."
    if not selected.count:
        return of
    rate = f" On average, at most {percent(selected.rate)} of the series listed as drifting are steady."
    return f"{of}{rate} Weaker signals are on the drift pages of the suppliers."


def _line(one: Entry, supplier: str, grade: str) -> Line:
    return {
        "what": one.what,
        "supplier_id": one.pair[0],
        "supplier": supplier,
        "grade_id": one.pair[1],
        "grade": grade,
        "lot_id": one.lot_id,
        "supplier_lot": one.supplier_lot,
        "corrective_action_id": one.action_id,
        "measure": one.measure,
        "p_value": one.p_value,
        "risk": _risk(one.risk),
        "says": one.more(),
    }


def _risk(risk: Risk) -> RiskView:
    return {
        "limit_used": risk.limit_used,
        "lots_left_low": risk.lots_left_low,
        "lots_left_high": risk.lots_left_high,
        "probability_next_fails": risk.probability_next_fails,
        "stock_kg": risk.stock_kg,
    }
