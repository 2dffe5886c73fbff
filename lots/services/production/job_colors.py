"""Colour comparison within one job. A spool counts with its own mean colour if measured, or else with that of its lot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

from lots.domain.assessment.limits_revision import block_of, own_part
from lots.domain.characteristics.color.between_spools import Between
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.limits_block import color_limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production.matching import PairMatch, SpoolColor, match_pairs, within_one_job, worse
from lots.services.production.lot_instruments import NOTHING_BETWEEN, BetweenLots, Known, between_lots
from lots.store.production.loads import LotInJob
from lots.store.tables.models import Lot, Spool


def color_rule(lot: Lot) -> ColorLimits:
    """Returns the colour limits of a lot; limits without values if it has none."""
    return rule_of(lot.limits_revision.body) if lot.limits_revision else ColorLimits()


def color_rules(lots: Iterable[Lot]) -> dict[int | None, ColorLimits]:
    """Returns the colour limits of lots by revision id; None is the key of lots without limits."""
    of_each = {lot.limits_revision.id if lot.limits_revision else None: lot for lot in lots}
    return {number: color_rule(lot) for number, lot in of_each.items()}


def rule_of(body: Mapping[str, object]) -> ColorLimits:
    """Returns the colour limits in the body of a limits revision."""
    return color_limits(own_part(block_of(body, COLOR.name)))


def _comparable(lot: Lot, other: Lot) -> bool:
    """Returns True if the colours of two lots were measured under the same conditions."""
    if not lot.shade_revision or not other.shade_revision:
        return False
    return bool(other.shade_revision.conditions == lot.shade_revision.conditions)


def spool_color(lot: Lot, spool: Spool | None) -> SpoolColor:
    """Returns the colour of a spool as filament of this lot; without a spool, the colour of any spool of the lot.

    A respooled spool has no colour of its own.
    """
    if spool is None:
        return SpoolColor(lot.supplier_lot, Lab(*lot.lab) if lot.lab else None)
    return spool_colors(lot, [spool])[0]


def spool_colors(lot: Lot, spools: Sequence[Spool]) -> list[SpoolColor]:
    """Returns the colours of several spools as filament of this lot, as `spool_color` does for one."""
    mean, between = Lab(*lot.lab) if lot.lab else None, Between.from_json(lot.color_between)
    return [
        SpoolColor.of(lot.supplier_lot, spool.code, None if spool.spliced else spool.color, mean, between)
        for spool in spools
    ]


def pairs_among(held: Sequence[Lot], match_max: float | None = None) -> list[PairMatch]:
    """Returns the match of each pair of lots on one spool, compared both ways because neither was first.

    Respooled filament counts as from unmeasured spools, with the mean of its lot and the spread between spools.
    """
    colors, known = {lot.id: _of_any_spool(lot) for lot in held}, Known()
    return [
        worse(
            *_pair(other, one, colors[other.id], colors[one.id], match_max, between_lots(other, one, known)),
            *_pair(one, other, colors[one.id], colors[other.id], match_max, between_lots(one, other, known)),
        )
        for one, other in combinations(held, 2)
    ]


def _of_any_spool(lot: Lot) -> SpoolColor:
    mean, between = Lab(*lot.lab) if lot.lab else None, Between.from_json(lot.color_between)
    return SpoolColor.of(lot.supplier_lot, "", None, mean, between)


def pairs_in_job(
    lot: Lot, spool: Spool | None, in_job: Sequence[LotInJob], match_max: float | None, known: Known
) -> list[PairMatch]:
    """Returns the colour matches of a spool within a job. One query for each pair of known, different instruments.

    Args:
        lot: the lot of the filament.
        spool: the spool; None for any spool of the lot, whose mean is then compared with the means of other lots.
        in_job: lots used in the job.
        match_max: the limit of the job, which replaces those of the lots.
        known: a cache of agreement studies, which this extends.

    Returns:
        For each other lot, the worst match with its spools in the job. For its own lot, the match with each other spool in the job, if a limit
        is set. Rules up to version 2 store no spool colours, so spools of one lot are not compared then.
    """
    if not in_job:
        return []
    mine = spool_color(lot, spool)
    found: list[PairMatch] = []
    for used in in_job:
        other, beside = used.lot, list({one.id: one for one in used.spools}.values())
        if other.id != lot.id:
            there: Sequence[Spool | None] = beside if spool is not None and beside else [None]
            colors = [spool_color(other, one) for one in there]
            found.append(_worst(lot, other, mine, colors, match_max, between_lots(lot, other, known)))
        elif spool is not None and lot.color_between is not None:
            found += _among_own(lot, mine, [one for one in beside if one.id != spool.id], match_max)
    return found


def _worst(
    lot: Lot, other: Lot, mine: SpoolColor, theirs: Sequence[SpoolColor], match_max: float | None, between: BetweenLots
) -> PairMatch:
    """Returns the worst match of a colour with some colours of another lot."""
    return worse(*(pair for color in theirs for pair in _pair(lot, other, mine, color, match_max, between)))


def _among_own(lot: Lot, mine: SpoolColor, spools: Sequence[Spool], match_max: float | None) -> list[PairMatch]:
    """Returns the matches of a spool with other spools of its lot, if a limit is set."""
    pairs = (_worst(lot, lot, mine, [spool_color(lot, one)], match_max, NOTHING_BETWEEN) for one in spools)
    return [pair for pair in pairs if pair.limit is not None]


def _pair(
    lot: Lot, other: Lot, mine: SpoolColor, theirs: SpoolColor, match_max: float | None, between: BetweenLots
) -> list[PairMatch]:
    """Returns the matches of two colours by the formula of each lot, with the stricter limit and the uncertainty between instruments."""
    rules = [color_rule(lot), color_rule(other)] if other is not lot else [color_rule(lot)]
    if match_max is not None:
        rules = [replace(rule, job_pair_max=match_max) for rule in rules]
    if not (mine.lab and _comparable(lot, other)):
        theirs = replace(theirs, lab=None)
    theirs = replace(theirs, lab=between.read_alike(theirs.lab))
    beside = [(theirs, within_one_job(*rules))]
    each = ((rule, pair) for rule in rules for pair in match_pairs(mine, beside, rule))
    return [between.told(pair, mine.lab, theirs.lab, rule) for rule, pair in each]
