"""Purchasing: the forecast of a supplier's next lot."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.registry import DECLARED, MEASURES
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import shown
from lots.domain.drift.lot_series import LotSeries
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, ask_for_general, for_words
from lots.domain.words import counted
from lots.services.drift import series
from lots.services.drift.series import Segment
from lots.services.drift.signals import place_of
from lots.services.instruments.instrument_changes import bridges
from lots.services.lookups import found
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.setup import catalog as rows_of
from lots.store.tables.models import Grade, LimitsRevision, ShadeRevision, Supplier

if TYPE_CHECKING:
    from lots.domain.conformity.limits import Limit
    from lots.domain.purchasing.forecast import Drawn, Forecast, History
    from lots.domain.purchasing.forecast_by_use import ByUse
    from lots.domain.purchasing.next_value import NextValue

# Measures that the model forecasts, each against its own limit. Colour is forecast as a whole.
_FOLLOWED = tuple(code for code, one in MEASURES.items() if one.forecast)
# All series that the model needs: these, and each colour coordinate.
FORETOLD = tuple(dict.fromkeys((*_FOLLOWED, *VECTOR)))


def forecast(supplier_id: int, grade_id: int, use: str | None = None) -> View:
    """Returns the forecast of the supplier's next lot of the grade: its values and the probability of acceptance. At most six queries.

    Args:
        supplier_id: the supplier.
        grade_id: the grade.
        use: the intended use; see `next_lot`.

    Raises:
        NotFound: no such supplier or grade.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    lots = lot_series.lots_of(supplier_id=supplier.id, grade_id=grade.id).originals()
    limits = store.newest_limits([grade.id]).get(grade.id)
    ties = bridges(lots.rows, limits_from(limits.body) if limits else None)
    cut = {name: series.stretches(lots, name, ties) for name in FORETOLD}
    latest = {name: parts[-1] for name, parts in cut.items() if parts}
    return next_lot(Asked(supplier, grade, limits, shade_of(grade), use), lots, latest)


def shade_of(grade: Grade) -> ShadeRevision | None:
    """Returns the newest revision of the shade of a grade; None without one. At most one query."""
    return rows_of.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None


@dataclass(frozen=True, slots=True)
class Asked:
    """The subject of a forecast.

    Args:
        supplier: of the next lot.
        grade: of the next lot.
        limits: the newest limits revision of the grade.
        shade: the newest revision of its shade.
        use: the use for the probability; None for every use or for at least one, as the answer states.
    """

    supplier: Supplier
    grade: Grade
    limits: LimitsRevision | None
    shade: ShadeRevision | None
    use: str | None = None


def next_lot(asked: Asked, lots: LotSeries, parts: Mapping[str, Segment]) -> View:
    """Returns the forecast of a supplier's next lot of a grade: its values and the probability of acceptance at the first inspection.

    Args:
        asked: the subject.
        lots: all of the supplier's lots of the grade, without resubmissions.
        parts: the latest segment of each series.

    Notes:
        The probability is for the given use. Without a use, it is that of every use if it comes from measurements, and that of at least one
        use if it comes from verdicts alone. `probability_for` states which.
    """
    histories = histories_of(parts)
    ended = [row for row in lots.rows if row.accepted is not None]
    seen = foreseen(asked, lots, histories)
    whole, about = (seen.published, seen.published_for) if asked.use is None else (seen.of(asked.use), asked.use)
    verdicts = [bool(row.accepted) for row in ended] if asked.use is None else seen.verdicts.get(asked.use, [])
    return {
        "supplier_id": asked.supplier.id,
        "supplier": asked.supplier.name,
        "grade_id": asked.grade.id,
        "grade": asked.grade.code,
        "limits_revision": asked.limits and asked.limits.revision,
        "use": asked.use,
        "probability": whole.probability,
        "probability_for": None if whole.probability is None else about,
        "low": whole.interval and whole.interval.low,
        "high": whole.interval and whole.interval.high,
        "confidence": 0.95,
        "model": whole.model,
        "lots": whole.lots,
        "inspected": len(verdicts),
        "accepted": sum(verdicts),
        "parts": [{"part": name, "probability": share} for name, share in whole.parts],
        "method": METHODS[whole.model],
        "next_values": [_next_value(parts[name], one) for name, one in histories.items() if one.enough],
        "by_use": [{"use": use, **_of_use(one, seen.verdicts[use], for_words(use))} for use, one in seen.uses.items()],
        "every_use": _of_use(seen.every_use, seen.verdicts[EVERY], EVERY),
        "at_least_one_use": _of_use(seen.at_least_one, seen.verdicts[AT_LEAST_ONE], AT_LEAST_ONE),
        "says": _says(whole, asked, for_words(about) if about else "", ask_for_general(asked.use, seen.uses)),
    }


