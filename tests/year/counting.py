"""Results of lots under a way of working, with counts and intervals over lots: loads, holds, effort, and the findings behind them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.promises.promise import Rate
from tests.year import assumptions as assumed
from tests.year.truth import Lot

LATE = "released after the last try"


@dataclass(frozen=True)
class Load:
    """A loaded spool: its mass, and whether it was nonconforming for its use."""

    spool: str
    use: str
    grams: float
    nonconforming: bool


@dataclass
class Outcome:
    """The result of one lot: use -> `released`, `held` or `refused`, its loads and its effort.

    `by_kind` are the readings taken, controls included. `reasons` are the findings that did not pass, by use, as (code, verdict).
    `by_finding` are the readings of further rounds by the finding that requested them.
    """

    lot: Lot
    uses: dict[str, str]
    loads: list[Load]
    by_kind: Counter[str]
    spools: int
    days: float
    refused_loads: int = 0
    rounds: int = 0
    reasons: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    by_finding: dict[str, int] = field(default_factory=dict)
    given_up: str = ""

    @property
    def readings(self) -> int:
        """Readings taken in all."""
        return self.by_kind.total()


@dataclass(frozen=True)
class Tally:
    """The totals of one way of working. Masses in g; intervals are bootstraps over lots, or exact binomial."""

    bad_g: float
    bad_interval: tuple[float, float]
    loaded_g: float
    good_not_loaded_g: float
    good_lots: Rate | None
    held: int
    refused: int
    good_uses: Rate | None
    readings: int
    spools: int
    days: float
    refused_loads: int


def bad_g(outcome: Outcome) -> float:
    """Grams of nonconforming filament loaded of a lot."""
    return sum(load.grams for load in outcome.loads if load.nonconforming)


def good_not_loaded_g(outcome: Outcome) -> float:
    """Grams of filament that conformed on receipt and was not loaded."""
    loaded = {load.spool for load in outcome.loads} | set(outcome.lot.bad_on_arrival)
    return assumed.SPOOL_G * sum(spool.code not in loaded for spool in outcome.lot.spools)


def ended(outcome: Outcome) -> str:
    """The result of a whole lot: `released` for every use, else `refused` where any use is, else `held`."""
    ends = set(outcome.uses.values())
    return next((end for end in ("refused", "held") if end in ends), "released")


def tally(outcomes: Sequence[Outcome]) -> Tally:
    """Returns the counts of one way of working."""
    good = [outcome for outcome in outcomes if outcome.lot.good]
    ends = [ended(outcome) for outcome in good]
    pairs = [outcome.uses[use] != "released" for outcome in outcomes for use in outcome.lot.good_for]
    per_lot = [bad_g(outcome) for outcome in outcomes]
    return Tally(
        bad_g=sum(per_lot),
        bad_interval=bootstrap(per_lot),
        loaded_g=sum(load.grams for outcome in outcomes for load in outcome.loads),
        good_not_loaded_g=sum(map(good_not_loaded_g, outcomes)),
        good_lots=Rate(len(ends) - ends.count("released"), len(ends)) if ends else None,
        held=ends.count("held"),
        refused=ends.count("refused"),
        good_uses=Rate(sum(pairs), len(pairs)) if pairs else None,
        readings=sum(outcome.readings for outcome in outcomes),
        spools=sum(outcome.spools for outcome in outcomes),
        days=float(np.mean([outcome.days for outcome in outcomes])) if outcomes else 0.0,
        refused_loads=sum(outcome.refused_loads for outcome in outcomes),
    )


def bootstrap(per_lot: Sequence[float]) -> tuple[float, float]:
    """Returns the percentile interval of a sum over lots, drawn again with replacement."""
    values, chance = np.array(per_lot), np.random.default_rng(assumed.SEED)
    if not len(values):
        return 0.0, 0.0
    sums = values[chance.integers(0, len(values), (assumed.BOOTSTRAPS, len(values)))].sum(axis=1)
    tail = 100 * (1 - assumed.CONFIDENCE) / 2
    low, high = np.percentile(sums, (tail, 100 - tail))
    return float(low), float(high)


def difference(
    ours: Sequence[Outcome], theirs: Sequence[Outcome], of: Callable[[Outcome], float]
) -> tuple[float, tuple[float, float]]:
    """Returns the difference of our total to theirs, lot by lot, with its interval."""
    by_name = {outcome.lot.name: of(outcome) for outcome in ours}
    less = [of(outcome) - by_name[outcome.lot.name] for outcome in theirs]
    return sum(less), bootstrap(less)


@dataclass
class Blame:
    """The effect of one finding: good lots and filament held back, and readings requested beyond the first."""

    held: int = 0
    refused: int = 0
    alone: int = 0
    good_kept_g: float = 0.0
    bad_kept_g: float = 0.0
    bad_kept_alone_g: float = 0.0
    readings_good: int = 0
    readings_other: int = 0
    lots_asked: set[str] = field(default_factory=set)


def deciding(outcome: Outcome, use: str) -> list[str]:
    """Returns the findings that keep a use from release: failing ones, else near or missing ones."""
    if outcome.uses[use] == "released":
        return []
    reasons = outcome.reasons.get(use, [])
    return sorted({code for code, verdict in reasons if verdict == "fail"} or {code for code, _ in reasons})


def blames(outcomes: Sequence[Outcome]) -> dict[str, Blame]:
    """Returns the effect of each finding, the one that held most good lots first.

    Notes:
        A lot or spool held by several findings counts for each of them; `alone` and `bad_kept_alone_g` count where it was the only one.
    """
    found: dict[str, Blame] = {}
    for outcome in outcomes:
        _blame_lot(outcome, found)
        _blame_spools(outcome, found)
        for code, readings in outcome.by_finding.items():
            blame = found.setdefault(code, Blame())
            blame.lots_asked.add(outcome.lot.name)
            blame.readings_good += readings if outcome.lot.good else 0
            blame.readings_other += 0 if outcome.lot.good else readings
    order = sorted(found, key=lambda code: (-(found[code].held + found[code].refused), -found[code].bad_kept_g, code))
    return {code: found[code] for code in order}


def _blame_lot(outcome: Outcome, found: dict[str, Blame]) -> None:
    end = ended(outcome)
    if not outcome.lot.good or end == "released":
        return
    codes = {code for use in outcome.uses for code in deciding(outcome, use)}
    for code in codes:
        blame = found.setdefault(code, Blame())
        blame.held += end == "held"
        blame.refused += end == "refused"
        blame.alone += len(codes) == 1


def _blame_spools(outcome: Outcome, found: dict[str, Blame]) -> None:
    loaded = {load.spool for load in outcome.loads}
    for spool in outcome.lot.spools:
        if spool.code in loaded:
            continue
        codes = deciding(outcome, spool.use) or [LATE]
        bad = spool.code in outcome.lot.bad_on_arrival
        for code in codes:
            blame = found.setdefault(code, Blame())
            blame.bad_kept_g += assumed.SPOOL_G * bad
            blame.bad_kept_alone_g += assumed.SPOOL_G * (bad and len(codes) == 1)
            blame.good_kept_g += assumed.SPOOL_G * (not bad)


@dataclass
class Worth:
    """The readings of a characteristic, what it alone held back, and what was dried for it."""

    readings: int = 0
    dried_g: float = 0.0
    bad_kept_g: float = 0.0
    good_kept_g: float = 0.0
    good_lots: int = 0


def worths(outcomes: Sequence[Outcome]) -> dict[str, Worth]:
    """Returns the cost of each characteristic, and what its findings alone held back."""
    found = {kind: Worth() for outcome in outcomes for kind in outcome.by_kind}
    for outcome in outcomes:
        for kind, n in outcome.by_kind.items():
            found[kind].readings += n
        by_use = {use: {code.partition(".")[0] for code in deciding(outcome, use)} for use in outcome.uses}
        loaded = {load.spool: load for load in outcome.loads}
        for spool in outcome.lot.spools:
            load, bad = loaded.get(spool.code), spool.code in outcome.lot.bad_on_arrival
            if load and bad and not load.nonconforming:
                # Only drying makes a spool conform.
                found["moisture"].dried_g += load.grams
            kinds = by_use[spool.use]
            if not load and len(kinds) == 1:
                worth = found[next(iter(kinds))]
                worth.bad_kept_g += assumed.SPOOL_G * bad
                worth.good_kept_g += assumed.SPOOL_G * (not bad)
        every = set().union(*by_use.values())
        if outcome.lot.good and len(every) == 1:
            found[every.pop()].good_lots += 1
    return dict(sorted(found.items(), key=lambda item: -item[1].readings))
