"""Moisture: a lot that is too wet is dried and measured again, not refused. It belongs to a spool: drying one says nothing of another."""

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
    """Moisture by mass (%) of one spool at one time; `uncertainty` of the analyser in %."""

    spool: str
    percent: float
    measured_at: datetime
    uncertainty: float | None = None
    origin: Origin = UNKNOWN


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

    @property
    def limit(self) -> Limit:
        """The limit on one reading, in %, its end included."""
        return Limit(None, self.max_percent, "%")


@dataclass(frozen=True, slots=True)
class Wetness:
    """That a lot was read too wet: on which spool, when, by how much, and for which uses that matters."""

    spool: str
    at: datetime
    percent: float
    max_percent: float
    uses: tuple[str, ...]

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Wetness:
        """What `as_json` kept."""
        return cls(**{**kept, "at": datetime.fromisoformat(kept["at"]), "uses": tuple(kept["uses"])})

    def as_json(self) -> dict[str, Any]:
        """As it is kept on a lot."""
        return {**asdict(self), "at": self.at.astimezone(UTC).isoformat(), "uses": list(self.uses)}

    def against(self, lot: str, spool: str, dry_at: datetime | None) -> str | None:
        """Returns why a spool that holds filament of the lot must wait, or None where it was measured dry since.

        Args:
            lot, spool: their names for people.
            dry_at: when the spool was last measured, where that reading was dry; None otherwise.
        """
        if dry_at is not None and dry_at > self.at:
            return None
        read = f"{shown(self.percent, decimals_of('moisture'))} % on spool {self.spool}, limit at most {self.max_percent:g} %"
        return f"Lot {lot} was measured too wet ({read}). Dry spool {spool}, then measure its moisture."


def last_wet(readings: Sequence[MoistureReading], limits: MoistureLimits, uses: tuple[str, ...]) -> Wetness | None:
    """Returns what the last reading of a lot says that was too wet, or None without any.

    The spools of a lot came and are kept together, so that it speaks of every spool that was not measured dry after it.

    Reference:
        Common practice, no source.
    """
    wet = [reading for reading in readings if not limits.limit.allows(reading.percent)]
    if not wet:
        return None
    last = max(wet, key=lambda reading: (reading.measured_at, reading.percent))
    return Wetness(last.spool, last.measured_at, last.percent, limits.max_percent, uses)


def dry_spools(readings: Sequence[MoistureReading], limits: MoistureLimits) -> dict[str, datetime]:
    """Returns when each spool was last measured whose newest reading is dry. Drying alone shows nothing: a dried spool is measured."""
    newest = latest_per_spool(readings)
    return {spool: read.measured_at for spool, read in newest.items() if limits.limit.allows(read.percent)}


def judge_moisture(readings: Sequence[MoistureReading], limits: MoistureLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the finding on the wettest spool. A value over the limit holds the lot with the remedy; it does not refuse it."""
    limit = limits.limit
    latest = latest_per_spool(readings)
    if not latest:
        return [unmeasured("moisture.percent", limit, rule, "moisture of a sampled spool")]
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


_MOISTURE_MAX_PERCENT = 5.0


# 5 ppm: drier than any dryer leaves a polymer. A smaller number is a fraction. Both ends are common practice, no source.
_MOISTURE_LEAST_PERCENT = 0.0005


def doubt_moisture(percent: float) -> Doubt | None:
    """Returns a doubt when a moisture cannot be % by mass of a polymer.

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
    summary="Store moisture. Too wet holds a lot until it is dried and measured again.",
    about="Moisture by mass.",
    measured_by=QUALITY,
    fields=(
        Field("moisture_percent", "water, % by mass", needed=True, low=0, stand_in=0.02, said="the moisture"),
        Field(
            "method",
            "how it was found",
            type="text",
            answered="how moisture was found",
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
    # Drying changes moisture severalfold, a slip of a decimal point tenfold. Common practice, no source.
    far=Far(
        # Of one day: drying changes it.
        of=lambda reading: [("the moisture", reading.percent, (reading.measured_at.date(),))],
        band=within_factor(10.0, 0.05),
        says="a factor of 10 and more than 0.05 %",
        unit="%",
    ),
    repeats=Repeats(
        none="The newest reading of a spool counts, since drying changes it: earlier ones are no repeats of it."
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
