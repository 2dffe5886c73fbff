"""Figures of a lot that a measurement plan can be computed for, and the conversion of reading spread to each figure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.color.uncertainty import COORDINATES, local_metric
from lots.domain.characteristics.registry import JUDGED, MEASURES, REPEATED, declared_of
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit


@dataclass(frozen=True, slots=True)
class Planned:
    """A figure that is assessed as a mean of readings.

    Args:
        code: code of its finding.
        limit: its limit.
        figures: codes of the figures of single readings behind it.
        of_spool: True where each spool is assessed, not the mean of the lot.
        directions: 0 for a value on a scale, 3 for a colour difference.
        scale: converts the standard deviations of `figures` to that of this figure.
    """

    code: str
    limit: Limit
    figures: tuple[str, ...]
    of_spool: bool = False
    directions: float = 0.0
    scale: Callable[[tuple[float, ...]], float] = max


def planned(limits: Limits, nominal_mm: float, reference: Lab | None) -> list[Planned]:
    """Returns the figures of a grade's limits that are means of readings, in the order of declaration.

    Args:
        limits: of the grade.
        nominal_mm: nominal diameter, mm.
        reference: colour of the approved shade; None leaves colour differences out.
    """
    found = {}
    for figure in REPEATED.values():
        for code in figure.settles:
            block, measure = limits.given.get(declared_of(code).name), MEASURES.get(JUDGED[code].follows or code)
            limit = measure.limit(block, nominal_mm) if block is not None and measure is not None else None
            if limit is not None:
                found[code] = Planned(code, limit, (figure.code,), figure.over == "spool")
    color = limits.given.get(COLOR.name)
    if color is not None:
        found |= _of_color(color, reference)
    return [found[code] for code in JUDGED if code in found]


def _of_color(limits: ColorLimits, reference: Lab | None) -> dict[str, Planned]:
    found = {}
    for code, figure, axis in zip(VECTOR, COORDINATES, "Lab", strict=True):
        most = (limits.components_max or {}).get(axis)
        if most is not None:
            found[code] = Planned(code, Limit(-most, most), (figure,))
    if reference is None:
        return found
    for code, most, of_spool in (
        ("color.lot_delta_e", limits.lot_max, False),
        ("color.spool_delta_e", limits.spool_max, True),
    ):
        if most is not None:
            found[code] = Planned(code, Limit(None, most), COORDINATES, of_spool, 3.0, _along(reference, limits))
    return found


def _along(reference: Lab, limits: ColorLimits) -> Callable[[tuple[float, ...]], float]:
    """Returns the standard deviation of a colour difference near the reference, the root mean square over three directions."""

    def scaled(sds: tuple[float, ...]) -> float:
        if not any(sds):
            return 0.0
        _, metric = local_metric(reference, reference, max(sds), limits)
        return math.sqrt(math.fsum(metric[i][i] * sd**2 for i, sd in enumerate(sds)) / len(sds))

    return scaled


def readings_asked(code: str, limits: Limits, spools: int) -> int:
    """Returns the number of readings per spool that the limits require; a number per lot is shared among the spools."""
    declared = declared_of(code)
    block = limits.given[declared.name]
    asked = next((field for field in declared.limits.fields if field.counts), None)
    if asked is None:
        return 1
    least = int(getattr(block, asked.name))
    return least if asked.counts == "spool" else math.ceil(least / spools)


@dataclass(frozen=True, slots=True)
class KnownSpread:
    """Standard deviations of readings and between spools with their degrees of freedom; None and 0 where unknown."""

    sd: float | None
    sd_df: float
    between_sd: float | None
    between_df: float


def known_from(lent: Mapping[str, Any]) -> KnownSpread:
    """Returns the pooled spread of earlier lots for one figure and instrument (`kept_scatter.lent`)."""
    within, between = lent["within"], lent["between"]
    df, spools_df = sum(n - 1 for n, _ in within), sum(k - 1 for k, _, _ in between)
    variance = math.fsum((n - 1) * v for n, v in within) / df if df else None
    of_means = math.fsum((k - 1) * v for k, v, _ in between) / spools_df if spools_df else None
    if of_means is not None:
        held = math.fsum((k - 1) * per for k, _, per in between) / spools_df
        of_means = max(0.0, of_means - held * (variance or 0.0))
    return KnownSpread(_root(variance), float(df), _root(of_means), float(spools_df))


def _root(variance: float | None) -> float | None:
    return None if variance is None else math.sqrt(variance)
