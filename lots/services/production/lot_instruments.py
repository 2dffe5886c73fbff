"""Colour comparison between two lots that were measured with different instruments."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.characteristics.color.between_instruments import BETWEEN_INSTRUMENTS
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.uncertainty import delta_e_uncertainty
from lots.domain.characteristics.declaring.bridge import Bridge
from lots.domain.characteristics.declaring.case import PRINTER
from lots.domain.colorimetry.color_values import Lab, nearest_lab
from lots.domain.conformity import rule_versions
from lots.domain.production.matching import PairMatch, across_instruments
from lots.services.assessment.between_instruments import bridges_between
from lots.services.from_rows import UNNAMED
from lots.store.tables.models import Lot


@dataclass(frozen=True, slots=True)
class BetweenLots:
    """The difference between the instruments of two lots.

    Args:
        shift: added to L*, a*, b* of the other lot to convert them to the instruments of this lot.
        uncertainty: standard uncertainty of each coordinate if the difference is unknown.
        says: why the difference is unknown; "" if there is none.
    """

    shift: tuple[float, ...] = (0.0, 0.0, 0.0)
    uncertainty: float = 0.0
    says: str = ""

    def read_alike(self, lab: Lab | None) -> Lab | None:
        """Returns a colour of the other lot, converted to the instruments of this lot; None for None."""
        if lab is None or not any(self.shift):
            return lab
        return nearest_lab(*(value + by for value, by in zip(lab.as_list(), self.shift, strict=True)))

    def told(self, pair: PairMatch, mine: Lab | None, theirs: Lab | None, rule: ColorLimits) -> PairMatch:
        """Returns the match of both lots, with the uncertainty between their instruments."""
        if not self.says or mine is None or theirs is None:
            return pair
        u = delta_e_uncertainty(theirs, mine, (self.uncertainty,) * 3, rule)
        return across_instruments(pair, u or 0.0, self.says)


NOTHING_BETWEEN = BetweenLots()

# The agreement study of two instruments, by both codes; None without one.
Known = dict[frozenset[str], Bridge | None]


def between_lots(lot: Lot, other: Lot, known: Known) -> BetweenLots:
    """Returns the difference between the instruments of two lots, as `between` does."""
    return between(read_with(lot), read_with(other), known)


def between(mine: frozenset[str], theirs: frozenset[str], known: Known) -> BetweenLots:
    """Returns the difference between the instruments of two lots. One query for each pair of known, different instruments.

    It comes from an agreement study of both instruments. Without one, the uncertainty is 0.5 per coordinate (common practice, no source).
    Lots assessed under rules before version 3 are compared without conversion.

    Args:
        mine: instruments of this lot, as `read_with` returns them.
        theirs: instruments of the other lot.
        known: a cache of agreement studies, which this extends.
    """
    if not mine or not theirs or mine == theirs:
        return NOTHING_BETWEEN
    if len(mine) == len(theirs) == 1:
        (here,), (there,) = mine, theirs
        pair = frozenset((here, there))
        if pair not in known:
            known[pair] = bridges_between(pair).get(pair)
        if (bridge := known[pair]) is not None:
            return BetweenLots(tuple(bridge.shift(here)))
    named, others = (" and ".join(sorted(some)) for some in (mine, theirs))
    says = (
        f"they were measured with different instruments ({named}; {others}). "
        "Measure both lots with one instrument, or record an agreement study of these instruments."
    )
    return BetweenLots(uncertainty=BETWEEN_INSTRUMENTS, says=says)


def read_with(lot: Lot) -> frozenset[str]:
    """Returns the instruments that measured the colours of a lot; empty if unknown, or under rules before version 3."""
    if (lot.rules or rule_versions.FIRST) <= rule_versions.SECOND:
        return frozenset()
    some = ((lot.figures or {}).get("sources") or {}).get(COLOR.name, ())
    return frozenset(source for source in some if source != UNNAMED and not source.startswith(PRINTER))
