"""Reasons why stored readings do not help their lot, one function each.

The answer to a new reading and the lists of readings show them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TypedDict

from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.assessment.printed_evidence import another_recipe
from lots.domain.characteristics.declaring.case import ShadeRevision, Taken
from lots.domain.characteristics.declaring.declaration import Characteristic, every_reading
from lots.domain.characteristics.declaring.neighbours import FarOff
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity import rule_versions
from lots.domain.instruments.calibration import InstrumentRecord, doubt_about
from lots.domain.receiving.coverage import Coverage, named
from lots.services.assessment.counting import FAR, NO_INSTRUMENT, AboutReadings, HeldTo, OnRecord
from lots.services.assessment.lot_assessment import Judged, Terms, coverage_of, reading_from
from lots.services.from_rows import approved_from
from lots.services.readings.sent import Warned
from lots.store import readings
from lots.store.tables.models import LimitsRevision, Lot, Reading
from lots.store.tables.models import ShadeRevision as ShadeRow


@dataclass(frozen=True, slots=True)
class Under:
    """Criteria for the readings of a lot.

    Args:
        held_to: requirements for a reading to count.
        limits: limits, None without any.
        shade: approved shade revision, None without one.
        nominal_mm: nominal diameter of the grade, mm.
        coverage: drawn spools.
        beside: readings of the lot that decide on others, by characteristic.
        doubted: reasons of doubts by build.
    """

    held_to: HeldTo
    limits: Limits | None
    shade: ShadeRevision | None
    nominal_mm: float
    coverage: Coverage
    beside: Mapping[str, Sequence[object]] = field(default_factory=dict)
    doubted: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def judged(cls, lot: Lot, judged: Judged, doubted: Mapping[str, str]) -> Under:
        """Returns the criteria of the assessment just made. No query."""
        held_to = HeldTo.by(judged.limits, judged.rules)
        return cls._of(lot, held_to, judged.limits, judged.shade, judged.coverage, judged.evidence.readings, doubted)

    @classmethod
    def of_record(cls, record: OnRecord, rows: Sequence[Reading], about: AboutReadings) -> Under:
        """Returns the current criteria for readings of a lot. `about` is the record about these readings."""
        lot = record.lot
        terms, kinds = Terms.of(lot), {row.kind for row in rows}
        limits = limits_from(terms.limits.body) if terms.limits else None
        deciding = {name for kind in kinds if kind in DECLARED for name in DECLARED[kind].beside}
        beside = {
            name: [reading_from(row) for row in readings.counting_among(record.readings, name)]
            for name in sorted(deciding)
        }
        coverage = coverage_of(record, limits, rows, terms.rules)
        held_to = HeldTo.of(lot)
        doubted = about.doubted(held_to.rules)
        return cls._of(lot, held_to, terms.limits, terms.shade, coverage, beside, doubted)

    @classmethod
    def _of(
        cls,
        lot: Lot,
        held_to: HeldTo,
        limits: LimitsRevision | None,
        shade: ShadeRow | None,
        coverage: Coverage,
        beside: Mapping[str, Sequence[object]],
        doubted: Mapping[str, str],
    ) -> Under:
        agreed = limits_from(limits.body) if limits else None
        approved = approved_from(shade) if shade is not None else None
        return cls(held_to, agreed, approved, lot.grade.nominal_diameter_mm, coverage, beside, doubted)


@dataclass(frozen=True, slots=True)
class Unconfirmed:
    """An unconfirmed reading far from the others: its number, None before it is stored, and its deviation in words."""

    number: int | None
    says: str

    @classmethod
    def of(cls, number: int | None, far: FarOff | None) -> Unconfirmed | None:
        """Returns the same for a new reading, None where it needs no confirmation."""
        return None if far is None else cls(number, str(far))


@dataclass(frozen=True)
class Stored:
    """A stored reading with its criteria. Not slotted, because of the cached properties."""

    declared: Characteristic
    values: Mapping[str, object]
    spool: str
    measured_at: datetime
    screening: bool
    instrument: InstrumentRecord | None
    under: Under
    unconfirmed: Unconfirmed | None = None

    @property
    def block(self) -> object:
        """The limits block of its characteristic, None without one."""
        return self.under.limits.given.get(self.declared.name) if self.under.limits else None

    @cached_property
    def taken(self) -> object:
        """The reading as a domain value."""
        code = self.instrument.code if self.instrument else None
        origin = Origin.of(self.values, code)
        return self.declared.reading(Taken(self.spool, self.values, self.measured_at, origin=origin))

    @cached_property
    def comparable(self) -> object:
        """The reading converted for comparison with the reference, None where it is not comparable."""
        return self.declared.comparable(self.taken, self.block, self.under.shade)

    @property
    def other_material(self) -> bool:
        """True for a reading of another material, such as a control specimen."""
        return self.declared.of_lot is not every_reading and not self.declared.of_lot(self.taken)


@dataclass(frozen=True, slots=True)
class UncountedReason:
    """A reason why a reading does not help its lot, as a sentence and as a clause, with its field and the remedy.

    `against` is True where the reading still counts against the lot.
    """

    field: str
    detail: str
    clause: str
    hint: str
    against: bool = False

    def as_warning(self) -> Warned:
        """Returns the reason as a warning of an answer."""
        return {"field": self.field, "detail": self.detail, "hint": self.hint, "helps": False}


class Use(TypedDict):
    """Whether a reading counts, whether it helps its lot, why not, and whether it must be confirmed."""

    counts: bool
    helps: bool
    why_not: str | None
    to_confirm: bool


def told(stored: Stored) -> list[UncountedReason]:
    """Returns every reason why a reading does not help its lot. For screening that is the only reason."""
    if stored.screening:
        return [_SCREENING]
    return [found for reason in REASONS if (found := reason(stored)) is not None]


def of_row(row: Reading, under: Under, instruments: Mapping[int, InstrumentRecord], *, to_confirm: bool) -> Use:
    """Returns whether a reading counts, whether it helps its lot, why not, and whether it must be confirmed.

    Args:
        row: the reading, with its void, exclusion and spool.
        under: criteria for the readings of its lot.
        instruments: instruments by number.
        to_confirm: True when it is far from the others and not confirmed.
    """
    if (gone := _left_out(row)) is not None:
        return {"counts": False, "helps": False, "why_not": gone, "to_confirm": False}
    instrument = instruments[row.instrument_id] if row.instrument_id is not None else None
    waits = Unconfirmed(row.id, FAR) if to_confirm else None
    at = (row.spool.code, row.measured_at, row.screening)
    found = told(Stored(DECLARED[row.kind], row.values, *at, instrument, under, waits))
    first = next((one for one in found if not one.against), found[0] if found else None)
    return {
        "counts": all(one.against for one in found),
        "helps": not found,
        "why_not": first.clause if first is not None else None,
        "to_confirm": to_confirm and under.held_to.rules > rule_versions.SECOND,
    }


def _left_out(row: Reading) -> str | None:
    if void := row.void:
        return f"voided: {void.reason}"
    if exclusion := row.exclusion:
        return f"excluded ({exclusion.cause}): {exclusion.reason}"
    return "its spool was withdrawn" if row.spool.withdrawn_at is not None else None


_SCREENING = UncountedReason(
    "screening",
    "This reading is for information only and does not count.",
    "for information only",
    "Measure again for the assessment of the lot.",
)


def _by_instrument(stored: Stored) -> UncountedReason | None:
    """Returns the reason for an instrument without valid calibration, or for a missing one that the limits require."""
    held_to, instrument = stored.under.held_to, stored.instrument
    if instrument is None:
        if not held_to.lacks_instrument(stored.declared.name, None):
            return None
        detail = f"This reading does not count: {NO_INSTRUMENT}."
        return UncountedReason("instrument_id", detail, NO_INSTRUMENT, "Measure again, and name the instrument.")
    doubt = doubt_about(stored.measured_at, instrument, held_to.rules)
    if doubt is None:
        return None
    hint = "Measure again with an instrument whose check is valid, or ask quality to check this one."
    return UncountedReason("instrument_id", f"This reading does not count: {doubt}.", doubt, hint)


def _by_build(stored: Stored) -> UncountedReason | None:
    """Returns the reason for a print of a suspect build."""
    why = stored.under.doubted.get(Origin.of(stored.values).build_key or "")
    if why is None:
        return None
    hint = "Print in another build, or ask quality to lift the doubt."
    return UncountedReason("build", f"This reading does not count: {why}.", why, hint)


def _to_confirm(stored: Stored) -> UncountedReason | None:
    """Returns the reason for an unconfirmed reading far from the others."""
    waits = stored.unconfirmed
    if waits is None or stored.under.held_to.rules <= rule_versions.SECOND:
        return None
    where = stored.declared.far.field or stored.declared.fields[0].name
    which = "This reading" if waits.number is None else f"Reading {waits.number}"
    detail = f"{which} does not count until it is confirmed: {waits.says}."
    hint = "If it is right, confirm it. If not, void it with a reason and measure again."
    return UncountedReason(where, detail, FAR, hint)


def _by_another_recipe(stored: Stored) -> UncountedReason | None:
    """Returns the reason for a print of another recipe than the limits name."""
    if stored.under.held_to.rules <= rule_versions.SECOND:
        return None
    recipe = another_recipe(Origin.of(stored.values), stored.under.limits, stored.declared.name)
    if recipe is None:
        return None
    clause = f"not printed by {recipe}"
    hint = f"Print {recipe} and measure that print."
    return UncountedReason("test_print", f"This reading does not count: {clause}.", clause, hint)


def _not_comparable(stored: Stored) -> UncountedReason | None:
    """Returns the reason for a reading whose conditions differ from those of the shade revision or of the limits."""
    declared, shade = stored.declared, stored.under.shade
    if stored.comparable is not None:
        return None
    where = declared.compared_by or declared.fields[0].name
    if declared.of_type("conditions") and shade is not None:
        detail = (
            f"This lot is assessed under revision {shade.revision} of its shade, measured under other conditions. "
            "The reading does not count yet."
        )
        hint = "Ask quality to reassess the lot under the newest revisions."
        return UncountedReason(where, detail, declared.not_comparable, hint)
    asked = declared.limits.terms(stored.block, stored.under.nominal_mm) if stored.block is not None else ""
    detail = f"This reading does not count: {declared.not_comparable}."
    return UncountedReason(
        where, detail, declared.not_comparable, f"The limits ask: {asked}" if asked else "Measure again."
    )


def _against_only(stored: Stored) -> UncountedReason | None:
    """Returns the reason for a reading that counts only against its lot, because of its other readings."""
    seen, under = stored.comparable, stored.under
    why = "" if seen is None else stored.declared.against_only(seen, under.beside, under.shade)
    if not why:
        return None
    where = stored.declared.compared_by or stored.declared.fields[0].name
    detail = "This reading can reject the lot but cannot release it."
    return UncountedReason(where, detail, "another backing than that of the reference", why, against=True)


def _not_drawn(stored: Stored) -> UncountedReason | None:
    """Returns the reason for a spool that was not drawn for the sample."""
    coverage, code = stored.under.coverage, stored.spool
    if stored.under.held_to.rules == rule_versions.FIRST or coverage.is_drawn(code) or stored.other_material:
        return None
    return UncountedReason(
        "spool_code",
        f"Spool {code} was not drawn for the sample. This reading can reject the lot but cannot release it.",
        "its spool was not drawn for the sample",
        f"Measure the drawn spools: {named(coverage.drawn)}. If one is damaged or missing, ask quality for a substitute.",
        against=True,
    )


REASONS: tuple[Callable[[Stored], UncountedReason | None], ...] = (
    _by_instrument,
    _by_build,
    _to_confirm,
    _by_another_recipe,
    _not_comparable,
    _against_only,
    _not_drawn,
)
