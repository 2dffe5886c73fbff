"""Master data: suppliers, shades, grades, limits, instruments and the shop's details."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Literal, TypeAlias, TypeVar, overload

from peewee import JOIN, fn

from lots.store.engine.paging import Page, page
from lots.store.tables.loads import Machine
from lots.store.tables.models import (
    Grade,
    Instrument,
    InstrumentCheck,
    LimitsRevision,
    Lot,
    Shade,
    ShadeRevision,
    ShopDetails,
    Supplier,
)

# Tables with a code, by their names in the API and the history.
Coded: TypeAlias = Supplier | Shade | Grade | Instrument
CODED: dict[str, type[Coded]] = {"supplier": Supplier, "shade": Shade, "grade": Grade, "instrument": Instrument}
# Tables with a version for optimistic locking.
_VERSIONED: dict[str, type[Supplier | Shade | Grade | Instrument | Machine]] = {**CODED, "machine": Machine}
_C = TypeVar("_C", Supplier, Shade, Grade, Instrument)


@overload
def find(subject: Literal["supplier"], number: int) -> Supplier | None: ...
@overload
def find(subject: Literal["shade"], number: int) -> Shade | None: ...
@overload
def find(subject: Literal["grade"], number: int) -> Grade | None: ...
@overload
def find(subject: Literal["instrument"], number: int) -> Instrument | None: ...
@overload
def find(subject: str, number: int) -> Coded | None: ...
def find(subject: str, number: int) -> Coded | None:
    """Returns a row by id, or None."""
    model = CODED[subject]
    return model.get_or_none(model.id == number)


@overload
def find_by_code(subject: Literal["supplier"], code: str) -> Supplier | None: ...
@overload
def find_by_code(subject: Literal["shade"], code: str) -> Shade | None: ...
@overload
def find_by_code(subject: Literal["grade"], code: str) -> Grade | None: ...
@overload
def find_by_code(subject: Literal["instrument"], code: str) -> Instrument | None: ...
@overload
def find_by_code(subject: str, code: str) -> Coded | None: ...
def find_by_code(subject: str, code: str) -> Coded | None:
    """Returns a row by its code, or None."""
    model = CODED[subject]
    return model.get_or_none(model.code == code)


def codes(subject: str) -> list[str]:
    """Returns the codes of a table, at most 500, for a hint at a misspelt code."""
    model = CODED[subject]
    return [code for (code,) in model.select(model.code).order_by(model.code).limit(500).tuples().execute()]


def listed(model: type[_C], cursor: str | None, limit: int) -> Page[_C]:
    """Returns a page of a table, oldest first."""
    return page(model.select(), model.id, cursor, limit)


def grades_to_review(cursor: str | None, limit: int) -> Page[Grade]:
    """Returns a page of grades without a kind of filler, or with an unconfirmed forbidden use from a caution. One query of a small table."""
    unconfirmed = Grade.forbidden_uses.contains('"from_caution":true')
    return page(Grade.select().where(Grade.filler_kind.is_null() | unconfirmed), Grade.id, cursor, limit)


def add(subject: str, values: Mapping[str, object], by: str, now: datetime) -> Coded:
    """Stores a row and returns it."""
    return CODED[subject].create(**values, recorded_by=by, recorded_at=now)


def change(subject: str, number: int, version: int, values: Mapping[str, object]) -> bool:
    """Updates a row if it still has this version. Returns False after a concurrent change."""
    model = _VERSIONED[subject]
    changed = (
        model.update(**values, version=model.version + 1)
        .where((model.id == number) & (model.version == version))
        .execute()
    )
    return bool(changed)


def shop() -> ShopDetails | None:
    """Returns the shop's details, or None. One query."""
    found: ShopDetails | None = ShopDetails.select().first()
    return found


def describe_shop(number: int, version: int, values: Mapping[str, object], by: str, now: datetime) -> bool:
    """Stores the shop's details if they still have this version, 0 for none. Returns False after a concurrent change."""
    said = {**values, "recorded_by": by, "recorded_at": now}
    if version == 0:
        return bool(ShopDetails.insert(id=number, **said).on_conflict_ignore().execute())
    held = (ShopDetails.id == number) & (ShopDetails.version == version)
    return bool(ShopDetails.update(**said, version=version + 1).where(held).execute())


def has_lots(grade: Grade) -> bool:
    """Returns True if a lot of this grade exists."""
    return Lot.select().where(Lot.grade == grade).exists()


def lock(subject: str, number: int) -> None:
    """Locks a row until the transaction ends, so that revision numbers are assigned one at a time."""
    model = CODED[subject]
    model.update(code=model.code).where(model.id == number).execute()


def add_shade_revision(shade: Shade, values: Mapping[str, object], by: str, now: datetime) -> ShadeRevision:
    """Stores the next revision of a shade."""
    lock("shade", shade.id)
    last = ShadeRevision.select(fn.MAX(ShadeRevision.revision)).where(ShadeRevision.shade == shade).scalar() or 0
    return ShadeRevision.create(shade=shade, revision=last + 1, **values, recorded_by=by, recorded_at=now)


def shade_revisions(shade: Shade, cursor: str | None, limit: int) -> Page[ShadeRevision]:
    """Returns a page of a shade's revisions, oldest first."""
    return page(ShadeRevision.select().where(ShadeRevision.shade == shade), ShadeRevision.id, cursor, limit)


