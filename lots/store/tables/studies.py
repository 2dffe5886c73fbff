"""Tables of measurement system studies, working copies of references, and remeasurements of references.

Rows are only added. Results are computed from the readings on request, except the two standard deviations that assessments need.
"""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Instrument, KeptConditions, Shade, ShadeRevision


class KeptTrial(TypedDict):
    """One reading of a repeatability study."""

    part: str
    operator: str
    value: float


class KeptArtefact(TypedDict):
    """An artefact of a linearity study with its reference value and readings."""

    code: str
    reference: float
    readings: list[float]


class KeptPair(TypedDict):
    """A plaque of an agreement study with L*, a*, b* readings of both instruments."""

    code: str
    first: list[list[float]]
    second: list[list[float]]


class StudyBody(TypedDict, total=False):
    """The readings of a study, `trials`, `artefacts` or `plaques` by its kind, and the tolerance they are compared with."""

    trials: list[KeptTrial]
    artefacts: list[KeptArtefact]
    plaques: list[KeptPair]
    tolerance_width: float
    grade_id: int


class KeptPlaque(TypedDict):
    """The readings of the master, a working copy or the tile in a session."""

    artefact: str
    code: NotRequired[str | None]
    copy_id: NotRequired[int]
    readings: list[list[float]]


class InstrumentStudy(Row):
    """A study of one or two instruments. `body` holds its readings as sent.

    A repeatability study stores its standard deviations in the unit of the measure: of the gauge (`gauge_sd`) and of repeatability.
    """

    instrument = ForeignKeyField(Instrument, backref="studies")
    instrument_id: int
    other = ForeignKeyField(Instrument, null=True, backref="compared_in")
    other_id: int | None
    kind = CharField(14, constraints=[Check("kind IN ('repeatability', 'linearity', 'agreement')")])
    measure = CharField(60, null=True)
    studied_at = Instant()
    body = Json[StudyBody]()
    gauge_sd = DoubleField(null=True, constraints=[Check("gauge_sd >= 0")])
    repeat_sd = DoubleField(null=True, constraints=[Check("repeat_sd >= 0")])
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class StudyVoid(Row):
    """The void of a study, with its reason."""

    study = ForeignKeyField(InstrumentStudy, unique=True, backref="voids")
    study_id: int
    reason = TextField()
    voided_at = Instant()
    voided_by = CharField(120)


class WorkingCopy(Row):
    """A working copy of a master plaque, with readings of both from one session. A newer one with its code replaces it."""

    shade = ForeignKeyField(Shade)
    shade_id: int
    shade_revision = ForeignKeyField(ShadeRevision)
    shade_revision_id: int
    code = CharField(60)
    instrument = ForeignKeyField(Instrument, null=True)
    instrument_id: int | None
    measured_at = Instant()
    conditions = Json[KeptConditions]()
    master_readings = Json[list[list[float]]]()
    copy_readings = Json[list[list[float]]]()
    remeasure_every_days = IntegerField(null=True, constraints=[Check("remeasure_every_days > 0")])
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Remeasurement(Row):
    """A remeasurement session of a shade's plaques and the instrument's tile. `plaques` holds their readings."""

    shade = ForeignKeyField(Shade)
    shade_id: int
    shade_revision = ForeignKeyField(ShadeRevision)
    shade_revision_id: int
    instrument = ForeignKeyField(Instrument)
    instrument_id: int
    measured_at = Instant()
    conditions = Json[KeptConditions]()
    plaques = Json[list[KeptPlaque]]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class RemeasurementVoid(Row):
    """The void of a session, with its reason."""

    remeasurement = ForeignKeyField(Remeasurement, unique=True, backref="voids")
    remeasurement_id: int
    reason = TextField()
    voided_at = Instant()
    voided_by = CharField(120)


STUDY_TABLES = (InstrumentStudy, StudyVoid, WorkingCopy, Remeasurement, RemeasurementVoid)
