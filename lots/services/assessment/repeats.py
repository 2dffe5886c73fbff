"""Repeat readings of a lot: their spread, outliers, and the number of readings needed to decide a finding.

Read-only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from lots.domain.assessment.limits_revision import CHARACTERISTICS, Limits, limits_from
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.limits_block import COORDINATES
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.registry import DECLARED, REPEATED
from lots.domain.colorimetry.color_values import Lab
from lots.domain.replicates.outliers import Outliers, with_and_without
from lots.domain.replicates.repeats import (
    ALPHA,
    CONFIDENCE,
    Deciding,
    LotEvidence,
    Repeat,
    Scattered,
    deciding,
    outliers_among,
    scatter_of,
    speaks_for_itself,
)
from lots.services import views
from lots.services.assessment.counting import HeldTo, OnRecord, that_count
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot, reading_from
from lots.services.assessment.uncertainty import Uncertainties
from lots.services.from_rows import approved_from
from lots.services.lookups import lot_of
from lots.services.views import View
from lots.store import readings
from lots.store.tables.models import Decision, LimitsRevision, Lot, Reading, ReadingExclusion
from lots.store.tables.models import ShadeRevision as ShadeRevisionRow


class ShownBy(TypedDict):
    """The step of a test that shows a reading to be an outlier."""

    figure: str
    statistic: float
    critical: float
    n: int
    alpha: float


@dataclass(frozen=True, slots=True)
class Tested:
    """The readings of one figure of a lot, excluded ones included, with the result of the outlier test."""

    figure: str
    repeats: list[Repeat]
    repeatability: float
    own: float | None
    outliers: Outliers

    @property
    def says(self) -> str:
        """The result of the test in words, with its figure."""
        return f"{REPEATED[self.figure].label}: {self.outliers.says}"

    @property
    def flagged(self) -> list[Repeat]:
        """The outliers, furthest first."""
        return [self.repeats[index] for index in self.outliers.flagged]

    def shown_by(self, reading: int) -> ShownBy | None:
        """Returns the step of the test that flags a reading as an outlier, None without one."""
        for index in self.outliers.flagged:
            if self.repeats[index].reading == reading:
                step = next(step for step in self.outliers.steps if step.index == index)
                return {
                    "figure": self.figure,
                    "statistic": step.statistic,
                    "critical": step.critical,
                    "n": self.outliers.n,
                    "alpha": self.outliers.alpha,
                }
        return None


def tested(held: Lot | Decision, rows: Sequence[Reading], known: Uncertainties) -> list[Tested]:
    """Returns the result of the outlier test for each figure of a lot's readings. No query.

    Args:
        held: the lot, or a decision on it, with the revisions.
        rows: readings that count or are excluded.
        known: their standard uncertainties by instrument.
    """
    worth = {row.id: known.of(row) for row in rows}
    found = _by_figure(_repeats(rows, worth, *_terms(held)))
    figures_of_kind = Counter(_kind(figure) for figure in found)
    answer = []
    for figure in (name for name in REPEATED if name in found):
        repeats = found[figure]
        studied = REPEATED[figure].studied
        least = max(
            (known.repeats.get((code, studied), 0.0) for code in {one.instrument for one in repeats}), default=0.0
        )
        floor = least * max(one.per_unit for one in repeats)
        outliers = outliers_among(repeats, ALPHA / figures_of_kind[_kind(figure)], floor)
        answer.append(Tested(figure, repeats, floor, _largest_uncertainty(repeats, worth), outliers))
    return answer


def _kind(figure: str) -> str:
    return figure.partition(".")[0]


def _terms(held: Lot | Decision) -> tuple[ShadeRevision | None, Limits | None]:
    """Returns the shade revision and the limits that make a lot's readings comparable."""
    return _revisions(held.shade_revision, held.limits_revision)


def _revisions(
    shade: ShadeRevisionRow | None, limits: LimitsRevision | None
) -> tuple[ShadeRevision | None, Limits | None]:
    return approved_from(shade) if shade else None, limits_from(limits.body) if limits else None


