"""Tables of what is measured to know how far measuring can be trusted: studies of instruments, working copies, references measured again.

Rows are only ever added. Results are worked out from the readings whenever somebody asks, but for the two figures that judging needs.
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
    """An artefact of a linearity study, with its reference value and what was read of it."""

    code: str
    reference: float
    readings: list[float]


class KeptPair(TypedDict):
    """A plaque of an agreement study: L*, a*, b* as each of the two instruments read it."""

    code: str
    first: list[list[float]]
    second: list[list[float]]


class StudyBody(TypedDict, total=False):
    """What was read in a study: `trials`, `artefacts` or `plaques` by its kind, and what it was held against."""

    trials: list[KeptTrial]
    artefacts: list[KeptArtefact]
    plaques: list[KeptPair]
    tolerance_width: float
    grade_id: int


class KeptPlaque(TypedDict):
    """What a session read of the master, of a working copy or of the tile."""

    artefact: str
    code: NotRequired[str | None]
    copy_id: NotRequired[int]
    readings: list[list[float]]


class InstrumentStudy(Row):
    """A study of an instrument, or of two; `body` holds its readings as they were posted.

    One of repeatability keeps the standard deviations it found, in the measure's unit: of the whole gauge, and of repeats alone.
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
    """The word that a study does not count, and why."""

    study = ForeignKeyField(InstrumentStudy, unique=True, backref="voids")
    study_id: int
    reason = TextField()
    voided_at = Instant()
    voided_by = CharField(120)


class WorkingCopy(Row):
    """A plaque that stands in for a master, with the readings of both from one session. A newer one of its code takes its place."""

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
    """A session in which plaques of a shade were read again, and the instrument's tile beside them; `plaques` holds what was read of each."""

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
    """The word that a session does not count, and why."""

    remeasurement = ForeignKeyField(Remeasurement, unique=True, backref="voids")
    remeasurement_id: int
    reason = TextField()
    voided_at = Instant()
    voided_by = CharField(120)


STUDY_TABLES = (InstrumentStudy, StudyVoid, WorkingCopy, Remeasurement, RemeasurementVoid)
