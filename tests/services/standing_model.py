"""A small model of the shop: expected statuses and loads, from the rules alone, without code of the program.

Its numbers come from these sources:
- MIL-STD-105E, Tables I and II-A: of 9 spools, level II, AQL 10, 5 are measured (code letter C) and 1 may be nonconforming.
- JCGM 106:2012, 8.3: under the guarded rule a value passes when it is inside its limit by at least 1.645 standard uncertainties.
- JCGM 100:2008, 4.2.3 and 5.1.2: the uncertainty of a mean is its spread over the root of n, and the instrument's, as squares.
- Sharma, Wu and Dalal 2005: between two greys CIEDE2000 is the difference in lightness over S_L; CIE76 is that difference itself.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import product
from statistics import mean, stdev

from tests.shop import CONDITIONS

SPOOLS, SAMPLE, MAY_BE_BAD, SPOOL_G = 9, 5, 1, 300
Z = 1.645
INTERVAL = timedelta(days=7)
USES = ("hidden", "cosmetic", "load_bearing", "fit")
NEEDS = {"hidden": ("diameter",), "cosmetic": ("color", "diameter"), "load_bearing": ("bond", "moisture")}
GREY = 90.0
SPOOL_MAX = 1.4
EACH_SPOOL = 2
# Values of each kind: well inside its limit, near it, at it, outside. Colour is given as lightness above the reference.
VALUES = {
    "diameter": (1.75, 1.79, 1.80, 1.83),
    "color": (0.0, 1.2, -0.4, 2.6),
    "bond": (25.0, 14.01, 14.0, 9.0),
    # Within a factor of ten, so that no reading waits for confirmation.
    "moisture": (0.01, 0.04, 0.05, 0.09),
}
# Standard uncertainties of a fine and a coarse instrument. The coarse one leaves a near value in doubt, the fine one does not.
UNCERTAIN = {"micrometer": (0.002, 0.012), "colorimeter": (0.05, 0.3)}
BEST_FIRST = ("pass", "near", "missing", "fail")


def written(moment: datetime) -> str:
    """A moment as sent."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def worst(verdicts: list[str]) -> str:
    """The worst of several verdicts."""
    return max(verdicts, key=BEST_FIRST.index)


@dataclass(frozen=True)
class Revision:
    """One limits revision: number of spools, rule, formula, and the limit between lots of one job."""

    by_plan: bool
    guarded: bool
    formula: str
    step_max: float
    lot_max: float | None

    @property
    def body(self) -> dict:
        """The revision as posted."""
        plan = {"plan": "MIL-STD-105E", "level": "II", "aql": 10}
        return {
            "decision_rule": "guarded" if self.guarded else "simple",
            "instruments": "optional",
            "guard_z": Z,
            "sampling": plan if self.by_plan else {"fixed": SAMPLE},
            "color": {
                "formula": self.formula,
                **({} if self.lot_max is None else {"lot_max": self.lot_max}),
                "spool_max": SPOOL_MAX,
                "step_max": self.step_max,
                "readings_per_spool_min": EACH_SPOOL,
            },
            "diameter": {"reading_tolerance_mm": 0.05, "readings_per_spool_min": EACH_SPOOL},
            "bond": {"single_min_mpa": 14},
            "moisture": {"max_percent": 0.05, "spools_min": 1},
            "uses": {use: list(needs) for use, needs in NEEDS.items()},
        }

    def apart(self, one: float, other: float) -> float:
        """Difference of two greys."""
        if self.formula == "CIE76":
            return abs(one - other)
        middle = ((one + other) / 2 - 50) ** 2
        return abs(one - other) / (1 + 0.015 * middle / math.sqrt(20 + middle))

    def doubt(self, grey: float, scatter: float, own: float) -> float:
        """Standard uncertainty of a grey's difference from the reference; across the lightness the instrument's part alone."""
        value, u = self.apart(GREY, grey), math.hypot(scatter, own)
        along = max(abs(self.apart(GREY, grey + sign * u) - value) for sign in (1, -1))
        # In CIEDE2000 a* counts 1.5 times near the grey axis.
        sides = [math.hypot(value, by * own) - value for by in ((1, 1) if self.formula == "CIE76" else (1.5, 1))]
        return math.hypot(along, *sides)

    def of(self, margin: float, u: float | None) -> str:
        """Verdict on a value by its distance inside the limit, negative outside, and its standard uncertainty."""
        if margin < -1e-9:
            return "fail"
        if not self.guarded:
            return "pass"
        return "missing" if u is None else "pass" if margin >= Z * u - 1e-9 else "near"


