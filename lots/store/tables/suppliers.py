"""Tables of suppliers, and of quality's decisions on their lots of a grade: baselines and resumed inspections."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade


class Supplier(Row):
    """A supplier of filament."""

    code = CharField(40, unique=True)
    name = CharField(200)
    contact = TextField(null=True)
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Resumption(Row):
    """Quality's decision to resume the discontinued inspection of a supplier's lots of a grade."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class FrozenMeasure(TypedDict):
    """Mean and standard deviations of a measure over `n` lots (0 for given values), and the series they apply to (None for all)."""

    mean: float
    sigma: float
    n: int
    key: str | None
    sd: NotRequired[float | None]


class FrozenColor(TypedDict):
    """Mean and covariance matrix of the colours of `n` lots, and the series they apply to."""

    mean: list[float]
    covariance: list[list[float]]
    n: int
    key: str


class BaselineFigures(TypedDict):
    """The statistics of a baseline: of each measure, and of colour as a vector."""

    measures: dict[str, FrozenMeasure]
    color: FrozenColor | None


class ExcludedLot(TypedDict):
    """A lot excluded from a baseline, with the reason."""

    lot_id: int
    reason: str


class Baseline(Row):
    """The baseline of control charts for a supplier's lots of a grade, frozen when chosen. `figures` holds its statistics."""

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
