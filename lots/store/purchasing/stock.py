"""Stock for purchasing: what is left of each lot, what loads took week by week, and how long lots took until their release."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from peewee import JOIN, SQL, Case, ModelSelect, fn

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.store.assessment.lots import LEFT, still_open
from lots.store.drift.lot_series import accepted_by_use
from lots.store.engine.compiled_queries import Prepared, given, numbered
from lots.store.receiving.deliveries import current
from lots.store.tables.loads import Load
from lots.store.tables.models import Decision, Delivery, Grade, LimitsRevision, Lot, ShadeRevision, Spool, Supplier

# Lots whose lead times and acceptance count: so many of the newest, received within so many days.
NEWEST, LEAD_BACK = 500, timedelta(days=730)

# What clearance asks of a lot as far as that does not hang on a job; other documents would be read at every lot for nothing.
_LOT = (Lot.id, Lot.grade, Lot.supplier, Lot.supplier_lot, Lot.received_at, Lot.judged_at, Lot.standing, Lot.by_hand)
_MORE = (Lot.by_hand_reason, Lot.uses, Lot.why, Lot.wet, Lot.concessions, Lot.reinspected_until, Lot.moisture_at)
_GRADE = (Grade.id, Grade.code, Grade.color_name, Grade.cautions, Grade.shelf_life_days, Grade.open_life_days)
_DRY = (Grade.dry_c, Grade.dry_h, Grade.softening_c, Grade.dry_for_h, Grade.dry_for_open_h, Grade.finish, Grade.filler)
_USES = (Grade.filler_kind, Grade.forbidden_uses, Grade.permitted_uses, Grade.forbidden_shapes)
_REVISIONS = (LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.lab)
# Where a grade limits no time after opening or drying, and its lot was not too wet, dates tell no spool from another.
_DATED = Grade.open_life_days.is_null(False) | Grade.dry_for_h.is_null(False) | Lot.wet.is_null(False)
_NO_DATE = (
    Spool.opened_at.is_null() & Spool.dried_at.is_null() & Spool.dry_at.is_null() & Spool.dried_by_rule_at.is_null()
)
# Spools that nothing tells from others of their delivery.
_PLAIN = ~Spool.spliced & Spool.nonconforming.is_null() & Spool.machine.is_null() & (_NO_DATE | ~_DATED)
# Lots that are not gone.
_HERE = Lot.standing.not_in(("returned", "scrapped"))


def lots_with_stock(grade_id: int | None) -> list[Lot]:
    """Lots with filament left, on the shelf or on a machine, with what clearance asks of them, only to be read. One query, from the index of stock."""
    return _STOCKED.all() if grade_id is None else _STOCKED_OF_GRADE.all(grade=grade_id)


def lots_numbered(numbers: Iterable[int]) -> list[Lot]:
    """The same of lots by their numbers, as models. At most one query."""
    wanted = sorted(set(numbers))
    return list(_lots().where(numbered(Lot.id, wanted))) if wanted else []


def _lots() -> ModelSelect[Lot]:
    query = Lot.select(*_LOT, *_MORE, *_GRADE, *_DRY, *_USES, *_REVISIONS).join(Grade).switch(Lot)
    return query.join(LimitsRevision, JOIN.LEFT_OUTER).switch(Lot).join(ShadeRevision, JOIN.LEFT_OUTER)


def _stocked() -> ModelSelect[Lot]:
    return _lots().where(_HERE & Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT)))


_OF_GRADE = Lot.grade == given("grade")
_STOCKED, _STOCKED_OF_GRADE = Prepared(_stocked), Prepared(lambda: _stocked().where(_OF_GRADE))


class Alike(NamedTuple):
    """Spools of one delivery that nothing tells apart: when they came, how many, and what is on them, g."""

    lot_id: int
    came_at: datetime
    spools: int
    mass_g: float


def alike_spools(grade_id: int | None) -> list[Alike]:
    """Spools with filament left that only their delivery tells apart, added up per delivery. One query, from the index of stock."""
    columns = (Spool.lot, Delivery.came_at, fn.COUNT(Spool.id), fn.SUM(Spool.remaining_mass_g))
    query = Spool.select(*columns).join(Delivery).switch(Spool).join(Lot).join(Grade)
    query = query.where(LEFT & _PLAIN & _HERE).group_by(Spool.lot, Delivery.id, Delivery.came_at)
    if grade_id is not None:
        query = query.where(Lot.grade == grade_id)
    return [Alike(*row) for row in query.tuples().iterator()]


def other_spools(grade_id: int | None) -> list[Spool]:
    """Every other spool with filament left: dated, on a machine, nonconforming or wound in the shop, only to be read.

    One query, from the index of stock.
    """
    return _OTHERS.all() if grade_id is None else _OTHERS_OF_GRADE.all(grade=grade_id)


def _others() -> ModelSelect[Spool]:
    dates = (Spool.opened_at, Spool.dried_at, Spool.dry_at, Spool.dried_by_rule_at, Spool.withdrawn_at)
    own = (Spool.id, Spool.code, Spool.lot, Spool.remaining_mass_g, Spool.machine, Spool.nonconforming, Spool.spliced)
    query = Spool.select(*own, *dates, Delivery.id, Delivery.came_at)
    query = query.join(Delivery).switch(Spool).join(Lot).join(Grade)
    return query.where(LEFT & ~_PLAIN & _HERE)


_OTHERS, _OTHERS_OF_GRADE = Prepared(_others), Prepared(lambda: _others().where(_OF_GRADE))


class Taken(NamedTuple):
    """What loads for one use took of a grade in one week: its number counted back from now, how often, kg, and the sum of squares."""

    grade_id: int
    use: str
    week: int
    takings: int
    kg: float
    squares: float


def taken(now: datetime, weeks: int, grade_id: int | None) -> list[Taken]:
    """What loads that ended in these weeks took, by grade, use and week; week 0 ends now. One query, on the index of loads by when they ended."""
    ends = [now - timedelta(weeks=week) for week in range(weeks + 1)]
    in_week = Case(None, [(Load.unloaded_at > ends[week + 1], week) for week in range(weeks)], weeks)
    kg = (Load.mass_before_g - Load.remaining_mass_g) / 1000.0
    sums = (fn.COUNT(Load.id), fn.SUM(kg), fn.SUM(kg * kg))
    query = Load.select(Lot.grade, Load.use, in_week.alias("week"), *sums).join(Lot)
    ended = (Load.unloaded_at > ends[weeks]) & (Load.unloaded_at <= now)
    query = query.where(ended & (Load.mass_before_g > Load.remaining_mass_g))
    if grade_id is not None:
        query = query.where(Lot.grade == grade_id)
    return [Taken(*row) for row in query.group_by(Lot.grade, Load.use, SQL("week")).tuples().iterator()]


class Known(NamedTuple):
    """A grade, and since when the record can show that it was used: its first lot and the first load of the shop."""

    id: int
    code: str
    color_name: str
    since: datetime | None


def grades(numbers: Sequence[int], grade_id: int | None) -> list[Known]:
    """These grades, and those with limits of which a lot once came, one of them where `grade_id` names it.

    Each has the moment its first lot came, or the shop's first load where that was later. Two queries on indexes.
    """
    first_load = Load.select(Load.loaded_at).order_by(Load.id).limit(1).scalar()
    came = Lot.alias()
    first = came.select(fn.MIN(came.received_at)).where(came.grade == Grade.id)
    limited = LimitsRevision.select(SQL("1")).where(LimitsRevision.grade == Grade.id)
    bought = Lot.select(SQL("1")).where((Lot.grade == Grade.id) & still_open())
    wanted = numbered(Grade.id, [0, *numbers]) | (fn.EXISTS(limited) & fn.EXISTS(bought))
    rows = Grade.select(Grade.id, Grade.code, Grade.color_name, first.alias("since")).where(wanted)
    if grade_id is not None:
        rows = rows.where(Grade.id == grade_id)
    found = []
    for number, code, color, since in rows.tuples().iterator():
        at = Lot.received_at.python_value(since)
        found.append(Known(number, code, color, max(at, first_load) if at and first_load else None))
    return found


class Received(NamedTuple):
    """A lot as far as it tells how long lots take; moments that are not recorded are None.

    `accepted` says whether its original inspection accepted it for at least one use, None while that is open; `uses` says for which.
    A sorted lot that was sent again counts for no acceptance.
    """

    lot_id: int
    supplier_id: int
    supplier: str
    grade_id: int
    sent_again: bool
    accepted: bool | None
    uses: Mapping[str, bool]
    ordered_at: datetime | None
    received_at: datetime
    released_at: datetime | None


def received(now: datetime) -> list[Received]:
    """The newest lots with their first open delivery and first release, newest first. Two queries, at most 500 lots of two years."""
    newest = Lot.select(Lot.id).where((Lot.received_at >= now - LEAD_BACK) & still_open())
    newest = newest.order_by(Lot.received_at.desc()).limit(NEWEST)
    wanted = [number for (number,) in newest.tuples().iterator()]
    made = Decision.alias()
    first = made.select(fn.MIN(made.decided_at)).where((made.lot == Lot.id) & made.standing.in_(list(LOADABLE)))
    of_lot = (Lot.id, Lot.supplier, Supplier.name, Lot.grade, Lot.resubmission_of)
    judged = (Lot.first_inspection, Lot.uses)
    of_delivery = (Delivery.ordered_at, Delivery.received_at, Delivery.came_at, Delivery.corrected)
    query = Delivery.select(*of_lot, *judged, *of_delivery, first.alias("released_at")).join(Lot).join(Supplier)
    found: dict[int, Received] = {}
    for row in query.where(numbered(Lot.id, wanted)).order_by(Delivery.came_at, Delivery.id).tuples().iterator():
        number, supplier, name, grade, again, inspected, uses, ordered, logged, came, corrected, released = row
        is_now = current(Delivery(ordered_at=ordered, received_at=logged, came_at=came, corrected=corrected))
        if number not in found and is_now.closed is None:
            at = Decision.decided_at.python_value(released)
            accepted, by_use = inspected and inspected["accepted"], accepted_by_use(inspected, uses)
            moments = (is_now.ordered_at, is_now.received_at, at)
            found[number] = Received(number, supplier, name, grade, again is not None, accepted, by_use, *moments)
    return sorted(found.values(), key=lambda one: (one.received_at, one.lot_id), reverse=True)
