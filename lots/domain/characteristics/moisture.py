"""Moisture per spool. A wet lot is held until its spools are dried and measured again; it is not rejected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    QUALITY,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    Repeats,
    Values,
)
from lots.domain.characteristics.declaring.figures import of_units
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, Problem
from lots.domain.characteristics.declaring.neighbours import Far, within_factor
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.conformity.findings import Finding, decimals_of, shown, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.words import plural

REMEDY = "dry the filament, then measure its moisture again"


@dataclass(frozen=True, slots=True)
class MoistureReading:
    """Moisture of one spool at one time, % by mass; `uncertainty` is that of the analyser, %."""

    spool: str
    percent: float
    measured_at: datetime
    uncertainty: float | None = None
    origin: Origin = UNKNOWN


def latest_per_spool(readings: Sequence[MoistureReading]) -> dict[str, MoistureReading]:
    """Returns the newest reading of each spool, since moisture changes. Of two readings at one time, the wetter counts."""
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

    @property
    def limit(self) -> Limit:
        """The limit on one reading, %, end included."""
        return Limit(None, self.max_percent, "%")


@dataclass(frozen=True, slots=True)
class Wetness:
    """The last wet reading of a lot: spool, time, moisture, limit, and the uses that require moisture."""

    spool: str
    at: datetime
    percent: float
    max_percent: float
    uses: tuple[str, ...]

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Wetness:
        """Returns the value that `as_json` wrote."""
        return cls(**{**kept, "at": datetime.fromisoformat(kept["at"]), "uses": tuple(kept["uses"])})

    def as_json(self) -> dict[str, Any]:
        """Returns the form stored with a lot."""
        return {**asdict(self), "at": self.at.astimezone(UTC).isoformat(), "uses": list(self.uses)}

    def against(self, lot: str, spool: str, dry_at: datetime | None) -> str | None:
        """Returns why a spool of the lot must not be loaded, or None where it was measured dry since.

        Args:
            lot, spool: their codes.
            dry_at: time of the spool's newest reading where it is dry, else None.
        """
        if dry_at is not None and dry_at > self.at:
            return None
        read = f"{shown(self.percent, decimals_of('moisture'))} % on spool {self.spool}, limit at most {self.max_percent:g} %"
        return f"Lot {lot} is too wet ({read}). Dry spool {spool}, then measure its moisture."


def last_wet(readings: Sequence[MoistureReading], limits: MoistureLimits, uses: tuple[str, ...]) -> Wetness | None:
    """Returns the last wet reading of a lot, or None without one.

    Spools of a lot are stored together, so it applies to every spool that was not measured dry after it.

    Reference:
        Common practice, no source.
    """
    wet = [reading for reading in readings if not limits.limit.allows(reading.percent)]
    if not wet:
        return None
    last = max(wet, key=lambda reading: (reading.measured_at, reading.percent))
    return Wetness(last.spool, last.measured_at, last.percent, limits.max_percent, uses)


def dry_spools(readings: Sequence[MoistureReading], limits: MoistureLimits) -> dict[str, datetime]:
    """Returns the time of the newest reading of each spool where it is dry. Drying without a reading does not count."""
    newest = latest_per_spool(readings)
    return {spool: read.measured_at for spool, read in newest.items() if limits.limit.allows(read.percent)}


def judge_moisture(readings: Sequence[MoistureReading], limits: MoistureLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on the wettest spool. A value over the limit holds the lot and names the remedy; it does not reject it."""
    limit = limits.limit
    latest = latest_per_spool(readings)
    if not latest:
        return [unmeasured("moisture.percent", limit, rule, "measure the moisture of a drawn spool")]
    n = len(latest)
    return [
        worst(
            [
                judge(
                    "moisture.percent",
                    Measured(
                        reading.percent,
                        n,
                        plural(n, "spool"),
                        uncertainty=reading.uncertainty,
                        single=True,
                    ),
                    limit,
                    rule,
                    subject=f"wettest, spool {spool}",
                    todo=ToDo(hold=REMEDY),
                )
                for spool, reading in latest.items()
            ]
        )
    ]


# Plausible range. 5 ppm is drier than any dried polymer; a smaller number is probably a fraction. Common practice, no source.
_MOISTURE_LEAST_PERCENT = 0.0005
_MOISTURE_MAX_PERCENT = 5.0


