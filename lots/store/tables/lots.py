"""The table of lots."""

from __future__ import annotations

import json
from typing import NotRequired, TypedDict

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, LimitsRevision, ShadeRevision
from lots.store.tables.suppliers import Supplier


class KeptFigures(TypedDict, total=False):
    """The summary of a lot for drift series, supplier comparisons and later lots.

    `measures` holds [value, n, ss, uncertainty] per measure. `sources` holds the instruments and printers of each characteristic. `failed`
    and `not_proved` hold codes of findings.
    """

    measures: dict[str, list[float | None]]
    sources: dict[str, list[str]]
    failed: list[str]
    not_proved: list[str]
    basis: dict[str, object]
    freedom: dict[str, dict[str, float]]
    scatter: dict[str, dict[str, dict[str, object]]]


class FirstInspection(TypedDict):
    """The result of a lot's original inspection, for the switching rules and suppliers' records.

    `uses` holds the verdict for each use. Lots inspected before schema version 7 do not have it.
    """

    accepted: bool
    within_gap: bool
    retested: bool
    uses: NotRequired[dict[str, str]]


class KeptConcession(TypedDict):
    """A concession in force with the mass already used, stored on the lot so that a spool check needs no further query."""

    id: int
    uses: list[str]
    max_mass_g: float
    taken_g: float
    valid_until: str
    finish_running: bool
    requested_by: str
    approved_by: str | None


class KeptWetness(TypedDict):
    """The last moisture reading of a lot above the limit."""

    at: str
    spool: str
    percent: float
    max_percent: float
    uses: list[str]


class KeptBetween(TypedDict):
    """The colour spread between spools: standard deviations of L*, a* and b*, and the number of measured spools."""

    sd: list[float] | None
    n: int


# Characteristic -> `printer|recipe` -> measure -> values of test prints.
KeptPrints = dict[str, dict[str, dict[str, list[float]]]]


class Lot(Row):
    """A supplier's batch with its status. The status follows from readings and decisions, and is updated in their transactions."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    supplier_lot = CharField(120)
    # The normalised number of version 1. Later lots have an identity and a likeness instead.
    lot_key = CharField(120, null=True)
    received_at = Instant()
    recorded_at = Instant()
    standing = CharField(12, index=True)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json[dict[str, str]]()
    why = Json[dict[str, list[str]]]()
    to_measure = Json[list[str]]()
    accepted = Json[list[str]]()
    lab = Json[list[float] | None](null=True)
    lab_uncertainty = Json[list[float] | None](null=True)
    shrinkage = Json[dict[str, float]]()
    shrinkage_uncertainty = Json[dict[str, float]]()
    flow_factor = DoubleField(null=True)
    figures = Json[KeptFigures]()
    previous = Json[dict[str, object] | None](null=True)
    first_inspection = Json[FirstInspection | None](null=True, column_name="original")
    resubmission_of = ForeignKeyField("self", null=True, index=False)
    resubmission_of_id: int | None
    retestable = Json[list[str]]()
    retests_cleared = Json[dict[str, int]]()
    concessions = Json[list[KeptConcession]]()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    limits_revision_id: int | None
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    shade_revision_id: int | None
    measured = BooleanField(default=False)
    judged_at = Instant(null=True)
    version = IntegerField(default=1)
    # The version of the assessment rules; NULL for the first.
    rules = IntegerField(null=True)
    # Finding code of a step -> the largest step from `previous` that quality has accepted.
    steps_accepted = Json[dict[str, float] | None](null=True)
    reinspected_until = Instant(null=True)
    wet = Json[KeptWetness | None](null=True)
    # NULL if another lot of an older shop already has this identity.
    identity = CharField(120, null=True)
    likeness = CharField(120, null=True)
    # Colour spread between spools, test prints by printer, uncertainty of the flow factor, and time of the last moisture reading.
    color_between = Json[KeptBetween | None](null=True)
    printed = Json[KeptPrints | None](null=True)
    flow_uncertainty = DoubleField(null=True)
    moisture_at = Instant(null=True)
    # Version of the wording of its sentences (`rule_versions.WORDING`); none stands for the first.
    wording = IntegerField(null=True)

    class Meta:
        indexes = (
            (("supplier", "grade", "supplier_lot"), True),
            (("supplier", "grade", "identity"), True),
            (("supplier", "grade", "likeness"), False),
            (("supplier", "grade", "received_at"), False),
            (("grade", "received_at"), False),
            (("received_at",), False),
            (("supplier_lot",), False),
            (("identity",), False),
        )
        constraints = (
            Check("standing IN ('quarantined', 'released', 'restricted', 'blocked', 'returned', 'scrapped')"),
            Check("by_hand IN ('block', 'hold', 'return', 'scrap')"),
        )


class _SourcesOfFigures(Json[KeptFigures]):
    """The column `figures`, parsed only for its `sources`, because the spread of readings is most of the text and slow to parse."""

    def python_value(self, value: str | None) -> object:
        """Returns a document with `sources` only."""
        # Quotes within JSON strings are escaped, so no name can contain this key.
        begins = -1 if value is None else value.find(_SOURCES)
        if value is None or begins < 0:
            return super().python_value(value)
        return {"sources": _read_from(value, begins + len(_SOURCES))[0]}


_SOURCES, _read_from = ',"sources":', json.JSONDecoder().raw_decode
FIGURES_SOURCES = _SourcesOfFigures()
FIGURES_SOURCES.bind(Lot, "figures", set_attribute=False)
