"""Purchasing: will the next lot of this supplier be accepted, and where must somebody act this week."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.registry import DECLARED, JUDGED, MEASURES
from lots.domain.colorimetry.color_values import Lab
from lots.domain.drift.drift_analysis import Analysis
from lots.domain.drift.reported import Listing, signals_to_report
from lots.domain.words import counted
from lots.services import clock
from lots.services.drift import drift, series, views
from lots.services.drift.drift import Followed
from lots.services.drift.series import Segment
from lots.services.drift.views import percent
from lots.services.instruments.instrument_changes import Bridges, bridges, read_on, steps
from lots.services.lookups import found
from lots.store.drift import series as store
from lots.store.setup import catalog as rows_of

if TYPE_CHECKING:
    from lots.domain.purchasing.forecast import Forecast, History

# Measures that the model follows, each against its own limit; colour is followed as a whole.
_FOLLOWED = tuple(code for code, one in MEASURES.items() if one.forecast)
# Finding codes that those measures, and colour, answer for. Any other failure counts as "everything else".
_COVERED = {code for code, one in JUDGED.items() if one.covered}


def forecast(supplier_id: int, grade_id: int) -> dict[str, Any]:
    """Returns the probability that the supplier's next lot of the grade is accepted the first time. Seven queries at most.

    Raises:
        NotFound: no such supplier or grade.
    """
    # Here and below: it brings numpy, which would take a tenth of the time that starting takes.
    from lots.domain.purchasing.forecast import by_verdicts

    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    rows = series.originals(store.lots_of(supplier_id=supplier.id, grade_id=grade.id))
    kept = store.newest_baselines(supplier_id=supplier.id, grade_id=grade.id).get((supplier.id, grade.id))
    limits = store.newest_limits([grade.id]).get(grade.id)
    shade = rows_of.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None
    agreed = limits_from(limits.body) if limits else None
    ended = [row for row in rows if row.first_inspection]
    accepted = sum(row.first_inspection["accepted"] for row in ended)
    seen = None
    if agreed and limits:
        seen = _measured(rows, ended, kept, agreed, grade, shade, f"{supplier.id}:{grade.id}:{len(rows)}")
    seen = seen or by_verdicts(accepted, len(ended))
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
        "accepted": accepted,
        "parts": [{"part": name, "probability": share} for name, share in seen.parts],
        "says": _says(seen, supplier.name, grade.code),
    }


def _measured(
    rows: Sequence[Any], ended: Sequence[Any], kept: Any, agreed: Limits, grade: Any, shade: Any, seed: str
) -> Forecast | None:
    """The forecast from figures; the draws are seeded by whose lots they are, so that asking again answers the same."""
    import numpy as np

    from lots.domain.purchasing.forecast import ColorModel, by_measures

    used = {name for needs in agreed.required().values() for name in needs}
    histories: dict[str, tuple[History, Any]] = {}
    ties = bridges(rows, agreed)
    for name in _FOLLOWED:
        limit = limit_on(name, agreed, grade.nominal_diameter_mm)
        parts = series.stretches(rows, name, ties)
        if limit is not None and parts and name.partition(".")[0] in used:
            histories[name] = (_history(parts[-1], drift.analysed(parts[-1], kept, limit)), limit)
    color = None
    colors = [series.stretches(rows, name, ties) for name in VECTOR]
    if agreed.color and shade is not None and COLOR.name in used and all(colors):
        each = [_history(parts[-1], drift.analysed(parts[-1], kept, None)) for parts in colors]
        color = ColorModel((each[0], each[1], each[2]), Lab(*shade.lab), agreed.color)
    others = sum(not set(row.figures.get("failed", ())) - _COVERED for row in ended)
    chance = np.random.default_rng(list(hashlib.sha256(seed.encode()).digest()))
    return by_measures(histories, color, (others, len(ended)), chance)


def _history(part: Segment, analysis: Analysis) -> History:
    """The lots that still speak for the supplier: since its latest change, where that goes on."""
    from lots.domain.purchasing.forecast import History

    moving = [signal for signal in analysis.signals if signal.active and signal.side]
    start, walking = 0, False
    if moving:
        latest = max(moving, key=lambda signal: signal.began)
        start, walking = latest.began, latest.kind == "ramp"
    figures = [row.figures["measures"][part.measure] for row in part.rows[start:]]
    inner = [(n, ss) for _, n, ss, _ in figures if n > 1]
    return History(
        part.values[start:],
        walking,
        sum(ss for _, ss in inner),
        sum(n - 1 for n, _ in inner),
        round(sum(n for _, n, _, _ in figures) / len(figures)),
    )


def _says(seen: Forecast, supplier: str, grade: str) -> str:
    whose = f"The next lot of {grade} from {supplier}"
    if seen.probability is None or seen.interval is None:
        return f"{whose}: nothing can be said, no lot was inspected to an end yet."
    share = f"{seen.probability:.0%} likely to be accepted the first time, between {seen.interval.low:.0%} and {seen.interval.high:.0%}"
    if seen.model == "verdicts":
        return f"{whose} is {share}. From the verdicts on {counted(seen.lots, 'lot')} alone."
    name, least = seen.parts[0]
    weak = f" If it fails, then most likely by {_part_name(name)} ({1 - least:.0%})." if least < 0.95 else ""
    return f"{whose} is {share}. From measurements of the last {counted(seen.lots, 'lot')} or more.{weak}"


def _part_name(name: str) -> str:
    about = MEASURES.get(name)
    other = "something that is not followed from lot to lot, such as a single reading or spool"
    return about.label.lower() if about else DECLARED[name].said if name in DECLARED else other


# How far back the week's list looks, and how near a limit is near.
_BACK = timedelta(days=730)
_NEAR_LOTS = 3


def act_this_week() -> dict[str, Any]:
    """Returns where purchasing must act, over all suppliers and grades: overdue actions, limits about to be reached, drift. Seven queries at most.

    Only lots of the last two years are looked at, so it does not grow with the archive. Of the series that are listed as drifting a stated share
    is steady on average, at most.
    """
    now = clock.now()
    groups: dict[tuple[int, int], list[Any]] = {}
    every = store.lots_of(since=now - _BACK)
    for row in every:
        groups.setdefault((row.supplier_id, row.grade_id), []).append(row)
    overdue = store.overdue_actions(now)
    pairs = {*groups, *((action.supplier_id, action.grade_id) for action in overdue)}
    suppliers, grades = store.names([s for s, _ in pairs], [g for _, g in pairs])
    limits = {number: limits_from(row.body) for number, row in store.newest_limits([g for _, g in pairs]).items()}
    kept, read = store.newest_baselines(), read_on(every)
    items = [_overdue_line(action, now) for action in overdue]
    followed: list[tuple[tuple[int, int], Followed]] = []
    for pair, rows in sorted(groups.items()):
        agreed, nominal = limits.get(pair[1]), grades[pair[1]].nominal_diameter_mm
        ties = Bridges(steps(agreed), read)
        followed += [(pair, one) for one in drift.follow(series.originals(rows), kept.get(pair), agreed, nominal, ties)]
        items += _refused(rows, pair)
    selected = drift.select(one for _, one in followed)
    for (pair, one), listed in zip(followed, selected.listed, strict=True):
        items += _moving(pair, one) if listed else []
    for item in items:
        item["supplier"], item["grade"] = suppliers[item["supplier_id"]].name, grades[item["grade_id"]].code
    items.sort(key=lambda item: (URGENCY.index(item["what"]), item["supplier"], item["grade"]))
    says = (
        f"{len(items)} {'thing needs' if len(items) == 1 else 'things need'} attention, the most urgent first."
        if items
        else "Nothing to act on this week."
    )
    return {"as_of": now, "items": items, "says": f"{says}{_listed_says(selected)}", **drift.counts(selected)}


def _listed_says(selected: Listing) -> str:
    """How many series were looked at, how many are listed and how many of those may be steady; nothing where there are none to look at."""
    if not selected.looked_at:
        return ""
    of = f" Of {counted(selected.looked_at, 'series', 'series')} looked at, {counted(selected.count, 'drifts', 'drift')}."
    if not selected.count:
        return of
    rate = f" On average, at most {percent(selected.rate)} of the series listed as drifting are steady."
    return f"{of}{rate} Weaker signals are on the drift pages of the suppliers."


URGENCY = ("overdue_action", "limit_near", "refused_waiting", "drifting")


def _overdue_line(action: Any, now: Any) -> dict[str, Any]:
    days = (now - action.due_at).days
    says = f"No answer yet on corrective action {action.id} for lot {action.lot.supplier_lot}, due {max(days, 1)} {'day' if days <= 1 else 'days'} ago."
    return _line("overdue_action", (action.supplier_id, action.grade_id), says, action.lot_id)


def _moving(pair: tuple[int, int], one: Followed) -> list[dict[str, Any]]:
    """The lines of a listed series, one for each signal."""
    part, ahead = one.part, one.analysis.projection
    # A limit that is reached already has no lot to come that reaches it first.
    comes = None if ahead is None or ahead.limit is None else ahead.earliest or ahead.about
    soon = ahead is not None and comes is not None and comes - ahead.last <= _NEAR_LOTS
    found_ = []
    for signal in signals_to_report(one.analysis, one.limit):
        says = views.moved(signal, part)
        if soon and ahead is not None:
            says += f" {views.ahead_says(ahead, part)}"
        what = "limit_near" if soon else "drifting"
        found_.append(_line(what, pair, says, part.rows[-1].id, part.measure, one.analysis.p))
    return found_


def _refused(rows: list[Any], pair: tuple[int, int]) -> list[dict[str, Any]]:
    waiting = [row for row in rows if row.standing == "blocked"]
    return [
        _line(
            "refused_waiting",
            pair,
            f"Lot {row.supplier_lot} is blocked and still here: ask quality to return it, scrap it or permit it by a concession.",
            row.id,
        )
        for row in waiting
    ]


def _line(
    what: str, pair: tuple[int, int], says: str, lot_id: int, measure: str | None = None, p: float | None = None
) -> dict[str, Any]:
    return {
        "what": what,
        "supplier_id": pair[0],
        "grade_id": pair[1],
        "lot_id": lot_id,
        "measure": measure,
        "p_value": p,
        "says": says,
    }
