"""Readings, their voids and their exclusions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import NotRequired, TypedDict

from peewee import JOIN, Expression, ModelSelect, Value, chunked, fn

from lots.store.engine.compiled_queries import Prepared, given, insert
from lots.store.engine.paging import Page, page
from lots.store.tables.models import (
    Instrument,
    Lot,
    Reading,
    ReadingConfirmation,
    ReadingExclusion,
    ReadingVoid,
    Spool,
    VoidAgreement,
)


class NewReading(TypedDict):
    """A reading to be stored, column by column. `retest` follows from the lot."""

    kind: str
    spool: Spool
    lot: Lot
    instrument: int | None
    measured_at: datetime
    recorded_at: datetime
    recorded_by: str
    screening: bool
    retest: NotRequired[bool]
    values: dict[str, object]
    note: str | None
    to_confirm: bool | None
    build_key: str | None
    control_of: str | None


class NewExclusion(TypedDict):
    """Why a reading is excluded, and the test that showed it."""

    cause: str
    reason: str
    shown_by: Sequence[Mapping[str, object]]


# What is asked of the spool of a reading; its documents would be read at every reading for nothing.
_OF_SPOOL = (Spool.id, Spool.code, Spool.delivery, Spool.withdrawn_at)


def whole(known_at: datetime | None = None) -> ModelSelect[Reading]:
    """Readings with code and delivery of the spool, instrument, void, and the exclusion in force: at most one at any moment."""
    in_force = ReadingExclusion.included_at.is_null()
    if known_at is not None:
        still = in_force | (ReadingExclusion.included_at > known_at)
        in_force = (ReadingExclusion.excluded_at <= known_at) & still
    return (
        Reading.select(Reading, *_OF_SPOOL, Instrument, ReadingVoid, ReadingExclusion)
        .join(Spool)
        .switch(Reading)
        .join(Instrument, JOIN.LEFT_OUTER)
        .switch(Reading)
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id), attr="void")
        .switch(Reading)
        .join(
            ReadingExclusion,
            JOIN.LEFT_OUTER,
            on=((ReadingExclusion.reading == Reading.id) & in_force),
            attr="exclusion",
        )
    )


def add(rows: Sequence[NewReading]) -> list[int]:
    """Stores readings and returns their numbers in the same order. One query for every thousand."""
    return [number for part in chunked(rows, 1_000) for number in insert(Reading, part)]


def with_agreements(known_at: datetime | None = None) -> ModelSelect[Reading]:
    """The same, with the agreement of quality to the void."""
    agreed = VoidAgreement.void == ReadingVoid.id
    if known_at is not None:
        agreed &= VoidAgreement.recorded_at <= known_at
    return (
        whole(known_at)
        .select_extend(VoidAgreement)
        .switch(ReadingVoid)
        .join(VoidAgreement, JOIN.LEFT_OUTER, on=agreed, attr="agreement")
    )


def find(number: int) -> Reading | None:
    """A reading with spool, instrument, void, agreement to the void, and exclusion."""
    found: Reading | None = with_agreements().where(Reading.id == number).first()
    return found


def listed(lot: Lot, kind: str | None, cursor: str | None, limit: int) -> Page[Reading]:
    """A page of everything recorded of a lot, voided and screening readings included, in the order they were recorded."""
    query = with_agreements().where(Reading.lot == lot)
    if kind is not None:
        query = query.where(Reading.kind == kind)
    return page(query, Reading.id, cursor, limit)


def of_what_came(known_at: datetime | None = None) -> Expression:
    """The condition that a reading's spool was not withdrawn, or not yet at `known_at`."""
    there: Expression = Spool.withdrawn_at.is_null()
    if known_at is not None:
        there |= Spool.withdrawn_at > known_at
    return there


