"""Repeat readings of a lot: how they scatter, which stand apart, and how many more would leave no doubt about a finding. Only reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

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
    Known,
    Repeat,
    Scattered,
    deciding,
    outliers_among,
    scatter_of,
)
from lots.services import views
from lots.services.assessment.counting import HeldTo, that_count
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot, reading_from
from lots.services.assessment.uncertainty import Uncertainties, repeats_by, uncertainties
from lots.services.from_rows import approved_from
from lots.services.lookups import lot_of
from lots.store import readings
from lots.store.instruments import studies

# So many of the grade's newest lots lend their repeats to one that has too few.
_OTHER_LOTS = 20


@dataclass(frozen=True, slots=True)
class Tested:
    """The readings of one figure of a lot, excluded ones among them, with what the test says of them."""

    figure: str
    repeats: list[Repeat]
    repeatability: float
    own: float | None
    outliers: Outliers

    @property
    def says(self) -> str:
        """What the test says, with the figure it was done on."""
        return f"{REPEATED[self.figure].label}: {self.outliers.says}"

    @property
    def flagged(self) -> list[Repeat]:
        """The readings that stand apart, furthest first."""
        return [self.repeats[index] for index in self.outliers.flagged]

    def shown_by(self, reading: int) -> dict[str, Any] | None:
        """The step of the test that shows a reading to stand apart, None when none does."""
        for index in self.outliers.flagged:
            if self.repeats[index].reading == reading:
                step = next(step for step in self.outliers.steps if step.index == index)
                fields = {"figure": self.figure, "statistic": step.statistic, "critical": step.critical}
                return {**fields, "n": self.outliers.n, "alpha": self.outliers.alpha}
        return None


def tested(lot: Any, rows: Sequence[Any], known_at: datetime | None) -> list[Tested]:
    """Returns what the test says of each figure of these readings of a lot, those whose instrument is in order. Two queries.

    Args:
        lot: it, or a decision on it, with the revisions.
        rows: readings that count or are excluded.
        known_at: by the studies recorded up to then; None for all.
    """
    known = uncertainties(rows, known_at)
    found = _by_figure(_repeats(rows, known, *_terms(lot)))
    repeatability = _repeatability(rows, known_at)
    figures_of_kind: dict[str, int] = {}
    for figure in found:
        figures_of_kind[_kind(figure)] = figures_of_kind.get(_kind(figure), 0) + 1
    answer = []
    for figure in (name for name in REPEATED if name in found):
        repeats = found[figure]
        least = max(
            (repeatability.get((one.instrument, REPEATED[figure].studied), 0.0) for one in repeats), default=0.0
        )
        floor = least * max(one.per_unit for one in repeats)
        outliers = outliers_among(repeats, ALPHA / figures_of_kind[_kind(figure)], floor)
        answer.append(Tested(figure, repeats, floor, _own(rows, repeats, known), outliers))
    return answer


def _kind(figure: str) -> str:
    return figure.partition(".")[0]


def _terms(lot: Any) -> tuple[ShadeRevision | None, Limits | None]:
    """What a lot's readings must keep to for being compared: the conditions of its reference, the ages of its limits."""
    shade = approved_from(lot.shade_revision) if lot.shade_revision else None
    return shade, limits_from(lot.limits_revision.body) if lot.limits_revision else None


def _repeats(
    rows: Iterable[Any], known: Uncertainties, shade: ShadeRevision | None, limits: Limits | None
) -> Iterator[Repeat]:
    """The figures of readings, those left out that are not held against limits either."""
    for row in rows:
        declared, block = DECLARED[row.kind], limits.given.get(row.kind) if limits else None
        reading = declared.comparable(reading_from(row, known.of(row)), block, shade)
        if reading is None:
            continue
        # What was read under other conditions, where there is no reference yet, is no repeat.
        group = (row.lot_id, *((reading.conditions,) if declared.of_type("conditions") else ()))
        instrument = row.instrument.code if row.instrument else ""
        counts = getattr(row, "exclusion", None) is None
        for figure, value, more, per_unit in declared.repeats.of(reading):
            yield Repeat(figure, value, (*group, *more), row.id, row.spool.code, instrument, counts, per_unit)


def of_judged(judged: Judged) -> Iterator[Repeat]:
    """Returns the figures of the readings that a lot was judged by, controls of another material left out."""
    shade = approved_from(judged.shade) if judged.shade else None
    limits = limits_from(judged.limits.body) if judged.limits else None
    mine = [row for row in judged.rows if DECLARED[row.kind].of_lot(reading_from(row))]
    return _repeats(mine, Uncertainties({}), shade, limits)


def _by_figure(repeats: Iterable[Repeat]) -> dict[str, list[Repeat]]:
    found: dict[str, list[Repeat]] = {}
    for one in repeats:
        found.setdefault(one.figure, []).append(one)
    return found


def _repeatability(rows: Sequence[Any], known_at: datetime | None) -> dict[tuple[str, str], float]:
    """How the instruments of these readings repeat, by code and measure, as the newest study of each found. One query."""
    used = {row.instrument_id for row in rows} - {None}
    newest = sorted(studies.of_repeatability(used, known_at), key=lambda study: (study.studied_at, study.id))
    return {(study.instrument.code, study.measure): repeats_by(study) for study in newest}


def _own(rows: Sequence[Any], repeats: Sequence[Repeat], known: Uncertainties) -> float | None:
    """The standard uncertainty of the worst of the instruments, in the figure's unit; None where one is not known."""
    by_number = {row.id: row for row in rows}
    each = [known.of(by_number[one.reading]) for one in repeats]
    told = [u * one.per_unit for u, one in zip(each, repeats, strict=True) if u is not None]
    return max(told) if len(told) == len(each) else None


