"""Purchasing: will the next lot of this supplier be accepted."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.registry import DECLARED, JUDGED, MEASURES
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import shown
from lots.domain.drift.lot_series import LotSeries, SeriesLot
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
    from lots.domain.purchasing.forecast import Forecast, History, NextValue

# Measures that the model follows, each against its own limit; colour is followed as a whole.
_FOLLOWED = tuple(code for code, one in MEASURES.items() if one.forecast)
# What is followed from lot to lot: these, and each colour coordinate.
FORETOLD = tuple(dict.fromkeys((*_FOLLOWED, *VECTOR)))
# Finding codes that those measures, and colour, answer for. Any other failure counts as "everything else".
_COVERED = {code for code, one in JUDGED.items() if one.covered}


def forecast(supplier_id: int, grade_id: int) -> View:
    """Returns what the supplier's next lot of the grade will be like, and how likely it is accepted the first time. Six queries at most.

    Raises:
        NotFound: no such supplier or grade.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    lots = lot_series.lots_of(supplier_id=supplier.id, grade_id=grade.id).originals()
    limits = store.newest_limits([grade.id]).get(grade.id)
    ties = bridges(lots.rows, limits_from(limits.body) if limits else None)
    cut = {name: series.stretches(lots, name, ties) for name in FORETOLD}
    return next_lot(
        supplier, grade, limits, shade_of(grade), lots, {name: parts[-1] for name, parts in cut.items() if parts}
    )


def shade_of(grade: Grade) -> ShadeRevision | None:
    """Returns the newest revision of the shade of a grade, None where it has none. At most one query."""
    return rows_of.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None


def next_lot(
    supplier: Supplier,
    grade: Grade,
    limits: LimitsRevision | None,
    shade: ShadeRevision | None,
    lots: LotSeries,
    parts: Mapping[str, Segment],
) -> View:
    """Returns what a supplier's next lot of a grade will be like, and how likely it is accepted the first time.

    Args:
        supplier, grade: whose lots of what.
        limits: the newest limits revision of the grade.
        shade: the newest revision of its shade.
        lots: all of the supplier's lots of the grade, without those sorted and sent again.
        parts: the latest lots read alike of each measure that is foretold.
    """
    # Here and below: it brings numpy, which would take a tenth of the time that starting takes.
    from lots.domain.purchasing.forecast import by_verdicts

    histories = {name: _history(parts[name]) for name in FORETOLD if name in parts}
    ended = [row for row in lots.rows if row.accepted is not None]
    verdicts = [bool(row.accepted) for row in ended]
    seen = None
    if limits:
        seed = f"{supplier.id}:{grade.id}:{len(lots)}"
        seen = _measured(histories, ended, limits_from(limits.body), grade, shade, seed)
    seen = seen or by_verdicts(verdicts)
    return {
        "supplier_id": supplier.id,
        "supplier": supplier.name,
        "grade_id": grade.id,
        "grade": grade.code,
        "limits_revision": limits and limits.revision,
        "probability": seen.probability,
        "low": seen.interval and seen.interval.low,
        "high": seen.interval and seen.interval.high,
        "confidence": 0.95,
        "model": seen.model,
        "lots": seen.lots,
        "inspected": len(ended),
        "accepted": sum(verdicts),
        "parts": [{"part": name, "probability": share} for name, share in seen.parts],
        "method": METHODS[seen.model],
        "next_values": [_next_value(parts[name], one) for name, one in histories.items() if one.enough],
        "says": _says(seen, supplier.name, grade.code),
    }


# As changing_level.PRIOR, which is not loaded before it is needed.
PATTERNS = ("steady", "step", "wandering", "trend")
METHODS = {
    "measured": "Each measure follows an average over models of its level (steady, one step, a trend, wandering), weighted by how well each fits the lots. "
    "Lots before a likely change count little. Where a recent change is possible, the interval is wider.",
    "verdicts": "Beta distribution with Jeffreys' prior, from the verdicts alone. From 8 verdicts on, the share accepted may have changed once.",
    "none": "No lot has been inspected to an end.",
}


def _measured(
    known: Mapping[str, History],
    ended: Sequence[SeriesLot],
    agreed: Limits,
    grade: Grade,
    shade: ShadeRevision | None,
    seed: str,
) -> Forecast | None:
    """The forecast from figures; the draws are seeded by whose lots they are, so that asking again answers the same."""
    import numpy as np

    from lots.domain.purchasing.forecast import ColorModel, by_measures

    used = {name for needs in agreed.required().values() for name in needs}
    histories: dict[str, tuple[History, Limit]] = {}
    for name in _FOLLOWED:
        limit = limit_on(name, agreed, grade.nominal_diameter_mm)
        if limit is not None and name in known and name.partition(".")[0] in used:
            histories[name] = (known[name], limit)
    color = None
    if agreed.color and shade is not None and COLOR.name in used and all(name in known for name in VECTOR):
        each = [known[name] for name in VECTOR]
        color = ColorModel((each[0], each[1], each[2]), Lab(*shade.lab), agreed.color)
    others = sum(not set(row.failed) - _COVERED for row in ended)
    chance = np.random.default_rng(list(hashlib.sha256(seed.encode()).digest()))
    return by_measures(histories, color, (others, len(ended)), chance)


def _history(part: Segment) -> History:
    """The figures of lots read alike, with the scatter of spools within them."""
    from lots.domain.purchasing.forecast import History

    values, spools, squares = part.column.figures.T[:3]
    several = spools > 1
    within_df = int((spools[several] - 1).sum())
    # Added in order, as arrays do not.
    return History(values.tolist(), sum(squares[several].tolist()), within_df, round(spools.sum() / len(spools)))


def _next_value(part: Segment, history: History) -> View:
    """The interval that the next lot's figure of one measure lies in, and since when its lots count."""
    from lots.domain.purchasing.forecast import next_value

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
    from lots.domain.purchasing.forecast import LIKELY, POSSIBLE

    about = MEASURES[part.measure]
    # Adding nothing takes the sign off a zero.
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
        text += " The level probably wanders from lot to lot, so the latest lots count most."
    if seen.suspected >= POSSIBLE:
        text += f" A step or trend is possible ({_percent(seen.suspected)}), so the interval is wider."
    return text


def _says(seen: Forecast, supplier: str, grade: str) -> str:
    whose = f"The next lot of {grade} from {supplier}"
    if seen.probability is None or seen.interval is None:
        return f"{whose}: nothing can be said, no lot was inspected to an end yet."
    share = f"{_percent(seen.probability)} likely to be accepted the first time, between {_percent(seen.interval.low)} and {_percent(seen.interval.high)}"
    if seen.model == "verdicts":
        return f"{whose} is {share}. From the verdicts on {counted(seen.lots, 'lot')} alone."
    name, least = seen.parts[0]
    weak = f" If it fails, then most likely by {_part_name(name)} ({_percent(1 - least)})." if least < 0.95 else ""
    return f"{whose} is {share}. From measurements of the last {counted(seen.lots, 'lot')} or more.{weak}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _part_name(name: str) -> str:
    about = MEASURES.get(name)
    other = "something that is not followed from lot to lot, such as a single reading or spool"
    return about.label.lower() if about else DECLARED[name].said if name in DECLARED else other
