"""Two lots whose colours were read with different instruments: what a comparison of them within one job is worth."""

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
    """What lies between the instruments of two lots.

    Args:
        shift: what is added to L*, a*, b* of the other lot, so that they are as the instruments of the lot in hand would read them.
        uncertainty: of each coordinate where nothing is known of the step between the instruments.
        says: why it is not known, "" where there is nothing to know.
    """

    shift: tuple[float, ...] = (0.0, 0.0, 0.0)
    uncertainty: float = 0.0
    says: str = ""

    def read_alike(self, lab: Lab | None) -> Lab | None:
        """Returns a colour of the other lot as the instruments of the lot in hand would read it; None for none."""
        if lab is None or not any(self.shift):
            return lab
        return nearest_lab(*(value + by for value, by in zip(lab.as_list(), self.shift, strict=True)))

    def told(self, pair: PairMatch, mine: Lab | None, theirs: Lab | None, rule: ColorLimits) -> PairMatch:
        """Returns a match of both as it stands across their instruments."""
        if not self.says or mine is None or theirs is None:
            return pair
        u = delta_e_uncertainty(theirs, mine, (self.uncertainty,) * 3, rule)
        return across_instruments(pair, u or 0.0, self.says)


NOTHING_BETWEEN = BetweenLots()

# What ties two instruments together, by both codes; None where no study does.
Known = dict[frozenset[str], Bridge | None]


def between_lots(lot: Lot, other: Lot, known: Known) -> BetweenLots:
    """Returns what lies between the instruments of two lots, with their figures and rules; as `between`."""
    return between(read_with(lot), read_with(other), known)


def between(mine: frozenset[str], theirs: frozenset[str], known: Known) -> BetweenLots:
    """Returns what lies between the instruments of two lots. One query for each two instruments that are known and differ, else none.

    An agreement study of both instruments tells the step between them. Without one 0.5 per coordinate lies between them (common practice, no
    source). Lots judged by rules before the third are compared as they were read.

    Args:
        mine, theirs: instruments of both, as `read_with` has them.
        known: what was looked up before, to which this adds.
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
        f"they were read with different instruments ({named}; {others}). "
        "Measure both with one instrument, or record an agreement study of these instruments."
    )
    return BetweenLots(uncertainty=BETWEEN_INSTRUMENTS, says=says)


def read_with(lot: Lot) -> frozenset[str]:
    """Returns the instruments that read the colours of a lot; none where they are not known or its rules do not ask."""
    if (lot.rules or rule_versions.FIRST) <= rule_versions.SECOND:
        return frozenset()
    some = ((lot.figures or {}).get("sources") or {}).get(COLOR.name, ())
    return frozenset(source for source in some if source != UNNAMED and not source.startswith(PRINTER))
