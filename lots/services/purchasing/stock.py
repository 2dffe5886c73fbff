"""Stock by grade and use: mass that may be loaded, other stock, days left, and whether the next lot arrives in time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import TypedDict, cast

from lots.domain.assessment.limits_revision import GENERAL, USES, Limits
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.purchasing.stock_outlook import (
    CONFIDENCE,
    LEAST_LOTS,
    STATES,
    WEEKS,
    Days,
    Demand,
    LeadTime,
    days_left,
    days_words,
    is_short,
    lead_time,
    lots_to_order,
    rounded_kg,
)
from lots.domain.words import counted, hyphenated, plural
from lots.services import clock
from lots.services.lookups import found
from lots.services.production import clearance
from lots.services.production.clearance import LotFacts
from lots.services.views import View
from lots.store.production import tracing
from lots.store.purchasing import stock as store
from lots.store.purchasing.stock import Known, Received, Taken
from lots.store.tables.models import Lot, Spool

# Said with every answer.
LEAVES_OUT = (
    "Open orders are not recorded here.",
    "Returned and scrapped lots, and spools of closed deliveries, are left out.",
    "Colour match within one job and the mass of the job are checked when a spool is loaded.",
    "Spools on machines count with their mass at loading, for any use.",
    "Days left are estimated from completed loads for the same use. Uses share spools, so see the line for any use.",
    f"A load that stayed on its machine for more than {WEEKS} weeks is not part of the consumption.",
    "Lead times come from released lots of all grades of the supplier. Lots in quarantine are left out.",
)
ANY_USE = "any use"
# An order is only mentioned if it is due within this time. Our choice, no source.
_SOON_DAYS = 90
# Fields that are empty for equal spools.
_EMPTY = ("machine", "nonconforming", "opened_at", "dried_at", "dry_at", "dried_by_rule_at", "withdrawn_at")
_DAY = timedelta(days=1)


class Short(TypedDict):
    """A stock that may run out before the next lot is released; `use` is None for all uses of the grade together."""

    grade_id: int
    use: str | None
    says: str
    days_low: float | None
    days_high: float | None
    lead_days: float | None
    stock_kg: float
    supplier_id: int | None


@dataclass(frozen=True, slots=True)
class _EqualSpools:
    """Equal spools: one of them, the lots it holds, and their total mass, g. `states` caches the state by use."""

    spool: Spool
    held: Sequence[LotFacts]
    mass_g: float
    states: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class _GradeStock:
    """The stock and the consumption of a grade."""

    groups: list[_EqualSpools] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)

    def uses(self) -> list[str]:
        """Returns the uses that its lots were assessed, permitted or loaded for, in the order of USES."""
        lots = [facts.lot for group in self.groups for facts in group.held]
        named = {use for lot in lots for use in lot.uses} | {one.use for one in self.taken}
        named |= {use for lot in lots for one in lot.concessions for use in one["uses"]}
        order = (*USES, GENERAL)
        return sorted(named, key=lambda use: (order.index(use) if use in order else len(order), use))


def stock(grade_id: int | None = None, use: str | None = None) -> View:
    """Returns stock, consumption and days left by grade and use, short ones first. At most nine queries for any stock.

    Args:
        grade_id: one grade; None for all grades in stock or used.
        use: one use; None for each use, and for all of them together.

    Raises:
        NotFound: no such grade.
    """
    now = clock.now()
    if grade_id is not None:
        found("grade", grade_id)
    items = _items(now, grade_id, use)
    return {
        "as_of": now,
        "confidence": CONFIDENCE,
        "says": _overall([cast("bool | None", item["short"]) for item in items]),
        "items": items,
        "leaves_out": list(LEAVES_OUT),
    }


def _overall(short_: Sequence[bool | None]) -> str:
    """Returns the numbers of short and unknown stocks, in words."""
    running_out, unknown = short_.count(True), short_.count(None)
    known = len(short_) - unknown
    if not short_:
        return "No filament is in stock, and none was used."
    if not known:
        whom = "the only stock" if unknown == 1 else f"all {unknown} stocks"
        return f"The outlook of {whom} is not known, because days left or lead times are not known yet."
    if running_out:
        says = (
            f"{counted(running_out, 'stock is', 'stocks are')} short and may run out before the next lot is released."
        )
    elif unknown:
        says = f"{known} of {counted(len(short_), 'stock')} {plural(known, 'is', 'are')} sufficient."
    else:
        says = "No stock is short."
    return f"{says} The outlook of {unknown} is not known." if unknown else says


def short(now: datetime) -> list[Short]:
    """Returns the stocks that may run out before the next lot is released, the soonest first. At most eight queries.

    The line for all uses of a grade is left out if one of its uses is short.
    """
    items = [item for item in _items(now, None, None) if item["short"] is True]
    of_use = {item["grade_id"] for item in items if item["use"] is not None}
    return [_short(item) for item in items if item["use"] is not None or item["grade_id"] not in of_use]


def _short(item: View) -> Short:
    next_lot = cast("View | None", item["next_lot"])
    return cast(
        "Short",
        {
            **{name: item[name] for name in ("grade_id", "use", "says", "days_low", "days_high")},
            "lead_days": next_lot and next_lot["lead_days"],
            "stock_kg": item["ready_kg"],
            "supplier_id": next_lot and next_lot["supplier_id"],
        },
    )


def _items(now: datetime, grade_id: int | None, use: str | None) -> list[View]:
    of_grades: defaultdict[int, _GradeStock] = defaultdict(_GradeStock)
    for group in _equal_spools(grade_id):
        of_grades[group.spool.lot.grade_id].groups.append(group)
    for one in store.taken(now, WEEKS, grade_id):
        of_grades[one.grade_id].taken.append(one)
    recent = _RecentLots(store.received(now))
    items = [
        _item(known, wanted, of_grades[known.id], now, recent)
        for known in store.grades(list(of_grades), grade_id)
        for wanted in ([use] if use is not None else [*of_grades[known.id].uses(), None])
    ]
    return sorted(items, key=_urgency)


def _urgency(item: View) -> tuple[object, ...]:
    """Returns the sort key: short stocks first, then by days left, unknown ones last."""
    low = item["days_low"]
    return not item["short"], low is None, low or 0.0, item["grade"], item["use"] is None, item["use"] or ""


def _equal_spools(grade_id: int | None) -> list[_EqualSpools]:
    """Returns all spools with filament left, equal ones together. At most five queries."""
    lots = {lot.id: lot for lot in store.lots_with_stock(grade_id)}
    alike, others = store.alike_spools(grade_id), store.other_spools(grade_id)
    further = tracing.further_lots([row.id for row in others if row.spliced])
    lots |= {lot.id: lot for lot in store.lots_numbered({n for held in further.values() for n in held} - set(lots))}
    limits: dict[int, Limits] = {}
    facts = {number: clearance.facts_of(lot, limits) for number, lot in lots.items()}
    # A lot received since the first query is left to the next answer.
    rows = [(_placeholder(one, lots[one.lot_id]), one.mass_g) for one in alike if one.lot_id in lots]
    for row in others:
        if row.lot_id in lots:
            row.lot = lots[row.lot_id]
            rows.append((row, row.remaining_mass_g))
    return [
        _EqualSpools(row, [facts[number] for number in (row.lot_id, *sorted(further.get(row.id, ())))], mass_g)
        for row, mass_g in rows
    ]


def _placeholder(alike: store.Alike, lot: Lot) -> Spool:
    """Returns a placeholder for equal spools, with the fields that a clearance reads."""
    plain = dict.fromkeys(_EMPTY)
    came = SimpleNamespace(came_at=alike.came_at)
    mass = {"code": lot.supplier_lot, "remaining_mass_g": alike.mass_g, "id": 0, "spliced": False}
    return cast("Spool", SimpleNamespace(**plain, **mass, lot=lot, lot_id=lot.id, delivery=came))


def _state(group: _EqualSpools, use: str, at: datetime) -> str:
    """Returns the state of spools for a use: by their clearance, or by the status of their lots if that is refused."""
    if use not in group.states:
        group.states[use] = _computed_state(group, use, at)
    return group.states[use]


def _computed_state(group: _EqualSpools, use: str, at: datetime) -> str:
    if group.spool.machine is not None:
        return "on_machines"
    answer = clearance.of_spool(group.spool, group.held, use, at)
    if answer.clear:
        return "conceded" if answer.concession else "loadable"
    return _refused_state(group, use, at)


def _refused_state(group: _EqualSpools, use: str, at: datetime) -> str:
    standings = {facts.lot.standing for facts in group.held}
    if standings <= set(LOADABLE):
        fit = all(clearance.of_lot(facts, use, at).clear for facts in group.held)
        return "held_back" if fit else "not_permitted"
    return "quarantined" if standings <= {*LOADABLE, "quarantined"} else "blocked"


def _masses(groups: Iterable[_EqualSpools], uses: Sequence[str], at: datetime) -> dict[str, float]:
    """Returns the mass in each state, g. With several uses, each spool counts in its best state."""
    grams = dict.fromkeys(STATES, 0.0)
    conceded: defaultdict[int, float] = defaultdict(float)
    lots: dict[int, LotFacts] = {}
    for group in groups:
        state = min((_state(group, use, at) for use in uses), key=STATES.index)
        if state == "conceded":
            lots[group.spool.lot_id] = group.held[0]
            conceded[group.spool.lot_id] += group.mass_g
        else:
            grams[state] += group.mass_g
    for number, mass_g in conceded.items():
        facts = lots[number]
        under = [one for one in facts.state.concessions if any(one.against(use, None, at) is None for use in uses)]
        within = min(mass_g, sum(one.left_g for one in under))
        grams["conceded"] += within
        over = {"quarantined": "quarantined", "blocked": "blocked"}.get(facts.lot.standing, "not_permitted")
        grams[over] += mass_g - within
    return grams


def _demand(rows: Iterable[Taken], known: Known, now: datetime) -> Demand:
    """Returns the consumption over the whole weeks on record, at most `WEEKS`."""
    weeks = 0 if known.since is None else max(0, min(WEEKS, (now - known.since) // (7 * _DAY)))
    kept = [row for row in rows if row.week < weeks]
    by_week = [sum(row.kg for row in kept if row.week == week) for week in range(weeks)]
    return Demand(tuple(by_week), sum(row.takings for row in kept), sum(row.squares for row in kept))


def _item(known: Known, use: str | None, of_grade: _GradeStock, now: datetime, recent: _RecentLots) -> View:
    uses = [use] if use is not None else of_grade.uses() or [GENERAL]
    grams = _masses(of_grade.groups, uses, now)
    taken = [row for row in of_grade.taken if use is None or row.use == use]
    demand = _demand(taken, known, now)
    # Mass left under a concession may be loaded too.
    ready_kg = (grams["loadable"] + grams["conceded"]) / 1000
    days = days_left(ready_kg, demand)
    suppliers = recent.suppliers(known.id, use, days)
    next_lot = suppliers[0] if suppliers else None
    lead_days = cast("float | None", next_lot and next_lot["lead_days"])
    item: View = {
        "grade_id": known.id,
        "grade": known.code,
        "color_name": known.color_name,
        "use": use,
        "ready_kg": ready_kg,
        **{f"{state}_kg": grams[state] / 1000 for state in STATES},
        "total_kg": sum(grams.values()) / 1000,
        "weeks": len(demand.weeks),
        "per_week_kg": demand.per_week,
        "days_left": days and days.mean,
        "days_low": days and days.low,
        "days_high": days and days.high,
        "days_unknown": demand.unknown or None,
        "short": is_short(days, ready_kg, sum(row.kg for row in taken), lead_days),
        "order_within_days": None if days is None or lead_days is None else max(0.0, days.low - lead_days),
        "next_lot": next_lot,
        "suppliers": suppliers,
    }
    return {**item, "says": _says(item, ready_kg, grams["conceded"] / 1000, days)}


def _says(item: View, ready_kg: float, conceded_kg: float, days: Days | None) -> str:
    use = item["use"]
    whom = f"{item['grade']}, {ANY_USE if use is None else hyphenated(str(use)) + ' use'}"
    lasts = f"{days_words(days.low, days.high)} days left (95 % interval)" if days and ready_kg > 0 else ""
    under = f" ({rounded_kg(conceded_kg):.2f} kg under concession)" if conceded_kg else ""
    parts = [f"{whom}: {rounded_kg(ready_kg):.2f} kg may be loaded{under}{', ' + lasts if lasts else ''}."]
    if days is None:
        parts.append(str(item["days_unknown"]))
    next_lot = cast("View | None", item["next_lot"])
    if next_lot is None:
        parts.append("No lot was received in the last two years.")
    else:
        parts.append(str(next_lot["says"]))
    if item["short"] is True:
        parts.append("Order now.")
        lots = cast("int", (next_lot and next_lot["lots_to_order"]) or 1)
        if next_lot is not None and lots > 1:
            parts.append(f"{next_lot['accepted']} of {next_lot['inspected']} lots were accepted, so order {lots} lots.")
    elif days is not None and item["short"] is False and cast("float", item["order_within_days"]) <= _SOON_DAYS:
        parts.append(f"Order within {item['order_within_days']:.0f} days.")
    return " ".join(parts)


class _RecentLots:
    """Lots of the last two years, with lead times and acceptance by supplier."""

    def __init__(self, received: Sequence[Received]) -> None:
        self._of_grade: defaultdict[int, dict[int, list[Received]]] = defaultdict(dict)
        by_supplier: defaultdict[int, list[Received]] = defaultdict(list)
        for one in received:
            self._of_grade[one.grade_id].setdefault(one.supplier_id, []).append(one)
            by_supplier[one.supplier_id].append(one)
        self._leads = {number: _lead(rows) for number, rows in by_supplier.items()}

    def suppliers(self, grade_id: int, use: str | None, days: Days | None) -> list[View]:
        """Returns the suppliers of a grade with lead time and acceptance, by number of lots, then by the newest lot."""
        found_ = sorted(self._of_grade[grade_id].values(), key=len, reverse=True)
        return [_supplier(rows, use, self._leads[rows[0].supplier_id], days) for rows in found_]


def _lead(rows: Sequence[Received]) -> LeadTime:
    released = [(one, one.released_at) for one in rows if one.released_at is not None]
    from_order = [max(0.0, (at - one.ordered_at) / _DAY) for one, at in released if one.ordered_at is not None]
    return lead_time(from_order, [max(0.0, (at - one.received_at) / _DAY) for one, at in released])


def _supplier(rows: Sequence[Received], use: str | None, lead: LeadTime, days: Days | None) -> View:
    originals = [one for one in rows if not one.sent_again]
    judged = [verdict for one in originals if (verdict := _accepted(one.accepted, one.uses, use)) is not None]
    name = rows[0].supplier
    if lead.most is None:
        says = f"The lead time of {name} is unknown. {counted(lead.n, 'lot was', 'lots were')} released, and {LEAST_LOTS} are needed."
    else:
        says = f"90 % of lots from {name} took up to {lead.most:.0f} days from {lead.begins} to release ({counted(lead.n, 'lot')})."
        says += "" if lead.from_order else " The days from order to receipt are not recorded."
    return {
        "supplier_id": rows[0].supplier_id,
        "supplier": name,
        "lots": len(rows),
        "lead_from": lead.begins,
        "lead_lots": lead.n,
        "lead_median_days": lead.median,
        "lead_days": lead.most,
        "inspected": len(judged),
        "accepted": sum(judged),
        "lots_to_order": lots_to_order(sum(judged), len(judged)),
        "in_time": None if days is None or lead.most is None else days.low >= lead.most,
        "says": says,
    }


def _accepted(accepted: bool | None, uses: Mapping[str, bool], use: str | None) -> bool | None:
    """Returns whether the original inspection accepted a lot for a use, or for at least one; None if open or unknown."""
    return accepted if use is None else uses.get(use, uses.get(GENERAL))
