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
    """What series, comparisons and later lots read of a lot.

    `measures` holds [value, n, ss, uncertainty] by measure. `sources` names the instruments and printers of each characteristic. `failed` and
    `not_proved` hold codes of findings.
    """

    measures: dict[str, list[float | None]]
    sources: dict[str, list[str]]
    failed: list[str]
    not_proved: list[str]
    basis: dict[str, object]
    freedom: dict[str, dict[str, float]]
    scatter: dict[str, dict[str, dict[str, object]]]


class FirstInspection(TypedDict):
    """How the original inspection of a lot ended, for the switching rules and for suppliers' records.

    `uses` holds the verdict for each use; lots inspected before version 7 of the tables have none.
    """

    accepted: bool
    within_gap: bool
    retested: bool
    uses: NotRequired[dict[str, str]]


class KeptConcession(TypedDict):
    """A concession in force and what loads have taken of it, so that a clearance needs no query of its own."""

    id: int
    uses: list[str]
    max_mass_g: float
    taken_g: float
    valid_until: str
    finish_running: bool
    requested_by: str
    approved_by: str | None


class KeptWetness(TypedDict):
    """The last reading of a lot that was too wet."""

    at: str
    spool: str
    percent: float
    max_percent: float
    uses: list[str]


class KeptBetween(TypedDict):
    """How far the spools of a lot lie apart in colour: the standard deviation of L*, a* and b*, and how many spools were measured."""

    sd: list[float] | None
    n: int


# By characteristic, then by `printer|recipe`: what was measured of prints.
KeptPrints = dict[str, dict[str, dict[str, list[float]]]]


class Lot(Row):
    """The supplier's batch, with where it stands: kept in the transaction of whatever moved it, rebuilt from readings and decisions at will."""

    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    supplier_lot = CharField(120)
    # As version 1 folded numbers; later lots have an identity and a likeness instead.
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
    # The version of the rules it is judged by; none stands for the first.
    rules = IntegerField(null=True)
    # Code of a finding on a step -> the largest step from `previous` that quality accepted.
    steps_accepted = Json[dict[str, float] | None](null=True)
    reinspected_until = Instant(null=True)
    wet = Json[KeptWetness | None](null=True)
    # None where a lot of an older shop has the identity of another already.
    identity = CharField(120, null=True)
    likeness = CharField(120, null=True)
    # How far spools lie apart in colour, what was measured by printer, how sure the flow factor is, and when moisture was last measured.
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
    """The figures of a lot, read for their `sources` alone: how readings scattered is most of the text, and takes long to parse."""

    def python_value(self, value: str | None) -> object:
        """Returns a document of `sources`."""
        # A quote within a JSON string is escaped, so that no name can look like this key.
        begins = -1 if value is None else value.find(_SOURCES)
        if value is None or begins < 0:
            return super().python_value(value)
        return {"sources": _read_from(value, begins + len(_SOURCES))[0]}


_SOURCES, _read_from = ',"sources":', json.JSONDecoder().raw_decode
FIGURES_SOURCES = _SourcesOfFigures()
FIGURES_SOURCES.bind(Lot, "figures", set_attribute=False)
