"""The limit that a lot's figure must keep to."""

from __future__ import annotations

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import MEASURES, declared_of
from lots.domain.conformity.limits import Limit


def limit_on(measure: str, limits: Limits | None, nominal_mm: float) -> Limit | None:
    """Returns the limit that a lot's figure must keep to, or None where the limits set none.

    Args:
        measure: a key of MEASURES.
        limits: the limits revision, None when the grade has none.
        nominal_mm: the grade's nominal diameter, mm.
    """
    block = limits.given.get(declared_of(measure).name) if limits else None
    return MEASURES[measure].limit(block, nominal_mm) if block is not None else None
