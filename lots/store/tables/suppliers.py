"""Tables of suppliers, and of what quality decides about their lots of a grade: what they are charted against, and that inspection begins again."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade


class Supplier(Row):
    """Whoever the filament is bought from."""

    code = CharField(40, unique=True)
    name = CharField(200)
    contact = TextField(null=True)
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Resumption(Row):
    """Quality's word that inspection of a supplier's lots of a grade, once discontinued, begins again."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class FrozenMeasure(TypedDict):
    """Mean and standard deviations of one measure over `n` lots, and what they hold for, None for anything. No lots: they were given."""

    mean: float
    sigma: float
    n: int
    key: str | None
    sd: NotRequired[float | None]


class FrozenColor(TypedDict):
    """Mean and covariance of the colours of `n` lots, and what they hold for."""

    mean: list[float]
    covariance: list[list[float]]
    n: int
    key: str


class BaselineFigures(TypedDict):
    """What a baseline holds of each measure, and of colour as a whole."""

    measures: dict[str, FrozenMeasure]
    color: FrozenColor | None


class ExcludedLot(TypedDict):
    """A lot that was left out of a baseline, and why."""

    lot_id: int
    reason: str


class Baseline(Row):
    """What a supplier's lots of a grade are charted against, frozen when it was chosen. `figures` holds its values, and which series they hold for."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    revision = IntegerField()
    lot_ids = Json[list[int]]()
    excluded = Json[list[ExcludedLot]]()
    figures = Json[BaselineFigures]()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)

    class Meta:
        indexes = ((("supplier", "grade", "revision"), True),)