def that_count(
    lot_id: int,
    known_at: datetime | None = None,
    kind: str | None = None,
    *,
    excluded: bool = False,
    waiting: bool = False,
) -> list[Reading]:
    """Readings of a lot that are neither voided nor screening nor of a withdrawn spool, in order of number, to be read; as of `known_at` when given. One query.

    Excluded ones are among them only when asked for; each then has its `exclusion`. So are those whose void waits for the agreement of
    quality; `void_waits` tells them from the others.
    """
    if known_at is None and not excluded and not (kind and waiting):
        if kind is not None:
            return _COUNTING_OF_KIND.all(lot=lot_id, kind=kind)
        return (_WAITING_NOW if waiting else _COUNTING_NOW).all(lot=lot_id)
    return list(_counting(lot_id, known_at, kind, excluded=excluded, waiting=waiting))


def _counting(
    lot_id: int | Value,
    known_at: datetime | None = None,
    kind: str | Value | None = None,
    *,
    excluded: bool = False,
    waiting: bool = False,
) -> ModelSelect[Reading]:
    query = whole(known_at).where((Reading.lot == lot_id) & ~Reading.screening & of_what_came(known_at))
    if kind is not None:
        query = query.where(Reading.kind == kind)
    if not excluded:
        query = query.where(ReadingExclusion.id.is_null())
    counts = ReadingVoid.id.is_null()
    if waiting:
        counts |= waits(known_at)
    if known_at is not None:
        counts |= ReadingVoid.voided_at > known_at
        query = query.where(Reading.recorded_at <= known_at)
    return query.where(counts).order_by(Reading.id)


def waits(known_at: datetime | None = None) -> Expression:
    """Voids that wait for the agreement of quality; that waited at `known_at` when given."""
    agreed = VoidAgreement.select(VoidAgreement.id).where(VoidAgreement.void == ReadingVoid.id)
    if known_at is not None:
        agreed = agreed.where(VoidAgreement.recorded_at <= known_at)
    waiting: Expression = ReadingVoid.held & ~fn.EXISTS(agreed)
    return waiting


def void_waits(row: Reading, known_at: datetime | None = None) -> bool:
    """True for a reading of `that_count` whose void waits for the agreement of quality."""
    return row.void is not None and (known_at is None or row.void.voided_at <= known_at)


# Every judging asks for the last.
_COUNTING_NOW = Prepared(lambda: _counting(given("lot")))
_COUNTING_OF_KIND = Prepared(lambda: _counting(given("lot"), kind=given("kind")))
_WAITING_NOW = Prepared(lambda: _counting(given("lot"), waiting=True))


def of_controls(kind: str, charts: Iterable[str], most: int) -> list[Reading]:
    """The newest readings of the control spool on these charts (`Origin.control_of`) that count, newest first. One query on an index."""
    counting = (Reading.kind == kind) & ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null()
    counting &= Reading.control_of.in_(list(charts)) & of_what_came()
    return list(whole().where(counting).order_by(Reading.id.desc()).limit(most))


def of_lots(lot_ids: Iterable[int], kind: str) -> list[Reading]:
    """Readings of one kind of these lots that are neither voided nor screening, in order of number. One query on an index, none without a lot."""
    wanted = list(lot_ids)
    if not wanted:
        return []
    counting = (Reading.lot.in_(wanted)) & (Reading.kind == kind) & ~Reading.screening & ReadingVoid.id.is_null()
    counting &= ReadingExclusion.id.is_null() & of_what_came()
    return list(whole().where(counting).order_by(Reading.id))


def retest_rounds(lot_id: int, known_at: datetime | None = None) -> dict[str, int]:
    """Rounds of readings beyond the first, per kind. Two queries.

    Each moment counts at which readings were stored although the evidence was complete and did not pass, voided ones too, and each at
    which an author voided a reading that failed a finding.
    """
    again = Reading.select(Reading.kind, fn.COUNT(Reading.recorded_at.distinct()))
    again = again.where((Reading.lot == lot_id) & Reading.retest)
    undone = Reading.select(Reading.kind, fn.COUNT(ReadingVoid.voided_at.distinct()))
    undone = undone.join(ReadingVoid, on=(ReadingVoid.reading == Reading.id))
    undone = undone.where((Reading.lot == lot_id) & ReadingVoid.held)
    if known_at is not None:
        again = again.where(Reading.recorded_at <= known_at)
        undone = undone.where(ReadingVoid.voided_at <= known_at)
    rounds = Counter[str]()
    for query in (again, undone):
        rounds.update(dict(query.group_by(Reading.kind).tuples().execute()))
    return dict(rounds)


