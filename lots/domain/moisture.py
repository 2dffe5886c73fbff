"""Moisture: a lot that is too wet is dried and measured again, not refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.limits import DecisionRule, Finding, Limit, judge, worst

REMEDY = "dry the filament, then measure its moisture again"


@dataclass(frozen=True, slots=True)
class MoistureReading:
    """Moisture by mass (%) of one spool at one time; `uncertainty` of the analyser in %."""

    spool: str
    percent: float
    measured_at: datetime
    uncertainty: float | None = None


def latest_per_spool(readings: Sequence[MoistureReading]) -> dict[str, MoistureReading]:
    """Returns the newest reading of each spool: moisture changes, so what was measured before drying no longer describes it.

    Of two readings of one moment the wetter is taken.
    """
    newest: dict[str, MoistureReading] = {}
    for reading in readings:
        held = newest.get(reading.spool)
        if held is None or (reading.measured_at, reading.percent) > (held.measured_at, held.percent):
            newest[reading.spool] = reading
    return newest


@dataclass(frozen=True, slots=True)
class MoistureLimits:
    """Most moisture, % by mass."""

    max_percent: float


def judge_moisture(readings: Sequence[MoistureReading], limits: MoistureLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on the wettest spool. A value over the limit holds the lot with the remedy; it does not refuse it."""
    limit = Limit(None, limits.max_percent, "%")
    latest = latest_per_spool(readings)
    if not latest:
        return [judge("moisture.percent", None, limit, rule, n=0, lacking="moisture of a sampled spool")]
    n = len(latest)
    return [
        worst(
            [
                judge(
                    "moisture.percent",
                    reading.percent,
                    limit,
                    rule,
                    n=n,
                    counted="spool" if n == 1 else "spools",
                    uncertainty=reading.uncertainty,
                    subject=f"wettest, spool {spool}",
                    hold=REMEDY,
                    single=True,
                )
                for spool, reading in latest.items()
            ]
        )
    ]