def histories_of(parts: Mapping[str, Segment]) -> dict[str, History]:
    """Returns the history of each series from its latest segment."""
    return {name: _history(parts[name]) for name in FORETOLD if name in parts}


def foreseen(asked: Asked, lots: LotSeries, histories: Mapping[str, History]) -> ByUse:
    """Returns the probability that a supplier's next lot of a grade is accepted, for each use. Arguments as `next_lot`."""
    # Imported here and below, because it loads numpy, which would slow down every start.
    from lots.domain.purchasing.forecast_by_use import by_use

    limits = limits_from(asked.limits.body) if asked.limits else None
    model = None
    if limits:
        model = _drawn(histories, limits, asked, f"{asked.supplier.id}:{asked.grade.id}:{len(lots)}")
    return by_use([row for row in lots.rows if row.accepted is not None], limits, model)


# The same as in changing_level.PRIOR, which is only loaded when needed.
PATTERNS = ("steady", "step", "wandering", "trend")
METHODS = {
    "measured": "The forecast of each measure averages models of its level (steady, one step, a trend, a random walk), weighted by their fit to the lots. "
    "Lots before a likely change count little. If a recent change is possible, the interval is wider.",
    "verdicts": "The forecast uses a beta distribution with Jeffreys' prior, from the verdicts alone. With 8 or more verdicts, it allows for one change of the share accepted.",
    "none": "No lot has a complete inspection.",
}


def _drawn(known: Mapping[str, History], agreed: Limits, asked: Asked, seed: str) -> Drawn:
    """Returns the model of measured values. The random seed depends on the subject and its lots, so answers are repeatable."""
    import numpy as np

    from lots.domain.purchasing.forecast import ColorModel, drawn

    used = {name for needs in agreed.required().values() for name in needs}
    histories: dict[str, tuple[History, Limit]] = {}
    for name in _FOLLOWED:
        limit = limit_on(name, agreed, asked.grade.nominal_diameter_mm)
        if limit is not None and name in known and name.partition(".")[0] in used:
            histories[name] = (known[name], limit)
    color = None
    if agreed.color and asked.shade is not None and COLOR.name in used and all(name in known for name in VECTOR):
        each = [known[name] for name in VECTOR]
        color = ColorModel((each[0], each[1], each[2]), Lab(*asked.shade.lab), agreed.color)
    return drawn(histories, color, np.random.default_rng(list(hashlib.sha256(seed.encode()).digest())))


def _history(part: Segment) -> History:
    """Returns the history of a segment, with the spread of spools within lots."""
    from lots.domain.purchasing.forecast import History

    values, spools, squares = part.column.figures.T[:3]
    several = spools > 1
    within_df = int((spools[several] - 1).sum())
    # The sum adds in order. A sum of an array would not.
    return History(values.tolist(), sum(squares[several].tolist()), within_df, round(spools.sum() / len(spools)))