def doubt_moisture(percent: float) -> Doubt | None:
    """Returns a doubt when a moisture is not plausible as % by mass of a polymer.

    Example:
        >>> doubt_moisture(250).hint
        'This looks like ppm: 250 ppm is 0.025 %. Enter percent by mass.'
    """
    if percent == 0 or _MOISTURE_LEAST_PERCENT <= percent <= _MOISTURE_MAX_PERCENT:
        return None
    detail = f"{percent:g} % is not a plausible moisture content."
    if 0 < percent < _MOISTURE_LEAST_PERCENT:
        return Doubt(
            "moisture_percent",
            detail,
            f"This looks like a fraction: {percent:g} is {100 * percent:g} %. Enter percent by mass.",
        )
    if percent > _MOISTURE_MAX_PERCENT and percent / 10_000 <= _MOISTURE_MAX_PERCENT:
        return Doubt(
            "moisture_percent",
            detail,
            f"This looks like ppm: {percent:g} ppm is {percent / 10_000:g} %. Enter percent by mass.",
        )
    return Doubt("moisture_percent", detail, "Enter percent by mass, 0 to 5.")


def _assess(case: Case) -> Part:
    readings, limits = case.of("moisture")
    latest = latest_per_spool(readings)
    figures = {"moisture.percent": of_units([reading.percent for reading in latest.values()])} if latest else {}
    if not limits or not case.judging:
        return Part(figures=figures)
    kept: dict[str, Any] = {
        "wet": last_wet(readings, limits, case.uses["moisture"]),
        "dry_at": dry_spools(readings, limits),
    }
    if case.rules > SECOND:
        kept["moisture_at"] = max((reading.measured_at for reading in readings), default=None)
    return Part(findings=judge_moisture(readings, limits, case.rule), figures=figures, kept=kept)


def _reading(taken: Taken) -> MoistureReading:
    percent = taken.values["moisture_percent"]
    return MoistureReading(taken.spool, percent, taken.measured_at, taken.uncertainty, taken.origin)


def _says(values: Values) -> str:
    return f"{values['moisture_percent']:g} %" + (f", {values['method']}" if values.get("method") else "")


def _doubts(values: Values, _: float) -> list[Doubt]:
    doubt = doubt_moisture(values["moisture_percent"])
    return [doubt] if doubt else []


def _problems(block: Values) -> list[Problem]:
    doubt = doubt_moisture(block["max_percent"])
    return [("/max_percent", doubt.detail, doubt.hint)] if doubt else []


def _scales(limits: MoistureLimits, _: float, __: object) -> list[Scale]:
    return [Scale(label="Moisture", limit=limits.limit, of=("moisture_percent",), decimals=3)]


MOISTURE = Characteristic(
    name="moisture",
    title="Moisture",
    path="/moisture-readings",
    schema="Moisture",
    summary="Store moisture. A wet lot is held until it is dried and measured again.",
    about="Moisture by mass.",
    measured_by=QUALITY,
    fields=(
        Field("moisture_percent", "water, % by mass", needed=True, low=0, stand_in=0.02, said="the moisture"),
        Field(
            "method",
            "method of measurement",
            type="text",
            answered="method of the moisture reading",
            longest=120,
            example="loss on drying",
        ),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    newest=True,
    limits=LimitsBlock(
        about="Limit on moisture, % by mass.",
        fields=(
            LimitField(
                "max_percent",
                "most water in the newest reading of each spool",
                label="Moisture, at most, % by mass",
                proposal=0.05,
                needed=True,
                above=0,
                high=100_000,
            ),
        ),
        read=lambda block: MoistureLimits(**block),
        problems=_problems,
    ),
    assess=_assess,
    judged=(Judged("moisture.percent", "Moisture"),),
    measures=(
        Measure(
            "moisture.percent",
            "Moisture",
            "%",
            "wetter",
            "drier",
            decimals=3,
            limit=lambda limits, _: Limit(None, limits.max_percent, "%"),
            plausible=(0, 10),
        ),
    ),
    # Drying changes moisture severalfold, a misplaced decimal point tenfold. Common practice, no source.
    far=Far(
        # Only readings of one day are compared, since drying changes moisture.
        of=lambda reading: [("the moisture", reading.percent, (reading.measured_at.date(),))],
        band=within_factor(10.0, 0.05),
        says="a factor of 10 and more than 0.05 %",
        unit="%",
    ),
    repeats=Repeats(
        none="Only the newest reading of a spool counts, since drying changes moisture. Earlier readings are no repeats."
    ),
    instruments=("balance", "moisture"),
    kinds=("moisture analyser", "balance"),
    instrument_unit="%",
    method="Moisture by mass. The newest reading of each spool counts.",
    scales=_scales,
    form=Form(
        "Moisture",
        "Portion",
        2,
        (Entry("moisture_percent", "Moisture, % by mass", needed=True),),
        shared=(Entry("method", "Method, such as loss on drying", form="text"),),
        about="Ventilate while you heat a portion. Never use an oven that is used for food.",
    ),
)
