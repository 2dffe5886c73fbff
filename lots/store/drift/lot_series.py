"""Lots in the order they came with their figures, and what was bought: what drift and comparison are made from. No query here reads readings."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple, TypeVar

import orjson
from peewee import JOIN, Case, Model, ModelSelect, fn

from lots.domain.drift.lot_series import Column, LotSeries, SeriesLot
from lots.store.assessment import lots
from lots.store.engine.database import db, locks_rows
from lots.store.receiving import deliveries
from lots.store.tables.models import Delivery, LimitsRevision, Lot, ShadeRevision, Spool

_M = TypeVar("_M", bound=Model)


def lots_of(
    *,
    supplier_id: int | None = None,
    grade_id: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> LotSeries:
    """Lots of a supplier, a grade or both, received between two moments, oldest first. One query on an index.

    A lot whose deliveries are all closed is in no series.
    """
    plain = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot, Lot.standing, Lot.resubmission_of)
    revisions = (ShadeRevision.revision, LimitsRevision.revision)
    query = (
        Lot.select(*plain, *revisions, Lot.received_at, Lot.first_inspection, _figures())
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
    columns: defaultdict[str, list[Column]] = defaultdict(list)
    some: list[_Row]
    while some := cursor.fetchmany(_AT_ONCE):
        parts = [_parts(row[-1]) for row in some]
        for name, column in _columns([measured for measured, _ in parts], len(rows)):
            columns[name].append(column)
        rows += [_lot(row, rest) for row, (_, rest) in zip(some, parts, strict=True)]
    return LotSeries(rows, {name: _joined(mine) for name, mine in columns.items()})


def _received(query: ModelSelect[_M], since: datetime | None, until: datetime | None) -> ModelSelect[_M]:
    if since is not None:
        query = query.where(Lot.received_at >= since)
    if until is not None:
        query = query.where(Lot.received_at <= until)
    return query


# The figures of a lot as text: measures come first, then instruments, then what failed. What follows is most of the text: which readings
# scattered how far. A quote within a JSON string is escaped, so that no name can look like one of these.
_MEASURES, _SOURCES, _NOTHING_FAILED = '{"measures":', ',"sources":', ',"failed":[]'


def _figures() -> Case:
    """The text of a lot's figures, without what does not matter here where nothing failed."""
    place = (fn.STRPOS if locks_rows() else fn.INSTR)(Lot.figures, _NOTHING_FAILED)
    return Case(None, [(place > 0, fn.SUBSTR(Lot.figures, 1, place - 1).concat("}"))], Lot.figures)


# Columns in the order of the query: as SeriesLot, but for the moment as text, then how the first inspection ended, and the figures.
_Row = tuple[int, int, int, str, str, int | None, int | None, int | None, str, str | None, str]
# The measures of a lot, each with its four figures.
_Measured = dict[str, list[float | None]]
# So many documents become columns before the next are read: they hold a hundred times as many objects as lots.
_AT_ONCE = 1000


def _columns(measured: Sequence[_Measured], first: int) -> Iterator[tuple[str, Column]]:
    """A column for each measure of lots whose places count from `first`; several of one measure where not all lots have the same ones."""
    import numpy as np

    alike: dict[tuple[str, ...], list[int]] = {}
    for place, lot in enumerate(measured):
        alike.setdefault(tuple(lot), []).append(place)
    for names, places in alike.items():
        figures = np.array([tuple(measured[place].values()) for place in places], dtype=float)
        for number, name in enumerate(names):
            yield name, Column(np.asarray(places) + first, figures[:, number])


def _joined(parts: Sequence[Column]) -> Column:
    """Columns of one measure as one, oldest lots first."""
    import numpy as np

    at = np.concatenate([part.at for part in parts])
    order = at.argsort(kind="stable")
    return Column(at[order], np.concatenate([part.figures for part in parts])[order])


def _lot(row: _Row, rest: str) -> SeriesLot:
    return SeriesLot(*row[:8], datetime.fromisoformat(row[8]), *_judged(row[9], rest))


def _parts(text: str) -> tuple[_Measured, str]:
    """The measures of a lot's figures, and the rest of them as text."""
    cut = text.find(_SOURCES)
    if cut > 0 and text.startswith(_MEASURES):
        return orjson.loads(text[len(_MEASURES) : cut]), text[cut + 1 :]
    whole = orjson.loads(text)
    return whole.pop("measures", {}), json.dumps(whole)[1:]


@lru_cache(maxsize=256)  # most lots are read with the same instruments and pass
def _judged(inspected: str | None, rest: str) -> tuple[bool | None, Mapping[str, Sequence[str]], Sequence[str], bool]:
    """How the original inspection ended, with what each characteristic was read, what failed, and whether all that failed is not proved."""
    ended, kept = orjson.loads(inspected or "null"), orjson.loads(f"{{{rest}")
    failed, open_ = kept.get("failed", []), kept.get("not_proved")
    return ended and ended["accepted"], kept.get("sources", {}), failed, bool(open_) and set(failed) == set(open_)


class Purchase(NamedTuple):
    """A delivery as corrected, with the net mass that came in it, g."""

    lot_id: int
    supplier_id: int
    received_at: datetime
    due_at: datetime | None
    cost: float | None
    currency: str | None
    severity: str
    mass_g: float


def purchases(grade_id: int | None, since: datetime | None, until: datetime | None) -> Iterator[Purchase]:
    """Deliveries of lots received between two moments, of a grade where given, oldest first. One query."""
    columns = [getattr(Delivery, name) for name in _LOGGED]
    # A spool wound in the shop was not bought, nor was one that never came. Of a closed delivery none is left.
    mass_g = Spool.select(fn.SUM(Spool.net_mass_g)).where((Spool.delivery == Delivery.id) & deliveries.came())
    query = Delivery.select(Delivery.lot, Lot.supplier, mass_g, *columns).join(Lot)
    if grade_id is not None:
        query = query.where(Lot.grade == grade_id)
    rows = db.execute(_received(query, since, until).order_by(Delivery.came_at, Delivery.id))
    for lot, supplier, mass, *logged in rows:
        if mass is not None:
            yield Purchase(lot, supplier, *_bought(*logged), mass)


# Columns of a delivery that its present values follow from.
_LOGGED = ("received_at", "due_at", "cost", "currency", "sample", "corrected")
_SEVERITY = re.compile(r'"severity":"(\w+)"')


def _bought(
    received: str, due: str | None, cost: float | None, currency: str | None, sample: str, corrected: str | None
) -> tuple[datetime, datetime | None, float | None, str | None, str]:
    """When a delivery came and was due, its cost, and the severity of its inspection, from the text of its columns."""
    if corrected is not None:
        texts = zip(_LOGGED, (received, due, cost, currency, sample, corrected), strict=True)
        row = Delivery(**{name: getattr(Delivery, name).python_value(text) for name, text in texts})
        now = deliveries.current(row)
        return now.received_at, now.due_at, now.cost, now.currency, now.sample.get("severity", _FIXED)
    severity = _SEVERITY.search(sample)
    moments = datetime.fromisoformat(received), None if due is None else datetime.fromisoformat(due)
    return *moments, cost, currency, severity[1] if severity else _FIXED


# The severity of a sample whose size does not change with it.
_FIXED = "fixed"