def _repeats(
    rows: Iterable[Reading], worth: Mapping[int, float | None], shade: ShadeRevision | None, limits: Limits | None
) -> Iterator[Repeat]:
    """Yields the figures of comparable readings. `worth` has standard uncertainties by reading."""
    given = limits.given if limits else {}
    for row in rows:
        declared = DECLARED[row.kind]
        reading = declared.comparable(reading_from(row, worth.get(row.id)), given.get(row.kind), shade)
        if reading is None:
            continue
        # Without a reference, readings under other conditions are no repeats.
        group = (row.lot_id, *((reading.conditions,) if declared.of_type("conditions") else ()))
        instrument, counts = row.instrument.code if row.instrument else "", not readings.is_excluded(row)
        for figure, value, more, per_unit in declared.repeats.of(reading):
            yield Repeat(figure, value, (*group, *more), row.id, row.spool.code, instrument, counts, per_unit)


def of_judged(judged: Judged) -> Iterator[Repeat]:
    """Returns the figures of the readings of an assessment, without controls of another material."""
    mine = [row for row in judged.rows if DECLARED[row.kind].of_lot(reading_from(row))]
    return _repeats(mine, {}, *_revisions(judged.shade, judged.limits))


def _by_figure(repeats: Iterable[Repeat]) -> dict[str, list[Repeat]]:
    found: dict[str, list[Repeat]] = {}
    for one in repeats:
        found.setdefault(one.figure, []).append(one)
    return found


def _largest_uncertainty(repeats: Sequence[Repeat], worth: Mapping[int, float | None]) -> float | None:
    """Returns the largest standard uncertainty of the instruments, in the figure's unit, None where one is unknown."""
    told = [u * one.per_unit for one in repeats if (u := worth[one.reading]) is not None]
    return max(told) if len(told) == len(repeats) else None


def of_lot(lot_id: int) -> View:
    """Returns spread, outliers and readings needed for a decision, for each characteristic of a lot.

    About ten queries. Other lots are read for characteristics with too few repeats.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    record = OnRecord(lot)
    rows, notes = that_count(
        [row for row in record.readings if not readings.void_waits(row)], HeldTo.of(lot), record.about
    )
    figures = tested(lot, rows, record.about.uncertainties)
    grade = _of_grade(lot, figures)
    scattered = {one.figure: scatter_of(one.repeats, grade.get(one.figure, []), one.repeatability) for one in figures}
    decisions = _decisions(record, figures, scattered)
    kinds = {row.kind for row in rows}
    parts = [_characteristic(kind, rows, figures, scattered, decisions) for kind in CHARACTERISTICS if kind in kinds]
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "confidence": CONFIDENCE,
        "characteristics": parts,
        "excluded": [excluded_line(row) for row in rows if readings.is_excluded(row)],
        "notes": list(notes),
    }


def _of_grade(lot: Lot, figures: Sequence[Tested]) -> dict[str, list[Repeat]]:
    """Returns readings of the grade's other lots by figure, for characteristics with too few repeats of their own."""
    wanting = dict.fromkeys(_kind(part.figure) for part in figures if not speaks_for_itself(part.repeats))
    others, _ = that_count(readings.of_grade(lot.grade_id, lot.id, list(wanting)), HeldTo.of(lot))
    return _by_figure(_repeats(others, {}, *_terms(lot)))


def excluded_line(row: Reading) -> View:
    """Returns an excluded reading with its cause and the test that flagged it."""
    exclusion: ReadingExclusion | None = getattr(row, "exclusion", None)
    said = {"reading_id": row.id, "kind": row.kind, "spool_code": row.spool.code}
    return {**said, **(views.exclusion_line(row) or {}), "shown_by": exclusion and exclusion.shown_by}


def _decisions(record: OnRecord, figures: Sequence[Tested], scattered: dict[str, Scattered]) -> list[Deciding]:
    lot = record.lot
    judged = assess_lot(lot, Terms.of(lot), record=record)
    _, limits = _terms(lot)
    counts = Counter((one.figure, one.spool) for part in figures for one in part.repeats if one.counts)
    coupons: dict[str, set[tuple[object, ...]]] = {}
    for one in (one for part in figures for one in part.repeats if one.counts):
        coupons.setdefault(one.figure, set()).add(one.group)
    known = LotEvidence(
        {figure: found.scatter for figure, found in scattered.items()},
        counts,
        {part.figure: part.own for part in figures if part.own is not None},
        _colors(figures),
        Lab(*lot.shade_revision.lab) if lot.shade_revision else None,
        limits.color if limits else None,
        tuple(code for code in REPEATED if len(coupons.get(code, ())) == 1),
        {kind: tuple(standing_apart(figures, kind)) for kind in CHARACTERISTICS},
    )
    return deciding(judged.assessment.findings, known, judged.assessment.summary.lab)


