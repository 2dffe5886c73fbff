"""Which lots may share a job, and spools picked for one: questions before a job is planned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import NotRequired, TypedDict

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import components, delta_e_among
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.production.alike_spools import ShelfSpool, alike
from lots.domain.production.matching import PairMatch, within_one_job
from lots.domain.production.picks import pick
from lots.domain.production.stock import StockLot, StockSpool
from lots.services import clock
from lots.services.lookups import found, lot_of
from lots.services.production import clearance
from lots.services.production.clearance import Ask
from lots.services.production.job_colors import color_rule, spool_colors
from lots.services.production.lot_instruments import BetweenLots, Known, between, between_lots, read_with
from lots.services.views import View
from lots.store.production import shelf
from lots.store.tables.models import Lot, Spool

# Lots whose every pair a table compares, and the lots nearest to one that are listed.
MOST_IN_TABLE = 120
MOST_MATCHES = 1_000


@dataclass(frozen=True, slots=True)
class _Colored:
    """A lot in stock as it is compared with others: by its mean where that was measured under known conditions."""

    lot: Lot
    rule: ColorLimits
    read_with: frozenset[str]
    lab: Lab | None
    conditions: object

    @classmethod
    def of(cls, lot: Lot) -> _Colored:
        shade = lot.shade_revision
        lab = Lab(*lot.lab) if lot.lab and shade else None
        return cls(lot, color_rule(lot), read_with(lot), lab, shade.conditions if shade else None)


def matches(lot_id: int, most: float | None) -> View:
    """Returns the other lots in stock of the same shade, with how far each lies from this one, nearest first.

    Args:
        most: largest difference to show as matching; when None, the stricter of the two lots' limits within one job.
    """
    lot = _Colored.of(lot_of(lot_id))
    stock = shelf.lots_to_match(lot.lot.grade_id, lot.lot.grade.shade_id)
    bridges: Known = {}
    compared = [(other, _compared(lot, _Colored.of(other), most, bridges)) for other in stock if other.id != lot_id]
    # The nearest first, and in the order they came those whose difference is not known.
    compared.sort(key=lambda one: math.inf if one[1]["delta_e"] is None else one[1]["delta_e"])
    return {
        "lot_id": lot.lot.id,
        "supplier_lot": lot.lot.supplier_lot,
        "max": _limit(most, lot.rule),
        "items": [
            {"lot_id": one.id, "supplier_lot": one.supplier_lot, "standing": one.standing, "uses": one.uses, **told}
            for one, told in compared[:MOST_MATCHES]
        ],
        "left_out": max(0, len(compared) - MOST_MATCHES),
    }


def _limit(most: float | None, *rules: ColorLimits) -> float | None:
    """The limit that was asked for, else that of lots under these rules within one job."""
    return within_one_job(*rules) if most is None else most


class _Told(TypedDict):
    """How a lot lies to another, as the contract has it."""

    delta_e: float | None
    limit: float | None
    within: bool | None
    direction: str


def _compared(
    lot: _Colored, other: _Colored, most: float | None, known: Known, difference: float | None = None
) -> _Told:
    """How another lot lies to this one, read alike; their difference is worked out where it is not given, or not as they were read."""
    limit, apart = _limit(most, lot.rule, other.rule), between(lot.read_with, other.read_with, known)
    mine, theirs = lot.lab, apart.read_alike(other.lab)
    if mine is None or theirs is None or lot.conditions != other.conditions:
        return {"delta_e": None, "limit": limit, "within": None, "direction": ""}
    if difference is None or any(apart.shift):
        difference = lot.rule.delta_e(mine, theirs)
    within = None if limit is None else Limit(None, limit).allows(difference)
    if apart.says:
        read = PairMatch(other.lot.supplier_lot, difference, limit, within)
        within = apart.told(read, mine, theirs, lot.rule).within
    direction = components(mine, theirs).direction
    return {"delta_e": difference, "limit": limit, "within": within, "direction": direction}


def match_table(grade_id: int, most: float | None) -> View:
    """Returns every pair of lots in stock of a grade, and which lots may share a job: matching is not transitive, so pairs are told.

    Of more than `MOST_IN_TABLE` lots those that came first; `matches` compares any lot with all others.

    Raises:
        NotFound: no such grade.
    """
    grade = found("grade", grade_id)
    in_stock = shelf.lots_to_match(grade.id)
    stock = [_Colored.of(lot) for lot in in_stock[:MOST_IN_TABLE]]
    apart, known = _apart(stock), Known()
    pairs = [
        {
            "lots": [one.lot.supplier_lot, other.lot.supplier_lot],
            **_compared(one, other, most, known, apart.get((one.lot.id, other.lot.id))),
        }
        for one, other in combinations(stock, 2)
    ]
    return {
        "grade_id": grade.id,
        "lots": [{"lot_id": one.lot.id, "supplier_lot": one.lot.supplier_lot, "lab": one.lot.lab} for one in stock],
        "pairs": pairs,
        "left_out": len(in_stock) - len(stock),
    }


def _apart(stock: Sequence[_Colored]) -> dict[tuple[int, int], float]:
    """How far each lot lies from each that was measured, by the rule of the first. All pairs of a formula at once."""
    measured = [(one.lot.id, one.lab, (one.rule.formula, one.rule.weights)) for one in stock if one.lab is not None]
    colors = [lab for _, lab, _ in measured]
    squares = {way: delta_e_among(colors, *way).tolist() for way in {way for _, _, way in measured}}
    return {
        (one, other): difference
        for place, (one, _, way) in enumerate(measured)
        for (other, _, _), difference in zip(measured, squares[way][place], strict=True)
    }


class PickSent(TypedDict):
    """What a job needs, as it is sent."""

    grade_id: int
    use: str
    mass_g: float
    match_max: NotRequired[float | None]
    waste_percent: NotRequired[float]


def picks(values: PickSent) -> View:
    """Returns spools for a job: every pair of lots matches, the mass suffices, fewest lots, then oldest, opened ones first.

    Without a `match_max`, a use that shows colour takes the strictest limit within one job of the lots to choose from, since loading does
    not mix lots beyond it. One that is None asks for no match. The choice is not proven where the search ended at its limit, or where the shelf
    holds more spools than are looked at.

    Raises:
        NotFound: no such grade.
    """
    now = clock.now()
    grade = found("grade", values["grade_id"])
    ask = Ask(values["use"])
    spools = shelf.spools_on_shelf(grade.id)
    fit = _fit(spools, ask, now)
    stock: dict[int, list[Spool]] = {}
    for spool in fit:
        stock.setdefault(spool.lot_id, []).append(spool)
    match_max = values.get("match_max")
    if "match_max" not in values and ask.use in clearance.SHOWS_COLOR:
        match_max = within_one_job(*(color_rule(of_lot[0].lot) for of_lot in stock.values()))
    rule = color_rule(fit[0].lot) if fit else ColorLimits()
    # All lots as the instruments of the first would read them, so that every pair is compared alike.
    known: Known = {}
    shelf_lots = [
        _stock_lot(spools, match_max, rule, between_lots(fit[0].lot, spools[0].lot, known)) for spools in stock.values()
    ]
    chosen = pick(shelf_lots, values["mass_g"], match_max, rule, values.get("waste_percent", 0.0))
    may_be_used = {spool.code for lot in shelf_lots for spool in lot.spools}
    names = {spools[0].lot_id: spools[0].lot.supplier_lot for spools in stock.values()}
    nearest = chosen.nearest
    return {
        "possible": chosen.possible,
        "says": chosen.says,
        "needed_g": chosen.needed_g,
        "mass_g": chosen.mass_g,
        "largest_pair": chosen.largest_pair,
        "lots": [{"lot_id": number, "supplier_lot": names[number]} for number in chosen.lots],
        "spool_codes": list(chosen.spools),
        "nearest": None
        if nearest is None
        else {
            "mass_g": nearest.mass_g,
            "lots": [{"lot_id": number, "supplier_lot": names[number]} for number in nearest.lots],
            "match_max_needed": nearest.match_max,
        },
        "left_out": sorted(spool.code for spool in fit if spool.code not in may_be_used),
        "considered": {"lots": len(stock), "spools": len(fit)},
        "proven_optimal": chosen.proven_optimal and len(spools) < shelf.MOST_SPOOLS,
    }


# What a clearance without a job does not read of a spool, or only to name it.
_OF_ITSELF = {"id", "code", "lot", "delivery", "remaining_mass_g", "color"}


def _fit(spools: Sequence[Spool], ask: Ask, at: datetime) -> list[Spool]:
    """Spools that are clear without a concession. Those of a lot that are the same to a clearance are judged once."""
    facts: dict[int, clearance.LotFacts] = {}
    known: dict[tuple[object, ...], bool] = {}
    found = []
    for spool in spools:
        state = (value for name, value in vars(spool).items() if name not in _OF_ITSELF)
        same = (spool.delivery.came_at, spool.remaining_mass_g > BINARY_NOISE, *map(_hashable, state))
        if same not in known:
            if spool.lot_id not in facts:
                facts[spool.lot_id] = clearance.facts_of(spool.lot)
            answer = clearance.judged(spool, [facts[spool.lot_id]], ask, [], at)
            known[same] = answer.clear and answer.concession is None
        if known[same]:
            found.append(spool)
    return found


def _hashable(value: object) -> object:
    return repr(value) if isinstance(value, (dict, list)) else value


def _stock_lot(spools: list[Spool], match_max: float | None, rule: ColorLimits, between: BetweenLots) -> StockLot:
    """A lot on the shelf, with those of its spools that match each other; all of them where no match is asked or their colours are not kept."""
    lot = spools[0].lot
    colors: tuple[tuple[Lab, float], ...] = ()
    if match_max is not None and lot.lab and lot.color_between is not None:
        by_code = {spool.code: spool for spool in spools}
        there = [
            ShelfSpool(color, spool.remaining_mass_g)
            for spool, color in zip(spools, spool_colors(lot, spools), strict=True)
        ]
        kept = [one.color for one in alike(there, Lab(*lot.lab), match_max, rule)]
        spools = [by_code[color.spool] for color in kept]
        alike_read = ((between.read_alike(color.lab), color.allowance(rule)) for color in kept)
        colors = tuple(dict.fromkeys((lab, allowance) for lab, allowance in alike_read if lab is not None))
    return StockLot(
        lot.id,
        lot.supplier_lot,
        between.read_alike(Lab(*lot.lab) if lot.lab else None),
        lot.received_at,
        tuple(StockSpool(s.code, s.remaining_mass_g, s.opened_at is not None, s.delivery.came_at) for s in spools),
        colors,
    )
