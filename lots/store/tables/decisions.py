"""Tables of decisions on lots, concessions, re-inspections, corrective actions and letters."""

from __future__ import annotations

from typing import TypedDict

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.setup import Grade, LimitsRevision, ShadeRevision
from lots.store.tables.suppliers import Supplier


class KeptContribution(TypedDict):
    """A contribution to the uncertainty of a finding. Its degrees of freedom are None (infinite) if it is known exactly."""

    source: str
    standard_uncertainty: float
    degrees_of_freedom: float | None


class KeptFinding(TypedDict):
    """A finding as stored in decisions and sent in answers."""

    code: str
    characteristic: str
    measure: str
    verdict: str
    value: float | None
    limit: float | list[float]
    unit: str
    n: int
    spools: int | None
    uncertainty: float | None
    guard_band: float | None
    coverage_factor: float | None
    degrees_of_freedom: float | None
    uncertainty_budget: list[KeptContribution]
    interval_95: list[float] | None
    margin: float | None
    conformance_probability: float | None
    claimable: bool | None
    too_coarse: bool
    subject: str | None
    detail: str | None
    uses: list[str]
    hold: bool
    message: str
    to_measure: str | None


class Decision(Row):
    """A decision on a lot: its new status, time, person or readings, and the revisions of limits and shade."""

    lot = ForeignKeyField(Lot, backref="decisions")
    lot_id: int
    action = CharField(20)
    standing = CharField(12)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json[dict[str, str]]()
    accepted = Json[list[str]]()
    reason = TextField()
    findings = Json[list[KeptFinding]]()
    reading_ids = Json[list[int]]()
    previous = Json[dict[str, object] | None](null=True)
    retests_cleared = Json[dict[str, int]]()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    limits_revision_id: int | None
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    shade_revision_id: int | None
    decided_at = Instant()
    decided_by = CharField(120)
    rules = IntegerField(null=True)
    steps_accepted = Json[dict[str, float] | None](null=True)


class Reinspection(Row):
    """Quality's decision on a lot past its shelf life: what to measure again, and the new use-by date."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    measure = Json[list[str]]()
    use_by = Instant()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Concession(Row):
    """A concession for a nonconforming lot, requested by one person and approved by another."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    uses = Json[list[str]]()
    max_mass_g = DoubleField(constraints=[Check("max_mass_g > 0")])
    valid_until = Instant()
    finish_running = BooleanField()
    reason = TextField()
    requested_by = CharField(120)
    recorded_at = Instant()
    recorded_by = CharField(120)
    approved_at = Instant(null=True)
    approved_by = CharField(120, null=True)
    withdrawn_at = Instant(null=True)
    withdrawn_by = CharField(120, null=True)
    withdrawn_reason = TextField(null=True)


class CorrectiveAction(Row):
    """A corrective action requested from a supplier for a nonconforming lot, with its answer and closure."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    supplier = ForeignKeyField(Supplier)
    supplier_id: int
    grade = ForeignKeyField(Grade)
    grade_id: int
    requested = TextField()
    due_at = Instant()
    conforming_lots = IntegerField(constraints=[Check("conforming_lots >= 1")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    answered_at = Instant(null=True)
    answered_by = CharField(120, null=True)
    answer_recorded_by = CharField(120, null=True)
    cause = TextField(null=True)
    action = TextField(null=True)
    evidence = TextField(null=True)
    closed_at = Instant(null=True, index=True)
    closed_by = CharField(120, null=True)
    closing_note = TextField(null=True)
    closed_on = Json[list[int] | None](null=True)

    class Meta:
        indexes = ((("supplier", "grade"), False),)


class Letter(Row):
    """A signed letter to a supplier about a lot. `pdf` is base64, `digest` the SHA-256 of the PDF in hexadecimal."""

    lot = ForeignKeyField(Lot, backref="letters")
    lot_id: int
    corrective_action = ForeignKeyField(CorrectiveAction, null=True, index=False)
    corrective_action_id: int | None
    number = CharField(40, unique=True)
    claim = CharField(12, constraints=[Check("claim IN ('none', 'credit', 'replacement', 'sorting')")])
    spools = IntegerField(null=True, constraints=[Check("spools > 0")])
    mass_g = DoubleField(null=True, constraints=[Check("mass_g > 0")])
    amount = DoubleField(null=True, constraints=[Check("amount >= 0")])
    currency = CharField(3, null=True)
    answer_by = Instant()
    addressed_to = TextField()
    signed_by = CharField(120)
    note = TextField(null=True)
    digest = CharField(64)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # The last column, so that lists without it need not read past it.
    pdf = TextField()


class LetterSent(Row):
    """A dispatch of a letter: when, how and to whom. A letter may be sent several times."""

    letter = ForeignKeyField(Letter, backref="sendings")
    letter_id: int
    sent_at = Instant()
    sent_to = CharField(200)
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
