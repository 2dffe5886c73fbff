"""Drift as rows, one for each value of a lot, with its chart and signals."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from lots.api.http.csv_answers import Table

_OF_MEASURE = ("measure", "label", "unit", "limit")
_OF_LOT = ("number", "lot_id", "supplier_lot", "received_at", "standing")
_OF_POINT = ("value", "uncertainty", "n", "stretch")
_OF_BASELINE = ("status", "mean", "sigma")
_OF_CHART = (
    "z", "score", "individuals_low", "individuals_high", "ewma", "ewma_low", "ewma_high", "cusum_high", "cusum_low", "in_baseline",
    "first_called_by",
)  # fmt: skip
_Some = Mapping[str, Any]


def _rows(answer: _Some) -> Iterator[_Some]:
    lots = {lot["number"]: lot for lot in answer["lots"]}
    stretches = {(base["measure"], base["stretch"]): base for base in answer["baseline"]}
    charted = {
        (chart["measure"], chart["stretch"], point["number"]): point
        for chart in answer["charts"]
        for point in chart["points"]
    }
    signals: dict[tuple[str, int], list[_Some]] = {}
    for signal in answer["signals"]:
        signals.setdefault((signal["measure"], signal["stretch"]), []).append(signal)
    for series in answer["series"]:
        for point in series["points"]:
            of, number = (series["measure"], point["stretch"]), point["number"]
            said = [
                one["says"] for one in signals.get(of, ()) if one["first"]["number"] <= number <= one["last"]["number"]
            ]
            baseline = {name: stretches[of][name] for name in _OF_BASELINE}
            row = {**series, **charted.get((*of, number), {}), **lots[number], **point}
            yield {**row, "read": stretches[of]["read"], "baseline": baseline, "signals": said}


TABLE = Table(
    [
        *((name,) for name in (*_OF_MEASURE, *_OF_LOT, *_OF_POINT, "read")),
        *(("baseline", name) for name in _OF_BASELINE),
        *((name,) for name in (*_OF_CHART, "signals")),
    ],
    _rows,
    "One row for each value of a lot, with its chart and signals,",
)
