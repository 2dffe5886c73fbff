"""Exclusion of outliers by a named person for a named cause, and their inclusion again.

The reading itself is kept unchanged.

A typing error is voided instead (`services/readings/voids.py`), because it is no measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypedDict

from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.instruments.calibration import doubt_about
from lots.domain.replicates.repeats import numbered
from lots.domain.words import clause, status_said
from lots.services import clock, views
from lots.services.assessment import repeats
from lots.services.assessment.counting import FAR, HeldTo, OnRecord, in_doubt, that_count, unconfirmed, why_not
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.assessment.lot_assessment import Terms, assess_record, finding_view
from lots.services.assessment.uncertainty import uncertainties
from lots.services.errors import Conflict, NotFlagged, NotFound
from lots.services.from_rows import instruments_of
from lots.services.views import View
from lots.store import readings
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.tables.decisions import KeptFinding
from lots.store.tables.models import Decision, Lot, Reading, ReadingExclusion, ReadingVoid

_REMEDY = "If it is a typing error, void it. Otherwise take more readings of the spool."


def exclude(reading_id: int, cause: str, reason: str, by: str) -> View:
    """Excludes an outlier for a cause, and assesses its lot without it, as a decision of the caller.

    Raises:
        NotFound: no such reading.
        Conflict: it does not count.
        NotFlagged: the test does not flag it as an outlier. The answer gives the remedy.
    """
    now = clock.now()
    with transaction():
        lot, reading = _held(reading_id)
        before = {"standing": lot.standing, "uses": lot.uses}
        _refuse_uncounted(lot, reading)
        shown_by = _shown_by(lot, reading)
        exclusion = readings.exclude(reading, {"cause": cause, "reason": reason, "shown_by": shown_by}, by, now)
        why = f"Reading {reading_id} ({said(reading.kind)}) excluded as an outlier, cause {cause}: {reason}"
        wrote = {"reading_exclusion": [exclusion.id]}
        judge_lot(lot, by, now, action="exclude", reason=why, what="reading excluded", wrote=wrote)
        return {**_view(lot, reading_id), "shown_by": shown_by, "before": before, "lot": after(lot)}


def include(reading_id: int, reason: str, by: str) -> View:
    """Includes an excluded reading again, and assesses its lot with it.

    Raises:
        NotFound: no such reading.
        Conflict: it is not excluded.
    """
    now = clock.now()
    with transaction():
        lot, reading = _held(reading_id)
        before = {"standing": lot.standing, "uses": lot.uses}
        exclusion: ReadingExclusion | None = getattr(reading, "exclusion", None)
        if exclusion is None:
            raise Conflict(f"Reading {reading_id} is not excluded. There is nothing to include.")
        readings.include(exclusion, reason, by, now)
        why = f"Reading {reading_id} ({said(reading.kind)}) included again: {reason}"
        wrote = {"reading_exclusion": [exclusion.id]}
        judge_lot(lot, by, now, action="include", reason=why, what="reading taken back in", wrote=wrote)
        return {**_view(lot, reading_id), "shown_by": exclusion.shown_by, "before": before, "lot": after(lot)}


def _held(reading_id: int) -> tuple[Lot, Reading]:
    """Returns the locked lot of a reading, and the reading."""
    number = _found(reading_id).lot_id
    return lots.lock([number])[number], _found(reading_id)


def _found(reading_id: int) -> Reading:
    row: Reading | None = readings.find(reading_id)
    if row is None:
        raise NotFound(f"Reading {reading_id} does not exist. See the readings of its lot.")
    return row


def _refuse_uncounted(lot: Lot, reading: Reading) -> None:
    void: ReadingVoid | None = getattr(reading, "void", None)
    exclusion: ReadingExclusion | None = getattr(reading, "exclusion", None)
    if void:
        raise Conflict(f"Reading {reading.id} was voided by {void.voided_by} and does not count.")
    if exclusion:
        raise Conflict(
            f"Reading {reading.id} was already excluded by {exclusion.excluded_by}: {clause(exclusion.reason)}"
        )
    if reading.screening:
        raise Conflict(f"Reading {reading.id} is for information only and does not count.")
    held_to = HeldTo.of(lot)
    if unconfirmed([reading]) and held_to.rules > SECOND:
        raise Conflict(f"Reading {reading.id} does not count yet: {FAR}. Confirm it first, or void it.")
    if why := why_not(reading, held_to, instruments_of([reading]), in_doubt([reading.build_key], held_to.rules)):
        raise Conflict(f"Reading {reading.id} does not count: {why}.")


def _shown_by(lot: Lot, reading: Reading) -> list[repeats.ShownBy]:
    """Returns the tests that flag the reading as an outlier, at least one."""
    if none := DECLARED[reading.kind].repeats.none:
        raise NotFlagged(f"Readings of {said(reading.kind)} are not tested for outliers. {none} {_REMEDY}")
    rows, _ = that_count(readings.that_count(lot.id, kind=reading.kind, excluded=True), HeldTo.of(lot))
    found = repeats.tested(lot, rows, uncertainties(rows))
    shown = [step for part in found if (step := part.shown_by(reading.id))]
    if not shown:
        says = " ".join(part.says for part in found)
        raise NotFlagged(f"Reading {reading.id} is not an outlier and cannot be excluded. {says} {_REMEDY}")
    return shown


def _view(lot: Lot, reading_id: int) -> View:
    row = _found(reading_id)
    number, rules = row.instrument_id, HeldTo.of(lot).rules
    doubt = doubt_about(row.measured_at, instruments_of([row])[number], rules) if number else None
    return views.reading(row, doubt)


class _Would(TypedDict):
    standing: str
    assessed: str
    uses: dict[str, str]
    findings: list[KeptFinding]


@dataclass(frozen=True, slots=True)
class Beside:
    """The excluded readings of a lot, and its assessment with them, None without any."""

    rows: list[Reading]
    would: _Would | None

    @property
    def view(self) -> View:
        """The excluded readings and the assessment with them, for an answer."""
        return {"excluded": [repeats.excluded_line(row) for row in self.rows], "with_excluded": self.would}

    def notes(self, standing: str) -> list[str]:
        """Returns a sentence on each excluded reading, and one on their effect on the status."""
        if self.would is None:
            return []
        would = self.would["standing"]
        status = (
            "have the same status" if would == standing else f"be {status_said(would)}, not {status_said(standing)}"
        )
        numbers = numbered([row.id for row in self.rows])
        return [*map(_excluded_says, self.rows), f"With {numbers} included, the lot would {status}."]


def _excluded_says(row: Reading) -> str:
    exclusion = row.exclusion
    if exclusion is None:
        raise ValueError(f"reading {row.id} is not excluded")
    which = f"Reading {row.id} ({said(row.kind)}, spool {row.spool.code})"
    return f"{which} was excluded by {exclusion.excluded_by}, cause {exclusion.cause}: {clause(exclusion.reason)}"


def asked_first(record: OnRecord, held: Lot | Decision) -> list[str]:
    """Returns a sentence on each outlier among the readings of a lot that count.

    Args:
        record: record of the lot at the time in question.
        held: the lot, or the decision in force then, with the revisions.
    """
    counting = [row for row in record.readings if not readings.void_waits(row, record.known_at)]
    rows, _ = that_count(counting, HeldTo.of(held), record.about)
    figures = repeats.tested(held, rows, record.about.uncertainties)
    return [
        f"Reading {number} ({said(kind)}, spool {spool}) is an outlier. Find its cause first."
        for kind in CHARACTERISTICS
        for number, spool in repeats.standing_apart(figures, kind).items()
    ]


def beside(record: OnRecord, terms: Terms) -> Beside:
    """Returns the excluded readings of a lot, and its assessment with them."""
    rows = [
        row for row in record.readings if readings.is_excluded(row) and not readings.void_waits(row, record.known_at)
    ]
    if not rows:
        return Beside([], None)
    judged = assess_record(record, terms, record.readings)
    found = judged.assessment
    would: _Would = {
        "standing": judged.standing,
        "assessed": found.standing,
        "uses": dict(found.uses),
        "findings": [finding_view(finding) for finding in found.findings],
    }
    return Beside(rows, would)
