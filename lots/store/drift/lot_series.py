"""Lots in order of receipt with their stored figures, and purchases, for drift and supplier comparison. No query reads readings."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from itertools import chain, groupby, islice
from typing import NamedTuple, TypeVar, get_args

import orjson
from peewee import JOIN, Case, Function, Model, ModelSelect, Select, fn

from lots.domain.drift.lot_series import Column, LotSeries, SeriesLot
from lots.domain.receiving.severity import State
from lots.store.assessment import lots
from lots.store.engine.column_types import Json
from lots.store.engine.database import db, locks_rows
from lots.store.engine.remembered import Remembered
from lots.store.receiving import deliveries
from lots.store.tables.lots import FirstInspection
from lots.store.tables.models import Delivery, LimitsRevision, Lot, ShadeRevision, Spool

# Measure -> value, number of sampling units, sum of squares and standard uncertainty.
Measured = dict[str, list[float | None]]
_M = TypeVar("_M", bound=Model)
_V = TypeVar("_V")


def lots_of(
    *,
    supplier_id: int | None = None,
    grade_id: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> LotSeries:
    """Returns the lots of a supplier, a grade or both, received in a period, oldest first. One query on an index.

    Lots with only closed deliveries are left out.
    """
    plain = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot, Lot.standing, Lot.resubmission_of)
    revisions = (ShadeRevision.revision, LimitsRevision.revision)
    query = (
        Lot.select(*plain, *revisions, Lot.received_at, Lot.first_inspection, Lot.uses, _figures())
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .where(lots.still_open())
    )
    for field, value in ((Lot.supplier, supplier_id), (Lot.grade, grade_id)):
        if value is not None:
            query = query.where(field == value)
    cursor = db.execute(_received(query, since, until).order_by(Lot.received_at, Lot.id))
    rows: list[SeriesLot] = []
    found: defaultdict[str, list[Column]] = defaultdict(list)
    for some in _by_month(cursor):
        read = _read([row[-1] for row in some])
        for name, column in read.columns.items():
            found[name].append(Column(column.at + len(rows), column.figures))
        rows.extend(map(_lot, some, read.rests))
    return LotSeries(rows, {name: _joined(parts) for name, parts in found.items()})


def _by_month(cursor: Iterable[_Row]) -> Iterator[list[_Row]]:
    """Yields rows by month, or all together if they are few. A new lot then invalidates the cache of one month only."""
    each = iter(cursor)
    first = list(islice(each, _AT_ONCE))
    if len(first) < _AT_ONCE:
        yield first
        return
    for _, some in groupby(chain(first, each), key=lambda row: row[8][:7]):
        yield list(some)


class _Read(NamedTuple):
    """The parsed figures of some lots: a column per measure, and the rest of each lot's figures as text."""

    columns: Mapping[str, Column]
    rests: Sequence[str]


# Cached figures of this number of lots, each about 0.3 kB.
_READ: Remembered[_Read] = Remembered(60_000)


def _read(texts: Sequence[str]) -> _Read:
    """Returns the figures of some lots, parsed from their texts and cached by their hash."""

    def work() -> _Read:
        parts = [_parts(text) for text in texts]
        known: dict[str, str] = {}
        return _Read(columns_of([[part for part, _ in parts]]), [known.setdefault(rest, rest) for _, rest in parts])

    # JSON contains no NUL, so the same texts cut elsewhere have another hash.
    return _READ.get(hashlib.blake2b("\0".join(texts).encode()).digest(), len(texts), work)


def _received(query: ModelSelect[_M], since: datetime | None, until: datetime | None) -> ModelSelect[_M]:
    if since is not None:
        query = query.where(Lot.received_at >= since)
    if until is not None:
        query = query.where(Lot.received_at <= until)
    return query


# The text of a lot's figures begins with measures, instruments and failed findings. The rest, the spread of readings, is most of the
# text. Quotes within JSON strings are escaped, so no name can contain these markers.
_MEASURES, _SOURCES, _NOTHING_FAILED = '{"measures":', ',"sources":', ',"failed":[]'
# Longer than any text of figures.
_LONGEST = 1_000_000_000


