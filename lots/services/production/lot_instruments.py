"""Two lots whose colours were read with different instruments: what a comparison of them within one job is worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.color.between_instruments import BETWEEN_INSTRUMENTS
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.uncertainty import delta_e_uncertainty
from lots.domain.characteristics.declaring.case import PRINTER
from lots.domain.colorimetry.color_values import Lab, nearest_lab
from lots.domain.conformity import rule_versions
from lots.domain.production.matching import PairMatch, across_instruments
from lots.services.assessment.between_instruments import bridges_between
from lots.services.from_rows import UNNAMED


@dataclass(frozen=True, slots=True)
class OtherLot:
    """The colour of another lot as the instruments of the lot in hand would read it, what comes between them per coordinate, and why it is not known better."""

    lab: Lab | None
    between: float = 0.0
    says: str = ""

    def told(self, pair: PairMatch, mine: Lab | None, rule: ColorLimits) -> PairMatch:
        """Returns a match of both as it stands across their instruments."""
        if not self.says or mine is None or self.lab is None:
            return pair
        u = delta_e_uncertainty(self.lab, mine, (self.between,) * 3, rule)
        return across_instruments(pair, u or 0.0, self.says)


def as_read_alike(lot: Any, other: Any, lab: Lab | None) -> OtherLot:
    """Returns the colour of another lot as it is compared with that of the lot in hand. One query where their instruments are known and differ.

    An agreement study of both instruments corrects it. Without one 0.5 per coordinate lies between them (common practice, no source). Lots judged by rules
    before the third are compared as they were read.

    Args:
        lot, other: with their figures and rules.
        lab: mean colour of the other lot, None when it cannot be compared.
    """
    mine, theirs = _read_with(lot), _read_with(other)
    if lab is None or not mine or not theirs or mine == theirs:
        return OtherLot(lab)
    if len(mine) == len(theirs) == 1:
        (here,), (there,) = mine, theirs
        bridge = bridges_between((here, there)).get(frozenset((here, there)))
        if bridge is not None:
            at = zip(lab.as_list(), bridge.shift(here), strict=True)
            return OtherLot(nearest_lab(*(value + by for value, by in at)))
    named, others = (" and ".join(sorted(some)) for some in (mine, theirs))
    says = (
        f"they were read with different instruments ({named}; {others}). "
        "Measure both with one instrument, or record an agreement study of these instruments."
    )
    return OtherLot(lab, BETWEEN_INSTRUMENTS, says)


def _read_with(lot: Any) -> set[str]:
    """The instruments that read the colours of a lot; empty where they are not known or its rules do not ask."""
    if (lot.rules or rule_versions.FIRST) <= rule_versions.SECOND:
        return set()
    some = ((lot.figures or {}).get("sources") or {}).get(COLOR.name, ())
    return {source for source in some if source != UNNAMED and not source.startswith(PRINTER)}
