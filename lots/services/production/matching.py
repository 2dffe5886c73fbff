"""Which lots may share a job, and spools picked for one: questions before a job is planned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import components, delta_e_among
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.production.alike_spools import ShelfSpool, alike
from lots.domain.production.matching import PairMatch, within_one_job
from lots.domain.production.picks import pick
from lots.domain.production.stock import StockLot, StockSpool
from lots.services import clock
from lots.services.lookups import found, lot_of
from lots.services.production import clearance
from lots.services.production.clearance import Ask
from lots.services.production.job_colors import color_rule, comparable_lab, spool_color
from lots.services.production.lot_instruments import BetweenLots, Known, between_lots
from lots.store.assessment import lots
from lots.store.production import shelf

# Lots whose every pair a table compares, and the lots nearest to one that are listed.
MOST_IN_TABLE = 150
MOST_MATCHES = 1_000


def matches(lot_id: int, most: float | None) -> dict[str, Any]:
    """Returns the other lots in stock of the same shade, with how far each lies from this one, nearest first.

    Args:
        most: largest difference to show as matching; when None, the stricter of the two lots' limits within one job.
    """
    lot = lot_of(lot_id)
    rule = color_rule(lot)
    alike = {"shade_id": lot.grade.shade_id} if lot.grade.shade_id else {"grade_id": lot.grade_id}
    stock = lots.in_stock(**alike, to_offer=True)
    bridges: Known = {}
    lines = [
        _line(lot, other, rule, _limit(most, rule, color_rule(other)), between_lots(lot, other, bridges))
        for other in stock
        if other.id != lot.id
    ]
    known = sorted((line for line in lines if line["delta_e"] is not None), key=lambda line: line["delta_e"])
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "max": _limit(most, rule),
        "items": [*known, *(line for line in lines if line["delta_e"] is None)][:MOST_MATCHES],
        "left_out": max(0, len(lines) - MOST_MATCHES),
    }


def _limit(most: float | None, *rules: ColorLimits) -> float | None:
    """The limit that was asked for, else that of lots under these rules within one job."""
    return within_one_job(*rules) if most is None else most


def _line(
    lot: Any,
    other: Any,
    rule: ColorLimits,
    limit: float | None,
    between: BetweenLots,
    difference: float | None = None,
) -> dict[str, Any]:
    """How another lot lies to this one, read alike; their difference is worked out where it is not given, or not as they were read."""
    mine = Lab(*lot.lab) if lot.lab and lot.shade_revision else None
    theirs = between.read_alike(comparable_lab(lot, other))
    line = {"lot_id": other.id, "supplier_lot": other.supplier_lot, "standing": other.standing, "uses": other.uses}
    line["limit"] = limit
    if mine is None or theirs is None:
        return {**line, "delta_e": None, "within": None, "direction": ""}
    if difference is None or any(between.shift):
        difference = rule.delta_e(mine, theirs)
    within = None if limit is None else Limit(None, limit).allows(difference)
    read = PairMatch(other.supplier_lot, difference, limit, within)
    told = between.told(read, mine, theirs, rule)
    return {**line, "delta_e": difference, "within": told.within, "direction": components(mine, theirs).direction}


def match_table(grade_id: int, most: float | None) -> dict[str, Any]:
    """Returns every pair of lots in stock of a grade, and which lots may share a job: matching is not transitive, so pairs are told.

    Of more than `MOST_IN_TABLE` lots those that came first; `matches` compares any lot with all others.

    Raises:
        NotFound: no such grade.
    """
    grade = found("grade", grade_id)
    in_stock = lots.in_stock(grade_id=grade.id, to_offer=True)
    stock = in_stock[:MOST_IN_TABLE]
    rules = {lot.id: color_rule(lot) for lot in stock}
    apart = _apart([lot for lot in stock if lot.lab], rules)
    pairs, known = [], Known()
    for one, other in combinations(stock, 2):
        limit, between = _limit(most, rules[one.id], rules[other.id]), between_lots(one, other, known)
        line = _line(one, other, rules[one.id], limit, between, apart.get(one.id, {}).get(other.id))
        told = {name: line[name] for name in ("delta_e", "limit", "within", "direction")}
        pairs.append({"lots": [one.supplier_lot, other.supplier_lot], **told})
    return {
        "grade_id": grade.id,
        "lots": [{"lot_id": lot.id, "supplier_lot": lot.supplier_lot, "lab": lot.lab} for lot in stock],
        "pairs": pairs,
        "left_out": len(in_stock) - len(stock),
    }


def _apart(measured: Sequence[Any], rules: Mapping[int, ColorLimits]) -> dict[int, dict[int, float]]:
    """How far each lot lies from each, by the rule of the first: id of one -> id of other -> difference. All pairs of a formula at once."""
    ids, colors = [lot.id for lot in measured], [Lab(*lot.lab) for lot in measured]
    ways = {number: (rules[number].formula, rules[number].weights) for number in ids}
    squares = {way: delta_e_among(colors, *way).tolist() for way in set(ways.values())}
    return {one: dict(zip(ids, squares[ways[one]][i], strict=True)) for i, one in enumerate(ids)}


def picks(values: dict[str, Any]) -> dict[str, Any]:
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
    answers = [clearance.judged(spool, [spool.lot], ask, [], now) for spool in spools]
    fit = [s for s, answer in zip(spools, answers, strict=True) if answer.clear and answer.concession is None]
    stock: dict[int, list[Any]] = {}
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


def _stock_lot(spools: list[Any], match_max: float | None, rule: ColorLimits, between: BetweenLots) -> StockLot:
    """A lot on the shelf, with those of its spools that match each other; all of them where no match is asked or their colours are not kept."""
    lot = spools[0].lot
    colors: tuple[tuple[Lab, float], ...] = ()
    if match_max is not None and lot.lab and lot.color_between is not None:
        by_code = {spool.code: spool for spool in spools}
        there = [ShelfSpool(spool_color(lot, spool), spool.remaining_mass_g) for spool in spools]
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