def of_lot(lot_id: int) -> dict[str, Any]:
    """Returns per characteristic of a lot how its readings scatter, which stand apart, and how many more would decide its findings.

    About ten queries, however many lots and readings there are.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    rows, notes = that_count(readings.that_count(lot.id, excluded=True), HeldTo.of(lot))
    figures = tested(lot, rows, None)
    kinds = [kind for kind in CHARACTERISTICS if any(row.kind == kind for row in rows)]
    others, _ = that_count(readings.of_grade(lot.grade_id, lot.id, kinds, _OTHER_LOTS), HeldTo.of(lot))
    grade = _by_figure(_repeats(others, Uncertainties({}), *_terms(lot)))
    scattered = {one.figure: scatter_of(one.repeats, grade.get(one.figure, []), one.repeatability) for one in figures}
    decisions = _decisions(lot, figures, scattered)
    parts = [_characteristic(kind, rows, figures, scattered, decisions) for kind in kinds]
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "confidence": CONFIDENCE,
        "characteristics": parts,
        "excluded": [excluded_line(row) for row in rows if getattr(row, "exclusion", None)],
        "notes": list(notes),
    }


def excluded_line(row: Any) -> dict[str, Any]:
    """An excluded reading with why, and which test showed it."""
    said = {"reading_id": row.id, "kind": row.kind, "spool_code": row.spool.code}
    return {**said, **(views.exclusion_line(row) or {}), "shown_by": row.exclusion.shown_by}


def _decisions(lot: Any, figures: Sequence[Tested], scattered: dict[str, Scattered]) -> list[Deciding]:
    judged = assess_lot(lot, Terms.of(lot))
    _, limits = _terms(lot)
    counts: dict[tuple[str, str], int] = {}
    coupons: dict[str, set[Any]] = {}
    for one in (one for part in figures for one in part.repeats if one.counts):
        counts[one.figure, one.spool] = counts.get((one.figure, one.spool), 0) + 1
        coupons.setdefault(one.figure, set()).add(one.group)
    known = Known(
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
    """Returns the readings of a kind that count and stand apart: number -> spool, furthest first."""
    mine = (part for part in figures if _kind(part.figure) == kind)
    return {one.reading: one.spool for part in mine for one in part.flagged if one.counts}


def _colors(figures: Sequence[Tested]) -> dict[str, Lab]:
    """Mean colour per spool of the readings that count."""
    found: dict[str, list[list[float]]] = {}
    for part in (part for part in figures if _kind(part.figure) == COLOR.name):
        for one in (one for one in part.repeats if one.counts):
            found.setdefault(one.spool, [[], [], []])[COORDINATES.index(part.figure[-1])].append(one.value)
    return {spool: Lab(*(sum(values) / len(values) for values in parts)) for spool, parts in found.items()}


def _characteristic(
    kind: str,
    rows: Sequence[Any],
    figures: Sequence[Tested],
    scattered: dict[str, Scattered],
    decisions: Sequence[Deciding],
) -> dict[str, Any]:
    mine = [part for part in figures if _kind(part.figure) == kind]
    about = [one for one in decisions if one.finding.characteristic == kind]
    says = [
        f"Reading {number} of spool {spool} stands apart from its like: look for the cause."
        for number, spool in standing_apart(figures, kind).items()
    ]
    says += [none] if (none := DECLARED[kind].repeats.none) else [one.says for one in about]
    return {
        "characteristic": kind,
        "readings": sum(row.kind == kind and getattr(row, "exclusion", None) is None for row in rows),
        "says": " ".join(says) or "No finding on this rests on a mean of readings.",
        "figures": [_figure(part, scattered[part.figure]) for part in mine],
        "decisions": [_decision(one) for one in about],
    }


def _figure(part: Tested, found: Scattered) -> dict[str, Any]:
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
        return f"How the {about.label} of one reading scatters is not known: read a spool at least twice with one instrument."
    size = f"{found.scatter.sd:.2g}{f' {about.unit}' if about.unit else ''}"
    told = {
        "lot": "by repeats of this lot",
        "grade": "by repeats of this lot and of the grade's others, since its own are few",
        "instrument": "as a study found its instrument to repeat; the readings themselves show no more",
    }[found.source or "instrument"]
    return f"The {about.label} of one reading scatters by {size} (standard deviation), {told}."


def _outliers(part: Tested) -> dict[str, Any]:
    found = part.outliers
    return {
        **{name: getattr(found, name) for name in ("n", "groups", "most", "alpha", "trusted", "says")},
        "steps": [
            {
                **_which(part.repeats[step.index]),
                "statistic": step.statistic,
                "critical": step.critical,
                "flagged": step.index in found.flagged,
            }
            for step in found.steps
        ],
        "flagged": [_apart(part, index) for index in found.flagged],
    }


def _which(one: Repeat) -> dict[str, Any]:
    return {"reading_id": one.reading, "spool_code": one.spool, "value": one.value}


def _apart(part: Tested, index: int) -> dict[str, Any]:
    """A reading that stands apart, with what leaving it out does to the mean of its like."""
    one = part.repeats[index]
    like = [number for number, other in enumerate(part.repeats) if other.kin == one.kin]
    means = with_and_without([part.repeats[number].value for number in like], [like.index(index)], part.own)
    sides = {"mean_with": means.with_them.mean, "mean_without": means.without_them.mean, "shift": means.shift}
    return {**_which(one), "excluded": not one.counts, **sides}


def _decision(one: Deciding) -> dict[str, Any]:
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
