"""Picking spools in stock for a job: spools that may be loaded, from lots that match each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.production.alike_spools import ShelfLot, ShelfSpool, alike
from lots.domain.production.matching import within_one_job
from lots.domain.production.picks import pick
from lots.domain.production.stock import StockLot, StockSpool
from lots.services import clock
from lots.services.lookups import found
from lots.services.production import clearance
from lots.services.production.clearance import Ask
from lots.services.production.job_colors import color_rule, color_rules, spool_colors
from lots.services.production.lot_instruments import BetweenLots, Known, between_lots
from lots.services.views import View
from lots.store.production import shelf
from lots.store.tables.models import Spool


class PickSent(TypedDict):
    """The request to pick spools for a job."""

    grade_id: int
    use: str
    mass_g: float
    match_max: NotRequired[float | None]
    waste_percent: NotRequired[float]


def picks(values: PickSent) -> View:
    """Returns spools for a job whose mass suffices and whose lots all match: the fewest lots, then the oldest, opened spools first.

    Without a `match_max`, a use that shows colour takes the strictest limit of the candidate lots for one job, as loading does.
    A `match_max` of None requires no match. The choice is not proven optimal if the search reached its limit, or if more spools are in
    stock than it considers.

    Raises:
        NotFound: no such grade.
    """
    now = clock.now()
    grade = found("grade", values["grade_id"])
    ask = Ask(values["use"])
    spools = shelf.spools_on_shelf(grade.id)
    fit = list(_clear_spools(spools, ask, now))
    stock: dict[int, list[Spool]] = {}
    for spool in fit:
        stock.setdefault(spool.lot_id, []).append(spool)
    match_max = values.get("match_max")
    if "match_max" not in values and ask.use in clearance.SHOWS_COLOR:
        match_max = within_one_job(*color_rules(of_lot[0].lot for of_lot in stock.values()).values())
    rule = color_rule(fit[0].lot) if fit else ColorLimits()
    shelf_lots = _stock_lots(list(stock.values()), match_max, rule)
    chosen = pick(shelf_lots, values["mass_g"], match_max, rule, values.get("waste_percent", 0.0))
    may_be_used = {spool.code for lot in shelf_lots for spool in lot.spools}
    names = {spools[0].lot_id: spools[0].lot.supplier_lot for spools in stock.values()}
    by_code = {spool.code: spool for spool in fit}
    nearest = chosen.nearest
    return {
        "possible": chosen.possible,
        "says": chosen.says,
        "needed_g": chosen.needed_g,
        "mass_g": chosen.mass_g,
        "largest_pair": chosen.largest_pair,
        "lots": [{"lot_id": number, "supplier_lot": names[number]} for number in chosen.lots],
        "spool_codes": list(chosen.spools),
        "spools": [_spool(by_code[code]) for code in chosen.spools],
        "pairs": [{"lots": [names[one], names[other]], "delta_e": apart} for one, other, apart in chosen.pairs],
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


def _spool(row: Spool) -> View:
    return {
        "spool_code": row.code,
        "supplier_lot": row.lot.supplier_lot,
        "remaining_mass_g": row.remaining_mass_g,
        "opened_at": row.opened_at,
    }


def _clear_spools(spools: Sequence[Spool], ask: Ask, at: datetime) -> Iterator[Spool]:
    """Yields spools that are clear without a concession. Spools with the same clearance key are checked once."""
    facts: dict[int, clearance.LotFacts] = {}
    limits: dict[int, Limits] = {}
    known: dict[tuple[object, ...], bool] = {}
    for spool in spools:
        same = _clearance_key(spool)
        if same not in known:
            if spool.lot_id not in facts:
                facts[spool.lot_id] = clearance.facts_of(spool.lot, limits)
            answer = clearance.judged(spool, [facts[spool.lot_id]], ask, [], at)
            known[same] = answer.clear and answer.concession is None
        if known[same]:
            yield spool


def _clearance_key(spool: Spool) -> tuple[object, ...]:
    """Returns all values that decide the clearance of a spool in stock without a job. Dates count only if the grade limits the age."""
    grade = spool.lot.grade
    aged = grade.shelf_life_days is not None or grade.open_life_days is not None or grade.dry_for_h is not None
    ages = (spool.delivery.came_at, spool.opened_at, spool.dried_at, spool.dried_by_rule_at) if aged else ()
    fails = repr(spool.nonconforming) if spool.nonconforming else None
    here = spool.remaining_mass_g > BINARY_NOISE, spool.machine, spool.withdrawn_at, spool.spliced
    return spool.lot_id, fails, spool.dry_at, *here, *ages


def _stock_lots(stock: Sequence[Sequence[Spool]], match_max: float | None, rule: ColorLimits) -> list[StockLot]:
    """Returns the lots in stock, with all colours converted to the instruments of the first lot.

    Each lot has only spools that match each other. It has all its spools if no match is required or no spool colours are stored.
    """
    kept: dict[int, list[ShelfSpool]] = {}
    if match_max is not None:
        shown = [spools for spools in stock if spools[0].lot.lab and spools[0].lot.color_between is not None]
        alike_ones = alike([_shelf_lot(spools) for spools in shown], match_max, rule)
        kept = {spools[0].lot_id: some for spools, some in zip(shown, alike_ones, strict=True)}
    known: Known = {}
    return [
        _stock_lot(spools, kept.get(spools[0].lot_id), rule, between_lots(stock[0][0].lot, spools[0].lot, known))
        for spools in stock
    ]


def _shelf_lot(spools: Sequence[Spool]) -> ShelfLot:
    lot = spools[0].lot
    colors = zip(spools, spool_colors(lot, spools), strict=True)
    return ShelfLot(Lab(*lot.lab or ()), [ShelfSpool(color, spool.remaining_mass_g) for spool, color in colors])


def _stock_lot(
    spools: Sequence[Spool], kept: Sequence[ShelfSpool] | None, rule: ColorLimits, between: BetweenLots
) -> StockLot:
    """Returns a lot in stock with its selected spools and their colours, or with all spools if they were not compared."""
    lot = spools[0].lot
    colors: dict[tuple[Lab, float], None] = {}
    if kept is not None:
        by_code = {spool.code: spool for spool in spools}
        spools = [by_code[one.color.spool] for one in kept]
        alike_read = ((between.read_alike(one.color.lab), one.color.allowance(rule)) for one in kept)
        colors = dict.fromkeys((lab, allowance) for lab, allowance in alike_read if lab is not None)
    return StockLot(
        lot.id,
        lot.supplier_lot,
        between.read_alike(Lab(*lot.lab) if lot.lab else None),
        lot.received_at,
        tuple(StockSpool(s.code, s.remaining_mass_g, s.opened_at is not None, s.delivery.came_at) for s in spools),
        tuple(colors),
    )
