"""Stock for purchasing: remaining filament by lot, weekly consumption, and lead times until release."""

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

# The lots that count for lead times and acceptance: the newest ones, received within a period.
NEWEST, LEAD_BACK = 500, timedelta(days=730)

# The columns of a lot for a spool check without a job. Its other JSON columns would be parsed in vain.
_LOT = (Lot.id, Lot.grade, Lot.supplier, Lot.supplier_lot, Lot.received_at, Lot.judged_at, Lot.standing, Lot.by_hand)
_MORE = (Lot.by_hand_reason, Lot.uses, Lot.why, Lot.wet, Lot.concessions, Lot.reinspected_until, Lot.moisture_at)
_GRADE = (Grade.id, Grade.code, Grade.color_name, Grade.cautions, Grade.shelf_life_days, Grade.open_life_days)
_DRY = (Grade.dry_c, Grade.dry_h, Grade.softening_c, Grade.dry_for_h, Grade.dry_for_open_h, Grade.finish, Grade.filler)
_USES = (Grade.filler_kind, Grade.forbidden_uses, Grade.permitted_uses, Grade.forbidden_shapes)
_REVISIONS = (LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.lab)
# Dates of a spool matter only if the grade limits the time after opening or drying, or if the lot was too wet.
_DATED = Grade.open_life_days.is_null(False) | Grade.dry_for_h.is_null(False) | Lot.wet.is_null(False)
_NO_DATE = (
    Spool.opened_at.is_null() & Spool.dried_at.is_null() & Spool.dry_at.is_null() & Spool.dried_by_rule_at.is_null()
)
# Spools without properties that distinguish them within their delivery.
_PLAIN = ~Spool.spliced & Spool.nonconforming.is_null() & Spool.machine.is_null() & (_NO_DATE | ~_DATED)
# Lots that are still in the shop.
_HERE = Lot.standing.not_in(("returned", "scrapped"))


def lots_with_stock(grade_id: int | None) -> list[Lot]:
    """Returns lots in stock, also on machines, with the columns for a spool check. Read-only rows. One query on the index of stock."""
    return _STOCKED.all() if grade_id is None else _STOCKED_OF_GRADE.all(grade=grade_id)


def lots_numbered(numbers: Iterable[int]) -> list[Lot]:
    """Returns lots by id with the columns of `lots_with_stock`, as model instances. At most one query."""
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
    """Equivalent spools of a delivery: time of receipt, number, and remaining mass, g."""

    lot_id: int
    came_at: datetime
    spools: int
    mass_g: float


def alike_spools(grade_id: int | None) -> list[Alike]:
    """Returns equivalent spools in stock, summed per delivery. One query on the index of stock."""
    columns = (Spool.lot, Delivery.came_at, fn.COUNT(Spool.id), fn.SUM(Spool.remaining_mass_g))
    query = Spool.select(*columns).join(Delivery).switch(Spool).join(Lot).join(Grade)
    query = query.where(LEFT & _PLAIN & _HERE).group_by(Spool.lot, Delivery.id, Delivery.came_at)
    if grade_id is not None:
        query = query.where(Lot.grade == grade_id)
    return [Alike(*row) for row in query.tuples().iterator()]


def other_spools(grade_id: int | None) -> list[Spool]:
    """Returns every other spool in stock: opened, dried, on a machine, nonconforming or respooled. Read-only rows.

    One query on the index of stock.
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
    """The consumption of a grade for one use in one week, counted back from now: number of loads, kg, and sum of squares of kg."""

    grade_id: int
    use: str
    week: int
    takings: int
    kg: float
    squares: float


def taken(now: datetime, weeks: int, grade_id: int | None) -> list[Taken]:
    """Returns the consumption of loads that ended in the last weeks, by grade, use and week. Week 0 ends now. One query on an index."""
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
    """A grade, and the time since which its consumption is recorded: the later of its first lot and the shop's first load."""

    id: int
    code: str
    color_name: str
    since: datetime | None


def grades(numbers: Sequence[int], grade_id: int | None) -> list[Known]:
    """Returns these grades and all grades with limits and lots, or only `grade_id` when given. Two queries on indexes."""
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
    """The times of a lot for lead times. Times that are not recorded are None.

    `accepted` is acceptance by the original inspection for at least one use, None while it is open. `uses` has it per use.
    A resubmitted lot does not count for acceptance.
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
    """Returns the newest lots with their first open delivery and first release, newest first. Two queries, at most 500 lots of two years."""
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