def standing_apart(figures: Sequence[Tested], kind: str) -> dict[int, str]:
    """Returns the outliers of a kind that count: number -> spool, furthest first."""
    mine = (part for part in figures if _kind(part.figure) == kind)
    return {one.reading: one.spool for part in mine for one in part.flagged if one.counts}


def _colors(figures: Sequence[Tested]) -> dict[str, Lab]:
    """Returns the mean colour of each spool, from the readings that count."""
    found: dict[str, list[list[float]]] = {}
    for part in (part for part in figures if _kind(part.figure) == COLOR.name):
        for one in (one for one in part.repeats if one.counts):
            found.setdefault(one.spool, [[], [], []])[COORDINATES.index(part.figure[-1])].append(one.value)
    return {spool: Lab(*(sum(values) / len(values) for values in parts)) for spool, parts in found.items()}


def _characteristic(
    kind: str,
    rows: Sequence[Reading],
    figures: Sequence[Tested],
    scattered: dict[str, Scattered],
    decisions: Sequence[Deciding],
) -> View:
    mine = [part for part in figures if _kind(part.figure) == kind]
    about = [one for one in decisions if one.finding.characteristic == kind]
    says = [
        f"Reading {number} of spool {spool} is an outlier. Find its cause."
        for number, spool in standing_apart(figures, kind).items()
    ]
    says += [none] if (none := DECLARED[kind].repeats.none) else [one.says for one in about]
    return {
        "characteristic": kind,
        "readings": sum(row.kind == kind and not readings.is_excluded(row) for row in rows),
        "says": " ".join(says) or "No finding here uses a mean of readings.",
        "figures": [_figure(part, scattered[part.figure]) for part in mine],
        "decisions": [_decision(one) for one in about],
    }


def _figure(part: Tested, found: Scattered) -> View:
    about, scatter = REPEATED[part.figure], found.scatter
    return {
        "figure": part.figure,
        "label": about.label,
        "unit": about.unit,
        "sd": scatter and scatter.sd,
        "df": scatter and scatter.df,
        "source": found.source,
        "repeatability": part.repeatability or None,
        "instrument_uncertainty": part.own,
        "says": _scatter_says(part, found),
        "outliers": _outliers(part),
    }


def _scatter_says(part: Tested, found: Scattered) -> str:
    about = REPEATED[part.figure]
    if found.scatter is None:
        return f"The standard deviation of one reading of {about.label} is unknown. Measure a spool at least twice with one instrument."
    size = f"{found.scatter.sd:.2g}{f' {about.unit}' if about.unit else ''}"
    source = {
        "lot": "repeats of this lot",
        "grade": "repeats of this lot and of other lots of the grade",
        "instrument": "a repeatability study of the instrument",
    }[found.source or "instrument"]
    return f"The standard deviation of one reading of {about.label} is {size}. It is from {source}."


def _outliers(part: Tested) -> View:
    found = part.outliers
    return {
        "n": found.n,
        "groups": found.groups,
        "most": found.most,
        "alpha": found.alpha,
        "trusted": found.trusted,
        "says": found.says,
        "steps": [
            {
                **_which(part.repeats[step.index]),
                "statistic": step.statistic,
                "critical": step.critical,
                "flagged": step.index in found.flagged,
            }
            for step in found.steps
        ],
        "flagged": [_outlier(part, index) for index in found.flagged],
    }


def _which(one: Repeat) -> View:
    return {"reading_id": one.reading, "spool_code": one.spool, "value": one.value}


def _outlier(part: Tested, index: int) -> View:
    """Returns an outlier, with its effect on the mean of comparable readings."""
    one = part.repeats[index]
    like = [number for number, other in enumerate(part.repeats) if other.kin == one.kin]
    means = with_and_without([part.repeats[number].value for number in like], [like.index(index)], part.own)
    sides = {"mean_with": means.with_them.mean, "mean_without": means.without_them.mean, "shift": means.shift}
    return {**_which(one), "excluded": not one.counts, **sides}


def _decision(one: Deciding) -> View:
    finding = one.finding
    return {
        "code": finding.code,
        "subject": finding.subject or None,
        "value": finding.value,
        "limit": finding.limit.as_json(),
        "unit": finding.limit.unit,
        "spools": one.spools,
        "readings": one.readings,
        "n": one.needed.n,
        "sure": one.needed.sure,
        "more": one.more,
        "noise": one.needed.noise,
        "says": one.says,
    }