def lots_read_with(instrument_id: int, since: datetime | None, until: datetime | None) -> list[int]:
    """Numbers of the lots with readings taken with an instrument between two moments, both included. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument == instrument_id).distinct()
    if since is not None:
        query = query.where(Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return sorted(row.lot_id for row in query)


def has_read(instrument_id: int) -> bool:
    """True when a reading, voided ones included, was taken with an instrument. One query on an index."""
    return bool(Reading.select().where(Reading.instrument == instrument_id).exists())


def counts_read_with(instrument_id: int, since: datetime | None, until: datetime | None) -> dict[int, int]:
    """How many readings that are not void were taken with an instrument between two moments, both included, by lot. One query on an index."""
    query = Reading.select(Reading.lot, fn.COUNT(Reading.id))
    query = query.join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
    query = query.where((Reading.instrument == instrument_id) & ReadingVoid.id.is_null())
    if since is not None:
        query = query.where(Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return dict(sorted(query.group_by(Reading.lot).tuples().execute()))


def void(
    reading: Reading, reason: str, replaced_by: Reading | None, by: str, now: datetime, *, held: bool
) -> ReadingVoid:
    """Says that a reading does not count; `held` until quality agrees."""
    said = {"reason": reason, "replaced_by": replaced_by, "voided_by": by, "voided_at": now}
    return ReadingVoid.create(reading=reading, **said, held=held or None)


def agree(void: ReadingVoid, reason: str, by: str, now: datetime) -> VoidAgreement:
    """Records that quality agrees to a void by its author."""
    return VoidAgreement.create(void=void, reason=reason, recorded_by=by, recorded_at=now)


def confirm(reading: Reading, reason: str | None, by: str, now: datetime) -> ReadingConfirmation:
    """Records that a reading far from its neighbours is right."""
    return ReadingConfirmation.create(reading=reading, reason=reason, recorded_by=by, recorded_at=now)


def confirmed(numbers: Iterable[int], known_at: datetime | None = None) -> set[int]:
    """Which of these readings were confirmed, by `known_at` when given. One query for every thousand."""
    found: set[int] = set()
    for part in chunked(sorted(numbers), 1_000):
        query = ReadingConfirmation.select(ReadingConfirmation.reading).where(ReadingConfirmation.reading.in_(part))
        if known_at is not None:
            query = query.where(ReadingConfirmation.recorded_at <= known_at)
        found |= {row.reading_id for row in query}
    return found


def confirmation(number: int) -> ReadingConfirmation | None:
    """The confirmation of a reading, or None."""
    return ReadingConfirmation.get_or_none(ReadingConfirmation.reading == number)


def voids(waiting: bool | None, cursor: str | None, limit: int) -> Page[ReadingVoid]:
    """A page of voids with their readings, lots and agreements, in the order they were made.

    Args:
        waiting: True for those that wait for the agreement of quality, False for all others, None for both.
    """
    query = (
        ReadingVoid.select(ReadingVoid, Reading, *_OF_SPOOL, Lot.id, Lot.supplier_lot, VoidAgreement)
        .join(Reading, on=(ReadingVoid.reading == Reading.id))
        .join(Spool)
        .switch(Reading)
        .join(Lot)
        .switch(ReadingVoid)
        .join(VoidAgreement, JOIN.LEFT_OUTER, on=(VoidAgreement.void == ReadingVoid.id), attr="agreement")
    )
    if waiting:
        query = query.where(ReadingVoid.held & VoidAgreement.id.is_null())
    elif waiting is not None:
        query = query.where(ReadingVoid.held.is_null() | VoidAgreement.id.is_null(False))
    return page(query, ReadingVoid.id, cursor, limit)


def exclude(reading: Reading, values: NewExclusion, by: str, now: datetime) -> ReadingExclusion:
    """Says that a reading stands apart from its like."""
    return ReadingExclusion.create(reading=reading, **values, excluded_by=by, excluded_at=now)


def include(exclusion: ReadingExclusion, reason: str, by: str, now: datetime) -> None:
    """Ends an exclusion: the reading counts again."""
    said = {"included_at": now, "included_by": by, "included_reason": reason}
    ReadingExclusion.update(said).where(ReadingExclusion.id == exclusion.id).execute()


def to_judge(lot_id: int, known_at: datetime | None = None) -> list[Reading]:
    """Readings of a lot that count, those that are excluded and those whose void waits, in order of number; as of `known_at` when given. One query.

    `is_excluded` and `void_waits` tell them apart.
    """
    if known_at is None:
        return _TO_JUDGE_NOW.all(lot=lot_id)
    return list(_counting(lot_id, known_at, excluded=True, waiting=True))


def to_judge_among(rows: Iterable[Reading]) -> list[Reading]:
    """Of everything recorded of a lot, what `to_judge` returns. No query."""
    return [
        row
        for row in rows
        if not row.screening
        and row.spool.withdrawn_at is None
        and (row.void is None or (row.void.held and row.void.agreement is None))
    ]


def counting_among(rows: Iterable[Reading], kind: str | None = None) -> list[Reading]:
    """Of what `to_judge` returns now, what counts: of this kind when given. No query."""
    return [row for row in rows if row.void is None and not is_excluded(row) and kind in (None, row.kind)]


def of_lot(lot_id: int) -> list[Reading]:
    """Everything recorded of a lot, voided and screening readings included, in the order it was recorded, to be read. One query."""
    return _OF_LOT.all(lot=lot_id)


_OF_LOT = Prepared(lambda: with_agreements().where(Reading.lot == given("lot")).order_by(Reading.id))
_TO_JUDGE_NOW = Prepared(lambda: _counting(given("lot"), excluded=True, waiting=True))


def is_excluded(row: Reading) -> bool:
    """True for a reading of `to_judge` that is excluded."""
    return getattr(row, "exclusion", None) is not None


# So many of the grade's newest lots lend their repeats to one that has too few.
_LENDING_LOTS = 20
# What the scatter of readings depends on.
_LENT = (
    *(Reading.id, Reading.kind, Reading.lot, Reading.spool, Reading.instrument, Reading.measured_at),
    *(Reading.values, Reading.to_confirm, Reading.build_key),
    *(Spool.id, Spool.code),
    *(Instrument.id, Instrument.code, Instrument.recorded_at, Instrument.check_interval_days),
    *(Instrument.standard_uncertainty, Instrument.resolution),
)


def of_grade(grade_id: int, but: int, kinds: Sequence[str]) -> list[Reading]:
    """Readings of these kinds that count, of the grade's twenty newest lots but one, in order of number, to be read. One query, none without a kind."""
    named = {f"kind_{place}": kind for place, kind in enumerate(kinds)}
    return _lent(len(named)).all(grade=grade_id, but=but, **named) if named else []


@lru_cache(maxsize=16)  # there are few kinds
def _lent(kinds: int) -> Prepared[Reading]:
    newest = Lot.select(Lot.id).where((Lot.grade == given("grade")) & (Lot.id != given("but")))
    newest = newest.order_by(Lot.received_at.desc()).limit(_LENDING_LOTS)
    counting = Reading.kind.in_([given(f"kind_{place}") for place in range(kinds)]) & Reading.lot.in_(newest)
    counting &= ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null() & of_what_came()
    return Prepared(lambda: whole().select(*_LENT).where(counting).order_by(Reading.id))