def _next_value(part: Segment, history: History) -> View:
    """Returns the prediction interval of the next lot for one measure, with its pattern and a likely change."""
    from lots.domain.purchasing.next_value import next_value

    about, found_ = MEASURES[part.measure], next_value(history)
    ends = [place_of(part, index) for index in found_.changed] if found_.changed else [None, None]
    return {
        "measure": part.measure,
        "label": about.label,
        "unit": about.unit,
        "low": found_.interval.low,
        "high": found_.interval.high,
        "confidence": found_.interval.confidence,
        "lots": len(part),
        "pattern": found_.pattern,
        "pattern_probability": found_.probability,
        "change_probability": found_.suspected,
        "changed_from": ends[0],
        "changed_by": ends[1],
        "says": _next_says(part, found_),
    }


def _next_says(part: Segment, seen: NextValue) -> str:
    from lots.domain.purchasing.next_value import LIKELY, POSSIBLE

    about = MEASURES[part.measure]
    # Adding 0 removes the sign of a rounded zero.
    low, high = (
        shown(round(end, about.decimals) + 0.0, about.decimals) for end in (seen.interval.low, seen.interval.high)
    )
    unit = f" {about.unit}" if about.unit else ""
    text = f"{about.label}: {low} to {high}{unit} expected in the next lot (95 % prediction interval, {counted(len(part), 'lot')})."
    if seen.changed:
        first, last = (part.lot(index).supplier_lot for index in seen.changed)
        where = f"at lot {first}" if first == last else f"between lot {first} and lot {last}"
        what = "A step" if seen.pattern == "step" else "A trend that began"
        return f"{text} {what} {where} is likely ({_percent(seen.probability)})."
    if seen.pattern == "wandering" and seen.probability >= LIKELY:
        text += " The level probably follows a random walk from lot to lot, so the latest lots count most."
    if seen.suspected >= POSSIBLE:
        text += f" A step or trend is possible ({_percent(seen.suspected)}), so the interval is wider."
    return text


def _of_use(seen: Forecast, verdicts: Sequence[bool], what: str) -> View:
    """Returns the forecast for a use or for several, with the number of lots accepted for them."""
    if seen.probability is None or seen.interval is None:
        says = f"Next lot accepted for {what}: unknown, because no lot has a complete inspection for it yet."
    else:
        share = f"{_percent(seen.probability)}, 95 % interval {100 * seen.interval.low:.0f} to {_percent(seen.interval.high)}"
        says = f"Next lot accepted for {what}: {share}."
    return {
        "probability": seen.probability,
        "low": seen.interval and seen.interval.low,
        "high": seen.interval and seen.interval.high,
        "model": seen.model,
        "lots": seen.lots,
        "inspected": len(verdicts),
        "accepted": sum(verdicts),
        "says": says,
    }


def _says(seen: Forecast, asked: Asked, what: str, hint: str) -> str:
    whose = f"The next lot of {asked.grade.code} from {asked.supplier.name}"
    if seen.probability is None or seen.interval is None:
        return f"{whose}: unknown, because no lot has a complete inspection{f' for {what}' if what else ''} yet.{hint}"
    ends = f"95 % interval is {100 * seen.interval.low:.0f} to {_percent(seen.interval.high)}"
    likely = f"{whose} is {_percent(seen.probability)} likely to be accepted the first time for {what}. The {ends}."
    if seen.model == "verdicts":
        return f"{likely} This is from the verdicts on {counted(seen.lots, 'lot')} alone."
    name, least = seen.parts[0]
    weak = f" If it fails, the most likely cause is {_part_name(name)} ({_percent(1 - least)})." if least < 0.95 else ""
    return f"{likely} This is from measurements of at least the last {counted(seen.lots, 'lot')}.{weak}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _part_name(name: str) -> str:
    about = MEASURES.get(name)
    other = "a value that the model does not follow, such as a single reading or spool"
    return about.label.lower() if about else DECLARED[name].said if name in DECLARED else other