def _figures() -> Function:
    """Returns the SQL for the text of a lot's figures. If nothing failed, the text ends before the spread of readings."""
    place = fn.NULLIF(_place(Lot.figures, _NOTHING_FAILED), 0)
    return fn.SUBSTR(Lot.figures, 1, fn.COALESCE(place, _LONGEST))


# Columns in the order of the query: those of SeriesLot with the time as text, then first inspection, current verdicts by use, and figures.
_Row = tuple[int, int, int, str, str, int | None, int | None, int | None, str, str | None, str, str]
# From this number on, rows are read month by month, because parsed figures are a hundred times as many objects as lots.
_AT_ONCE = 1000


def columns_of(measured: Iterable[Sequence[Measured]]) -> dict[str, Column]:
    """Returns a column per measure of lots, oldest first, from parts of the lots."""
    import numpy as np

    found: defaultdict[str, list[Column]] = defaultdict(list)
    first = 0
    for some in measured:
        alike: defaultdict[tuple[str, ...], list[int]] = defaultdict(list)
        for place, lot in enumerate(some):
            alike[tuple(lot)].append(place)
        for names, places in alike.items():
            figures = np.array([tuple(some[place].values()) for place in places], dtype=float)
            for number, name in enumerate(names):
                found[name].append(Column(np.asarray(places) + first, figures[:, number]))
        first += len(some)
    return {name: _joined(parts) for name, parts in found.items()}


def _joined(parts: Sequence[Column]) -> Column:
    """Returns the concatenation of columns of one measure, oldest lots first."""
    import numpy as np

    at = np.concatenate([part.at for part in parts])
    order = at.argsort(kind="stable")
    return Column(at[order], np.concatenate([part.figures for part in parts])[order])


def _lot(row: _Row, rest: str) -> SeriesLot:
    return SeriesLot(*row[:8], datetime.fromisoformat(row[8]), *_judged(row[9], rest), _by_use(row[9], row[10]))


def _parts(text: str) -> tuple[Measured, str]:
    """Returns the measures of a lot's figures, and the rest as text."""
    if text.endswith(","):  # cut where nothing failed
        text = f"{text[:-1]}}}"
    cut = text.find(_SOURCES)
    if cut > 0 and text.startswith(_MEASURES):
        return orjson.loads(text[len(_MEASURES) : cut]), text[cut + 1 :]
    whole = orjson.loads(text)
    return whole.pop("measures", {}), json.dumps(whole)[1:]


@lru_cache(maxsize=256)  # most lots have the same instruments and pass
def _judged(inspected: str | None, rest: str) -> tuple[bool | None, Mapping[str, Sequence[str]], Sequence[str], bool]:
    """Returns acceptance by the original inspection, instruments by characteristic, failed findings, and whether none of them is proved."""
    ended, kept = orjson.loads(inspected or "null"), orjson.loads(f"{{{rest}")
    failed, open_ = kept.get("failed", []), kept.get("not_proved")
    return ended and ended["accepted"], kept.get("sources", {}), failed, bool(open_) and set(failed) == set(open_)


@lru_cache(maxsize=256)
def _by_use(inspected: str | None, now: str) -> Mapping[str, bool]:
    return accepted_by_use(orjson.loads(inspected or "null"), orjson.loads(now))


def accepted_by_use(inspected: FirstInspection | None, now: Mapping[str, str]) -> Mapping[str, bool]:
    """Returns acceptance by the original inspection for each use, empty while it is open.

    Older lots do not store it. Their current verdicts are used, unless readings were repeated since. A rejected lot failed for all
    its uses.
    """
    if inspected is None:
        return {}
    uses: Mapping[str, str] | None = inspected.get("uses")
    if uses is None:
        uses = now
        if inspected["retested"]:
            uses = {} if inspected["accepted"] else dict.fromkeys(uses, "fail")
    return {use: verdict == "pass" for use, verdict in uses.items()}


class Purchases(NamedTuple):
    """A group of corrected deliveries with equal attributes: their number, cost and mass.

    Args:
        supplier_id: the supplier.
        standing: status of their lots.
        severity: of their inspection.
        currency: of their cost; None without a recorded cost.
        late: whether they were received after their due date; None without a due date.
        deliveries: number of deliveries.
        cost: total cost.
        mass_g: total net mass received, g.
        uses: use -> whether their lots pass for it now.
    """

    supplier_id: int
    standing: str
    severity: str
    currency: str | None
    late: bool | None
    deliveries: int
    cost: float
    mass_g: float
    uses: Mapping[str, bool]


