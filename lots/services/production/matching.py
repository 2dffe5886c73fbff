"""Colour match between lots in stock within one job."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypedDict

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import components, delta_e_among
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.production.matching import PairMatch, within_one_job
from lots.services.lookups import found, lot_of
from lots.services.production.job_colors import color_rule, color_rules
from lots.services.production.lot_instruments import Known, between, read_with
from lots.services.views import View
from lots.store.production import shelf
from lots.store.tables.models import Lot

# The most lots in a table of all pairs, and the most lots in a list of matches.
MOST_IN_TABLE = 120
MOST_MATCHES = 1_000


@dataclass(frozen=True, slots=True)
class _LotColor:
    """A lot in stock with its mean colour, if that was measured under known conditions."""

    lot: Lot
    rule: ColorLimits
    read_with: frozenset[str]
    lab: Lab | None
    conditions: object

    @classmethod
    def each(cls, lots: Sequence[Lot]) -> list[_LotColor]:
        """Returns the lots with their colours, in the same order."""
        rules = color_rules(lots)
        return [cls.of(lot, rules[lot.limits_revision.id if lot.limits_revision else None]) for lot in lots]

    @classmethod
    def of(cls, lot: Lot, rule: ColorLimits) -> _LotColor:
        shade = lot.shade_revision
        lab = Lab(*lot.lab) if lot.lab and shade else None
        return cls(lot, rule, read_with(lot), lab, shade.conditions if shade else None)


def matches(lot_id: int, most: float | None) -> View:
    """Returns the other lots in stock of the same shade with their colour difference from this one, nearest first.

    Args:
        most: the largest difference that matches; None for the stricter limit of the two lots for one job.
    """
    row = lot_of(lot_id)
    lot = _LotColor.of(row, color_rule(row))
    stock = shelf.lots_to_match(row.grade_id, row.grade.shade_id)
    bridges: Known = {}
    compared = [
        (other.lot, _compared(lot, other, most, bridges)) for other in _LotColor.each(stock) if other.lot.id != lot_id
    ]
    # Lots without a known difference come last, in order of receipt.
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
    """Returns the requested limit, or else the limit of these lots for one job."""
    return within_one_job(*rules) if most is None else most


class _Match(TypedDict):
    """The colour match of one lot with another."""

    delta_e: float | None
    limit: float | None
    within: bool | None
    direction: str


def _compared(
    lot: _LotColor, other: _LotColor, most: float | None, known: Known, difference: float | None = None
) -> _Match:
    """Returns the match of another lot with this one, converted to the same instruments.

    `difference` is used if no conversion is needed. Otherwise it is computed.
    """
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
    """Returns the colour match of every pair of lots in stock of a grade. Matching is not transitive, so pairs are listed.

    Only the first `MOST_IN_TABLE` lots received are compared. `matches` compares one lot with all others.

    Raises:
        NotFound: no such grade.
    """
    grade = found("grade", grade_id)
    in_stock = shelf.lots_to_match(grade.id)
    stock = _LotColor.each(in_stock[:MOST_IN_TABLE])
    apart, known = _differences(stock), Known()
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


def _differences(stock: Sequence[_LotColor]) -> dict[tuple[int, int], float]:
    """Returns the differences between all measured lots, each by the formula of the first lot of a pair."""
    measured = [(one.lot.id, one.lab, (one.rule.formula, one.rule.weights)) for one in stock if one.lab is not None]
    colors = [lab for _, lab, _ in measured]
    squares = {way: delta_e_among(colors, *way).tolist() for way in {way for _, _, way in measured}}
    return {
        (one, other): difference
        for place, (one, _, way) in enumerate(measured)
        for (other, _, _), difference in zip(measured, squares[way][place], strict=True)
    }
