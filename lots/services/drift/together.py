"""Drift of all colour coordinates together (Hotelling's T2), in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.drift.color_together import together
from lots.services.drift import series
from lots.services.drift.series import Segment, Window
from lots.services.drift.signals import place_of
from lots.services.views import View
from lots.store.tables.models import Baseline


def seen(parts: Sequence[Segment], kept: Baseline | None, shown: Window) -> list[View]:
    """Returns T2 of each stretch of colours with a baseline, for the lots shown.

    Args:
        parts: stretches of a colour coordinate.
        kept: chosen baseline, None without one.
    """
    return list(_seen(parts, kept, shown))


def _seen(parts: Sequence[Segment], kept: Baseline | None, shown: Window) -> Iterator[View]:
    for number, part in enumerate(parts, start=1):
        rows = series.color_rows(part)
        whole = together(rows, series.color_baseline_for(part, kept))
        if whole is None:
            continue
        inside = shown.within(part)
        numbers, statistic = part.numbers[inside], whole.statistic[inside].tolist()
        yield {
            "stretch": number,
            "limit": whole.limit,
            "baseline_n": whole.n,
            "points": [{"number": n, "t2": t2} for n, t2 in zip(numbers, statistic, strict=True)],
            "signals": [
                _unusual(part, index, shares) for index, shares in whole.signals if inside.start <= index < inside.stop
            ],
        }


def _unusual(part: Segment, index: int, shares: Sequence[float]) -> View:
    """Returns a lot beyond the limit, with the contribution of each coordinate to T2."""
    total = sum(max(0.0, share) for share in shares) or 1.0
    drivers = sorted(zip(VECTOR, shares, strict=True), key=lambda driver: -driver[1])
    # Coordinates with a third of T2 or more are named, and always the largest.
    named = [name for rank, (name, share) in enumerate(drivers) if rank == 0 or share >= total / 3]
    labels = " and ".join(MEASURES[name].label for name in named)
    return {
        **place_of(part, index),
        "contributions": dict(zip(("dL", "da", "db"), shares, strict=True)),
        "driven_by": named,
        "says": f"Lot {part.lot(index).supplier_lot} is unusual in colour as a whole, mostly by {labels}.",
    }