REVISIONS = [
    Revision(by_plan, guarded, *of_color)
    for by_plan, guarded, of_color in product(
        (True, False), (False, True), (("CIEDE2000", 0.9, 1.0), ("CIE76", 0.9, 1.0), ("CIEDE2000", 0.6, None))
    )
]


@dataclass
class Gauge:
    """An instrument with its checks as (moment, passed)."""

    number: int
    u: float
    since: datetime
    checks: list[tuple[datetime, bool]] = field(default_factory=list)

    def right(self, at: datetime) -> bool:
        """Whether it was valid: the last check passed and in date, and the next check, if any, passed."""
        start = max((moment for moment, _ in self.checks if moment <= at), default=self.since)
        following = min((moment for moment, _ in self.checks if moment > at), default=None)
        failed = [moment for moment, passed in self.checks if not passed]
        return start not in failed and following not in failed and at <= start + INTERVAL


@dataclass
class Reading:
    """One reading. `nth` counts all of them; `number` is the shop's. Colours vary slightly, so that no two spools are equal."""

    nth: int
    kind: str
    spool: str
    measured: float
    at: datetime
    gauge: Gauge | None
    screening: bool
    number: int = 0
    voided: bool = False

    @property
    def value(self) -> float:
        """The measured value; for a colour its lightness above the reference."""
        return self.measured + (self.nth % 11 * 0.003 if self.kind == "color" else 0)

    @property
    def sent(self) -> dict:
        """The reading as posted, with variation in values that are not assessed."""
        little = self.nth % 7 * 0.001
        fields = {
            "diameter": {"d1_mm": self.value, "d2_mm": 1.745 + little},
            "color": {"lab": [GREY + self.value, little, -little], "conditions": CONDITIONS},
            "bond": {"stress_mpa": self.value},
            "moisture": {"moisture_percent": self.value},
        }[self.kind]
        said = {"spool_code": self.spool, "measured_at": written(self.at), "screening": self.screening}
        return said | fields | ({"instrument_id": self.gauge.number} if self.gauge else {})

    @property
    def valid(self) -> bool:
        """Whether its instrument was valid."""
        return self.gauge is None or self.gauge.right(self.at)

    @property
    def u(self) -> float | None:
        """Its standard uncertainty."""
        return None if self.gauge is None else self.gauge.u


@dataclass
class Permit:
    """A concession: `taken` maps a load to its used mass, or the reserved one while it runs."""

    number: int
    lot: Lot
    uses: list[str]
    most: float
    until: datetime
    approved: bool = False
    withdrawn: bool = False
    taken: dict[int, float] = field(default_factory=dict)
    beyond: float = 0.0

    @property
    def left(self) -> float:
        """The remaining permitted mass."""
        return max(self.most - sum(self.taken.values()), 0)

    @property
    def figures(self) -> tuple[int, float, float, float]:
        """Its number, the used mass, the remainder, and the excess over the most."""
        taken = sum(self.taken.values())
        return self.number, taken, self.left, max(taken - self.most, 0)

    def open(self, at: datetime) -> bool:
        """Whether it waits for a second person."""
        return not self.approved and not self.withdrawn and at < self.until

    def book(self, load: int, used: float, aside: float) -> None:
        """A load ends: its used mass replaces the reserved one."""
        self.taken[load] = used
        self.beyond += max(used - aside, 0)

    def helps(self, use: str, mass: float | None, at: datetime) -> bool:
        """Whether a load can begin under it."""
        fits = self.approved and not self.withdrawn and use in self.uses
        return fits and at <= self.until and self.left > 0 and (mass or 0) <= self.left