def purchases(grade_id: int | None, since: datetime | None, until: datetime | None) -> list[Purchases]:
    """Returns purchases of lots received in a period, of a grade when given, summed in SQL. One query, one more for corrected deliveries."""
    # Respooled and withdrawn spools were not bought. A closed delivery has only withdrawn spools.
    plain = Lot.supplier.alias("supplier"), Lot.standing.alias("standing"), Lot.uses.alias("uses")
    mass = fn.SUM(Spool.net_mass_g).alias("mass_g")
    there = Delivery.select(*plain, mass).join(Lot).switch(Delivery).join(Spool).where(deliveries.came())
    there = _received(there.group_by(Delivery.id, Lot.id), since, until)
    if grade_id is not None:
        there = there.where(Lot.grade == grade_id)
    costed = Delivery.cost.is_null(False) & Delivery.currency.is_null(False)
    each = there.select_extend(
        Delivery.corrected.is_null().alias("as_logged"),
        _severity().alias("severity"),
        Case(None, [(costed, Delivery.currency)]).alias("currency"),
        Case(None, [(Delivery.due_at.is_null(False), Delivery.received_at > Delivery.due_at)]).alias("late"),
        Delivery.cost.alias("cost"),
    ).alias("each")
    alike = [each.c[name] for name in ("as_logged", "uses", "supplier", "standing", "severity", "currency", "late")]
    sums = fn.COUNT(each.c.mass_g), fn.COALESCE(fn.SUM(each.c.cost), 0.0), fn.SUM(each.c.mass_g)
    found, corrected = [], False
    for as_logged, uses, *which, late, count, cost, mass in db.execute(
        Select([each], [*alike, *sums]).group_by(*alike)
    ):
        if as_logged:
            found.append(
                Purchases._make((*which, None if late is None else bool(late), count, cost, mass, _passed(uses)))
            )
        corrected |= not as_logged
    return [*found, *_corrected(there)] if corrected else found


def _corrected(there: ModelSelect[Delivery]) -> Iterator[Purchases]:
    """Yields corrected deliveries one by one, because their values follow from their corrections. One query."""
    columns = [getattr(Delivery, name) for name in _LOGGED]
    rows = there.select_extend(*columns).where(Delivery.corrected.is_null(False)).order_by(Delivery.id)
    for supplier, standing, uses, mass, *texts in db.execute(rows):
        logged = {name: column.python_value(text) for name, column, text in zip(_LOGGED, columns, texts, strict=True)}
        now = deliveries.current(Delivery(**logged))
        late = None if now.due_at is None else now.received_at > now.due_at
        currency = None if now.cost is None else now.currency
        severity = now.sample.get("severity", _FIXED)
        yield Purchases(supplier, standing, severity, currency, late, 1, now.cost or 0.0, mass, _passed(uses))


@lru_cache(maxsize=256)
def _passed(uses: str) -> Mapping[str, bool]:
    """Returns whether each use passes, from the text of a lot's verdicts."""
    return {use: verdict == "pass" for use, verdict in orjson.loads(uses).items()}


# The columns that determine the corrected values of a delivery.
_LOGGED = ("received_at", "due_at", "cost", "currency", "sample", "corrected")
_SEVERITY = '"severity":"'
# The severity of a sample of fixed size.
_FIXED = "fixed"


def _severity() -> Case:
    """Returns the SQL for the severity of a delivery's inspection, from the text of its sample."""
    place = fn.NULLIF(_place(Delivery.sample, _SEVERITY), 0) + len(_SEVERITY)
    # Five letters identify the word.
    begins = fn.SUBSTR(Delivery.sample, place, 5)
    return Case(begins, [(state[:5], state) for state in get_args(State)], _FIXED)


def _place(column: Json[_V], text: str) -> Function:
    """Returns the SQL for the position of a text in a column, from 1; 0 if absent."""
    return (fn.STRPOS if locks_rows() else fn.INSTR)(column, text)