def current_shade_revisions(shades: Iterable[int]) -> dict[int, ShadeRevision]:
    """Returns the newest revision by shade, with its shade. Shades without one are left out. One query."""
    newest = (
        ShadeRevision.select(ShadeRevision.shade.alias("shade_id"), fn.MAX(ShadeRevision.revision).alias("newest"))
        .where(ShadeRevision.shade.in_(list(shades)))
        .group_by(ShadeRevision.shade)
    )
    rows = (
        ShadeRevision.select(ShadeRevision, Shade)
        .join(Shade)
        .switch(ShadeRevision)
        .join(
            newest,
            on=((ShadeRevision.shade == newest.c.shade_id) & (ShadeRevision.revision == newest.c.newest)),
        )
    )
    return {row.shade_id: row for row in rows}


def brightened(shade: Shade) -> Grade | None:
    """Returns a grade of this shade with optical brightener, or None."""
    found: Grade | None = Grade.select().where((Grade.shade == shade) & Grade.brightened).order_by(Grade.id).first()
    return found


def shade_revision(shade_id: int, revision: int) -> ShadeRevision | None:
    """Returns a revision of a shade by its number, or None."""
    return ShadeRevision.get_or_none((ShadeRevision.shade == shade_id) & (ShadeRevision.revision == revision))


def add_limits_revision(grade: Grade, values: Mapping[str, object], by: str, now: datetime) -> LimitsRevision:
    """Stores the next limits revision of a grade."""
    lock("grade", grade.id)
    last = LimitsRevision.select(fn.MAX(LimitsRevision.revision)).where(LimitsRevision.grade == grade).scalar() or 0
    return LimitsRevision.create(grade=grade, revision=last + 1, **values, recorded_by=by, recorded_at=now)


def limits_revisions(grade: Grade, cursor: str | None, limit: int) -> Page[LimitsRevision]:
    """Returns a page of a grade's limits, oldest first."""
    return page(LimitsRevision.select().where(LimitsRevision.grade == grade), LimitsRevision.id, cursor, limit)


def current_limits(grade_id: int) -> LimitsRevision | None:
    """Returns a grade's newest limits, or None."""
    of_grade = LimitsRevision.select().where(LimitsRevision.grade == grade_id)
    found: LimitsRevision | None = of_grade.order_by(LimitsRevision.revision.desc()).first()
    return found


def newest_limits_of_shade(shade_id: int) -> LimitsRevision | None:
    """Returns the newest limits of any grade of this shade, or None. One query."""
    of_shade = LimitsRevision.select().join(Grade).where(Grade.shade == shade_id)
    found: LimitsRevision | None = of_shade.order_by(LimitsRevision.id.desc()).first()
    return found


def limits_revision(grade_id: int, revision: int) -> LimitsRevision | None:
    """Returns a limits revision of a grade by its number, or None."""
    return LimitsRevision.get_or_none((LimitsRevision.grade == grade_id) & (LimitsRevision.revision == revision))


def instruments(numbers: Iterable[int]) -> dict[int, Instrument]:
    """Returns instruments by id. One query."""
    wanted = list(numbers)
    return {row.id: row for row in Instrument.select().where(Instrument.id.in_(wanted))} if wanted else {}


def all_instruments() -> list[Instrument]:
    """Returns all instruments, sorted by code. One query."""
    return list(Instrument.select().order_by(Instrument.code))


def instruments_with_checks() -> list[tuple[Instrument, list[InstrumentCheck]]]:
    """Returns all instruments, sorted by code, with time and result of their checks. One query."""
    of_it = InstrumentCheck.instrument == Instrument.id
    columns = (Instrument, InstrumentCheck.id, InstrumentCheck.checked_at, InstrumentCheck.result)
    query = Instrument.select(*columns).join(InstrumentCheck, JOIN.LEFT_OUTER, on=of_it, attr="checked")
    found: dict[int, tuple[Instrument, list[InstrumentCheck]]] = {}
    for row in query.order_by(Instrument.code, InstrumentCheck.id):
        check: InstrumentCheck | None = getattr(row, "checked", None)
        found.setdefault(row.id, (row, []))[1].extend([check] if check is not None else [])
    return list(found.values())


def first_measured(instrument_id: int, name: str) -> bool:
    """Sets the characteristic that an instrument measures if not stated yet. Returns False after a concurrent change."""
    unstated = (Instrument.id == instrument_id) & Instrument.measures.is_null()
    return bool(Instrument.update(measures=[name], version=Instrument.version + 1).where(unstated).execute())


def all_checks(numbers: Iterable[int], known_at: datetime | None = None) -> dict[int, list[InstrumentCheck]]:
    """Returns checks by instrument, up to `known_at` when given. One query."""
    wanted = list(numbers)
    found: dict[int, list[InstrumentCheck]] = {number: [] for number in wanted}
    if not wanted:
        return found
    query = InstrumentCheck.select().where(InstrumentCheck.instrument.in_(wanted))
    if known_at is not None:
        query = query.where(InstrumentCheck.recorded_at <= known_at)
    for row in query:
        found[row.instrument_id].append(row)
    return found


def add_check(instrument: Instrument, values: Mapping[str, object], by: str, now: datetime) -> InstrumentCheck:
    """Stores a check of an instrument."""
    return InstrumentCheck.create(instrument=instrument, **values, recorded_by=by, recorded_at=now)


def checks(instrument: Instrument, cursor: str | None, limit: int) -> Page[InstrumentCheck]:
    """Returns a page of an instrument's checks, oldest record first."""
    query = InstrumentCheck.select().where(InstrumentCheck.instrument == instrument)
    return page(query, InstrumentCheck.id, cursor, limit)