@dataclass
class Lot:
    """A lot: its deliveries as (codes of spools, codes of the sample), readings, instruments by kind, concessions, revision and decision in force."""

    number: int
    revision: Revision
    deliveries: list[tuple[list[str], list[str]]] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    instruments: dict[str, Gauge | None] = field(default_factory=dict)
    permits: list[Permit] = field(default_factory=list)
    by_hand: str | None = None
    ended_at: datetime | None = None
    measured: bool = False

    @property
    def codes(self) -> list[str]:
        """Its spools."""
        return [code for codes, _ in self.deliveries for code in codes]

    @property
    def sample(self) -> list[str]:
        """The drawn spools."""
        return [code for _, drawn in self.deliveries for code in drawn]

    def of_spools(self, kind: str) -> dict[str, list[Reading]]:
        """Counted readings of a kind, by spool."""
        counting = [r for r in self.readings if r.kind == kind and r.valid and not (r.voided or r.screening)]
        return {spool: [r for r in counting if r.spool == spool] for spool in dict.fromkeys(r.spool for r in counting)}

    def finished(self, kind: str) -> set[str]:
        """Spools with the required number of readings of a kind."""
        return {spool for spool, each in self.of_spools(kind).items() if len(each) >= EACH_SPOOL}

    @property
    def grey(self) -> float | None:
        """Mean lightness of the spools' means."""
        spools = self.of_spools("color").values()
        return GREY + mean(mean(r.value for r in each) for each in spools) if spools else None

    def incomplete(self, kind: str) -> bool:
        """Whether a begun spool lacks readings, or a delivery lacks spools of its sample."""
        begun = set(self.of_spools(kind))
        return begun != self.finished(kind) or any(len(begun & set(drawn)) < SAMPLE for _, drawn in self.deliveries)

    def each_spool(self, kind: str) -> dict[str, str]:
        """Verdict on each spool alone, as far as measured."""
        if kind == "diameter":
            tell = {s: [(0.05 - abs(r.value - 1.75), r.u) for r in each] for s, each in self.of_spools(kind).items()}
        else:
            tell = {
                s: [self._mean_of([r.value for r in each], each, SPOOL_MAX)] for s, each in self.of_spools(kind).items()
            }
        return {spool: worst([self.revision.of(*one) for one in all_of_it]) for spool, all_of_it in tell.items()}

    def _mean_of(self, values: list[float], readings: list[Reading], most: float) -> tuple[float, float]:
        """Margin and uncertainty of a mean lightness: spread of the values, and the worst of the instruments."""
        scatter = stdev(values) / math.sqrt(len(values)) if len(values) > 1 else 0.0
        grey = GREY + mean(values)
        return most - self.revision.apart(GREY, grey), self.revision.doubt(
            grey, scatter, max(r.u or 0 for r in readings)
        )

    def bad_spools(self, kinds: Iterable[str] = ("diameter", "color")) -> set[str]:
        """Spools that fail one of these alone."""
        asked = [self.each_spool(kind) for kind in kinds if kind in ("diameter", "color")]
        return {spool for each in asked for spool, verdict in each.items() if verdict == "fail"}

    def verdict(self, kind: str) -> str:
        """The verdict of the readings on one characteristic of the lot; under a plan bad spools belong to the count."""
        if kind in ("bond", "moisture"):
            return self._bond() if kind == "bond" else self._moisture()
        spools, incomplete = self.each_spool(kind), self.incomplete(kind)
        bad = self.bad_spools([kind])
        rest = worst(["pass", *(verdict for spool, verdict in spools.items() if spool not in bad)])
        proved = bad if kind == "diameter" or not incomplete else bad & self.finished(kind)
        if proved and not self.revision.by_plan:
            return "fail"
        if kind == "color" and self.revision.lot_max is not None:
            return "missing" if incomplete else worst([rest, self.revision.of(*self._mean_color())])
        return rest if proved else worst([rest, "missing" if incomplete else "pass"])

    def _mean_color(self) -> tuple[float, float]:
        spools = self.of_spools("color").values()
        means, every = [mean(r.value for r in each) for each in spools], [r for each in spools for r in each]
        return self._mean_of(means, every, self.revision.lot_max)

    def count(self, use: str) -> str:
        """The verdict of the count of bad spools on a use, per delivery, once one spool is bad."""
        bad = self.bad_spools(NEEDS[use])
        if not (self.revision.by_plan and bad):
            return "pass"
        complete = self.finished("diameter") & self.finished("color")
        counts = [(len(bad & set(codes)), len(complete & set(codes))) for codes, _ in self.deliveries]
        return worst(["fail" if n > MAY_BE_BAD else "missing" if full < SAMPLE else "pass" for n, full in counts])

    def _bond(self) -> str:
        bars = self.of_spools("bond")
        found = worst([self.revision.of(r.value - 14, r.u) for each in bars.values() for r in each] or ["missing"])
        return self._of_a_lot(found, bars)

    def _moisture(self) -> str:
        """The newest reading of each spool counts; too wet waits for drying and is no failure."""
        newest = self._newest_moisture()
        found = worst([self.revision.of(0.05 - r.value, r.u) for r in newest.values()] or ["missing"])
        return self._of_a_lot("missing" if found == "fail" else found, newest)

    def _of_a_lot(self, found: str, spools: Collection[str]) -> str:
        """Under the guarded rule one spool does not represent the others, unless it is bad."""
        return "missing" if self.revision.guarded and len(spools) < 2 and found != "fail" else found

    def _newest_moisture(self) -> dict[str, Reading]:
        return {s: max(each, key=lambda r: (r.at, r.value)) for s, each in self.of_spools("moisture").items()}

    def wet(self, spool: str) -> bool:
        """Whether a spool of the lot was wet, and this one not dry since."""
        wet = [r.at for each in self.of_spools("moisture").values() for r in each if r.value > 0.05 + 1e-9]
        own = self._newest_moisture().get(spool)
        return bool(wet) and not (own is not None and own.value <= 0.05 + 1e-9 and own.at > max(wet))

    def verdicts(self) -> dict[str, str]:
        """The verdict of the readings on each use."""
        return {use: worst([self.count(use), *(self.verdict(kind) for kind in needs)]) for use, needs in NEEDS.items()}

    def standing(self) -> str:
        """The expected status: that of the readings, unless a manual decision is above it."""
        said = set(self.verdicts().values())
        read = "quarantined" if said & {"missing", "near"} else "restricted"
        if len(said) == 1 and read != "quarantined":
            read = {"pass": "released", "fail": "blocked"}[said.pop()]
        if self.by_hand == "hold":
            return "blocked" if read == "blocked" else "quarantined"
        return {"block": "blocked", "return": "returned", "scrap": "scrapped"}.get(self.by_hand, read)

    def conforms(self, spool: str, use: str) -> bool:
        """Whether the readings permit a load of a spool for a use."""
        needs = NEEDS.get(use, ())
        fails = spool in self.bad_spools(needs) or ("moisture" in needs and self.wet(spool))
        loadable = self.standing() in ("released", "restricted")
        return loadable and self.verdicts().get(use) == "pass" and not fails

    def color_of(self, spool: str) -> tuple[float, float]:
        """The lightness of a spool, and its allowance: 0 where it was measured or one spool was."""
        spools = {code: [r.value for r in each] for code, each in self.of_spools("color").items()}
        if spool in spools:
            return GREY + mean(spools[spool]), 0.0
        if len(spools) < 2:
            return self.grey, 0.0
        within = [0.0 if len(each) < 2 else stdev(each) ** 2 / len(each) for each in spools.values()]
        told = mean(within) if all(len(each) > 1 for each in spools.values()) else 0.0
        return self.grey, math.sqrt(max(0.0, stdev(mean(each) for each in spools.values()) ** 2 - told))

    def matches(self, spool: str, other: Lot, another: str) -> bool:
        """Whether two spools match in one visible job, by the formulas of both lots and the stricter limit."""
        if self.grey is None or other.grey is None:
            # Of a lot without a colour there is nothing to compare its own spools by.
            return self is other
        most = min(self.revision.step_max, other.revision.step_max)
        (mine, spread), (theirs, their_spread) = self.color_of(spool), other.color_of(another)
        for rule in (self.revision, other.revision):
            more = [
                rule.apart(grey - 0.5 * sd, grey + 0.5 * sd) for grey, sd in ((mine, spread), (theirs, their_spread))
            ]
            if math.hypot(rule.apart(theirs, mine), *more) > most + 1e-9:
                return False
        return True

    def takes(self, action: str, at: datetime) -> bool:
        """Whether a manual decision can follow the present one; an ending only by a lift within a day."""
        if self.by_hand in ("return", "scrap"):
            return action == "lift" and at <= self.ended_at + timedelta(days=1)
        return action != self.by_hand and (action != "lift" or self.by_hand is not None)

    def may_load(
        self, spool: str, use: str, mass: float | None, at: datetime, in_job: list[tuple[Lot, str]]
    ) -> tuple[bool, Permit | None]:
        """Whether the lot permits a load for a job with these spools, and the concession used."""
        beside = [(other, code) for other, code in in_job if code != spool]
        alike = use != "cosmetic" or all(self.matches(spool, *one) for one in beside)
        helping = [permit for permit in self.permits if permit.helps(use, mass, at)]
        conforms = self.conforms(spool, use)
        if not alike or self.by_hand is not None or not (conforms or helping):
            return False, None
        return True, None if conforms else min(helping, key=lambda permit: (permit.until, permit.number))
