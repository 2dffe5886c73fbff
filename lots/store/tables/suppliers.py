"""Tables of suppliers, and of what quality decides about their lots of a grade: what they are charted against, and that inspection begins again."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade


class LeftOut(TypedDict):
    """A lot that was left out of a baseline, and why."""

    lot_id: int
    reason: str


class Charted(TypedDict):
    """A measure of a baseline; `key` says which series it holds for, None any."""

    mean: float
    sigma: float
    sd: NotRequired[float]
    n: int
    key: str | None


class ChartedColor(TypedDict):
    """The colour of a baseline as a whole."""

    mean: list[float]
    covariance: list[list[float]]
    n: int
    key: str | None


class BaselineFigures(TypedDict):
    """What a baseline holds, by measure, and of the colour as a whole where its lots have it."""

    measures: dict[str, Charted]
    color: ChartedColor | None


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


class Baseline(Row):
    """What a supplier's lots of a grade are charted against, frozen when it was chosen. `figures` holds its values, and which series they hold for."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    revision = IntegerField()
    lot_ids = Json[list[int]]()
    excluded = Json[list[LeftOut]]()
    figures = Json[BaselineFigures]()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)

    class Meta:
        indexes = ((("supplier", "grade", "revision"), True),)
