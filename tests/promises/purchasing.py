"""The forecast covers, and equal suppliers do not differ whenever read: suppliers invented lot by lot."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from unittest.mock import patch

import numpy as np
from scipy.special import ndtr

from lots.domain.conformity.limits import Limit
from lots.domain.purchasing import forecast, supplier_comparison
from lots.domain.purchasing.forecast import History, by_measures, by_verdicts, drawn
from lots.domain.purchasing.next_value import next_value
from lots.domain.purchasing.supplier_comparison import CRITERIA, LotResult, compare, rank
from lots.domain.purchasing.supplier_groups import order_of
from lots.domain.statistics.confidence_sequences import means_differ_by, proportions_differ_by, sample_of
from lots.domain.statistics.proportions import Interval, Stratum
from tests.promises.promise import Promise, Rate

# So many lots of each are looked at, after every lot.
LOOKS = 60
# The confidence of one of three criteria of two suppliers.
OF_ONE = 1 - 0.05 / len(CRITERIA)
NAMES = {0: "Quillwort", 1: "Ninebark"}


# The next lot


@dataclass(frozen=True)
class Supply:
    """A supplier with spread 1 about its level: steady, stepped by `step` so many lots `ago`, or wandering by `walk` from lot to lot."""

    lots: int
    step: float = 0.0
    ago: int = 0
    walk: float = 0.0

    def made(self, rng: np.random.Generator) -> tuple[np.ndarray, float, float, float]:
        """Figures of its lots, mean and deviation of the next as far as fixed, and the next."""
        level = self.walk * rng.standard_normal(self.lots + 1).cumsum()
        level[self.lots - self.ago :] += self.step
        values = level + rng.standard_normal(self.lots + 1)
        mean = level[self.lots - 1] if self.walk else level[self.lots]
        return values[:-1], float(mean), float(np.hypot(1.0, self.walk)), float(values[-1])


def next_lot_within(supply: Supply) -> Rate:
    """The share of next lots' values within their prediction interval."""
    rng = np.random.default_rng(1)
    hits, runs = 0, 1500 if supply.lots <= 30 else 1000
    for _ in range(runs):
        values, _, _, coming = supply.made(rng)
        ends = next_value(History(values.tolist())).interval
        hits += ends.low <= coming <= ends.high
    return Rate(hits, runs)


# No other failure in a million lots leaves the measure alone.
NOTHING_ELSE = (10**6, 10**6)
# A limit so many deviations above or below the next lot's mean.
APARTS = (0.5, 1.3, 2.0, 3.3)


def probability_within(
    supplies: tuple[Supply, ...], runs: int = 1600, otherwise: tuple[int, int] = NOTHING_ELSE
) -> Rate:
    """The share of intervals of the probability that contain the true one, for these suppliers and limits in turn."""
    rng = np.random.default_rng(2)
    hits = 0
    with patch.object(forecast, "SUPPLIERS", 600):
        for run in range(runs):
            values, mean, deviation, _ = supplies[run % len(supplies)].made(rng)
            apart = APARTS[run // len(supplies) % len(APARTS)]
            high = run // len(supplies) // len(APARTS) % 2
            limit = Limit(None, mean + apart * deviation) if high else Limit(mean - apart * deviation, None)
            found = by_measures({"shrinkage.x": (History(values.tolist()), limit)}, None, otherwise, rng)
            assert found is not None
            assert found.interval is not None
            hits += found.interval.low <= ndtr(apart) <= found.interval.high
    return Rate(hits, runs)


USES = {"fit": ("shrinkage.x",), "cosmetic": ("shrinkage.y",)}


def probability_by_use_within(use: str | None, supplies: tuple[Supply, ...], runs: int = 1600) -> Rate:
    """The share of intervals of the probability for a use, or for at least one of two (None), that contain the true one.

    Each use has its own measure.
    """
    rng = np.random.default_rng(8)
    hits = 0
    with patch.object(forecast, "SUPPLIERS", 600):
        for run in range(runs):
            measures, apart = {}, {}
            for turn, (name, needs) in enumerate(USES.items()):
                values, mean, deviation, _ = supplies[run % len(supplies)].made(rng)
                apart[name] = APARTS[(run // len(supplies) + turn) % len(APARTS)]
                limit = Limit(None, mean + apart[name] * deviation)
                measures[needs[0]] = (History(values.tolist()), limit)
            model = drawn(measures, None, rng)
            if use is None:
                found, true = (
                    model.at_least_one(USES, lambda _: NOTHING_ELSE),
                    1 - ndtr([-x for x in apart.values()]).prod(),
                )
            else:
                found, true = model.forecast(USES[use], NOTHING_ELSE), ndtr(apart[use])
            assert found is not None
            assert found.interval is not None
            hits += found.interval.low <= true <= found.interval.high
    return Rate(hits, runs)


STEADY = tuple(Supply(lots) for lots in (8, 12, 20, 30, 60))
STEPPED = tuple(
    Supply(lots, step, ago)
    for lots, ago in ((12, 8), (20, 8), (30, 8), (30, 15), (60, 8), (60, 30))
    for step in (1.0, 2.0, 4.0)
)
WANDERING = tuple(Supply(lots, walk=walk) for lots in (8, 12, 20, 30, 60) for walk in (0.3, 1.0))
JUST_STEPPED = tuple(Supply(lots, step, 3) for lots in (8, 12, 20) for step in (1.0, 2.0, 4.0))


SMALL, ALL = (1.0, 2.0), (1.0, 2.0, 4.0)
# Steps that are hardly detectable yet.
UNSEEN = (Supply(20, 1.0, 3), Supply(30, 1.0, 3), Supply(60, 1.0, 3), Supply(60, 2.0, 3))


def _covers(what: str, before: str, measure: Callable[[], Rate], low: float = 0.93, high: float = 0.97) -> Promise:
    return Promise(f"Forecast: {what}", f"95 % ({100 * low:g} to {100 * high:g} %)", before, measure, low, high)


def _next_lots() -> Iterator[Promise]:
    for lots in (8, 12, 20, 30, 60):
        yield _covers(f"next lot's value, steady, {lots} lots", "not given", partial(next_lot_within, Supply(lots)))
    for lots, ago, steps in ((12, 8, SMALL), (20, 3, ALL), (20, 8, ALL), (30, 15, ALL), (60, 8, ALL)):
        for step in steps:
            what = f"next lot's value, step of {step:g} sd {ago} of {lots} lots ago"
            yield _covers(what, "not given", partial(next_lot_within, Supply(lots, step, ago)))
    for lots in (8, 20, 60):
        for walk in (0.3, 1.0):
            what = f"next lot's value, level wandering by {walk:g} sd, {lots} lots"
            yield _covers(what, "not given", partial(next_lot_within, Supply(lots, walk=walk)))
    for lots, ago, steps in ((8, 3, ALL), (12, 3, ALL), (12, 8, (4.0,))):
        for step in steps:
            what = f"next lot's value, step of {step:g} sd {ago} of {lots} lots ago, widened for a suspected step"
            yield _covers(what, "not given", partial(next_lot_within, Supply(lots, step, ago)), high=1.0)


def verdicts_within(lots: int, ago: int, runs: int = 1200) -> Rate:
    """The share of intervals from verdicts alone that contain the present accepted share.

    The suppliers' share changed so many lots ago, 0 for never.
    """
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(runs):
        # Shares of 50 to 100 %, mostly good.
        before, now = 1 - 0.5 * rng.beta(1.0, 2.0, 2)
        shares = np.where(np.arange(lots) < lots - ago, before, now) if ago else np.full(lots, now)
        ends = by_verdicts((rng.random(lots) < shares).tolist()).interval
        assert ends is not None
        hits += ends.low <= now <= ends.high
    return Rate(hits, runs)


# Suppliers who are alike


def _leaves_zero_out(found: Interval | None) -> bool:
    return found is not None and (found.low > 0 or found.high < 0)


def means_ever_differ(draw: Callable[[np.random.Generator, int], np.ndarray], ratio: int = 1, runs: int = 600) -> Rate:
    """How often the means of two suppliers ever differ, one with `ratio` lots for each of the other's."""
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(runs):
        one, two = draw(rng, LOOKS).tolist(), draw(rng, LOOKS).tolist()
        hits += any(
            _leaves_zero_out(
                means_differ_by(sample_of([one[:lots]]), sample_of([two[: max(2, lots // ratio)]]), OF_ONE)
            )
            for lots in range(2, LOOKS + 1)
        )
    return Rate(hits, runs)


def shares_ever_differ(share: float, ratio: int = 1, runs: int = 400) -> Rate:
    """How often the accepted shares of two suppliers ever differ."""
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(runs):
        one, two = ((rng.random(LOOKS) < share).cumsum().tolist() for _ in range(2))
        records = (
            Stratum(one[lots - 1], lots, two[few - 1], few)
            for lots in range(2, LOOKS + 1)
            for few in [max(2, lots // ratio)]
        )
        hits += any(_leaves_zero_out(proportions_differ_by([record], OF_ONE)) for record in records)
    return Rate(hits, runs)


def _lots_of(rng: np.random.Generator, lots: int) -> list[LotResult]:
    """Lots of an average supplier: 85 % accepted, yellow by a third, of two shades in turn."""
    colors = rng.normal((0.2, -0.1, 0.3), (0.3, 0.15, 0.3), (lots, 3))
    good = rng.random(lots) < 0.85
    return [
        LotResult(bool(ok), "ab"[i % 2], "M1", tuple(color.tolist()), float(np.linalg.norm(color)))
        for i, (ok, color) in enumerate(zip(good, colors, strict=True))
    ]


def equal_suppliers_ever_rank(runs: int = 160) -> Rate:
    """How often one of two equal suppliers ever has a rank on any criterion of the answer."""
    rng = np.random.default_rng(5)
    hits = 0
    # How many more lots are needed is no matter here.
    with patch.object(supplier_comparison, "MOST_LOTS", 1):
        for _ in range(runs):
            lots = [_lots_of(rng, LOOKS) for _ in range(2)]
            looks = (compare(dict(enumerate(mine[:n] for mine in lots))) for n in range(2, LOOKS + 1))
            hits += any(
                place.place
                for found in looks
                for criterion in CRITERIA
                for place in rank(criterion, found, NAMES, dict.fromkeys(NAMES, True)).values()
            )
    return Rate(hits, runs)


def any_of_three_ever_ranks(runs: int = 160) -> Rate:
    """How often any of three equal suppliers ever ranks above another on any criterion; the third joins after half of the lots."""
    rng = np.random.default_rng(8)
    hits = 0
    # How many more lots are needed is no matter here.
    with patch.object(supplier_comparison, "MOST_LOTS", 1):
        for _ in range(runs):
            lots = [_lots_of(rng, LOOKS) for _ in range(3)]
            for n in range(2, LOOKS + 1):
                sofar = {0: lots[0][:n], 1: lots[1][:n], 2: lots[2][: max(0, n - LOOKS // 2)]}
                pairs = compare({number: mine for number, mine in sofar.items() if mine})
                if any(order_of(criterion, list(sofar), pairs).better for criterion in CRITERIA):
                    hits += 1
                    break
    return Rate(hits, runs)


def difference_within(apart: float, lots: int, runs: int = 400) -> Rate:
    """How often means so many standard deviations apart differ within so many lots of each."""
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(runs):
        one, two = rng.standard_normal(lots).tolist(), (rng.standard_normal(lots) + apart).tolist()
        hits += any(
            (found := means_differ_by(sample_of([one[:n]]), sample_of([two[:n]]), OF_ONE)) and found.high < 0
            for n in range(2, lots + 1)
        )
    return Rate(hits, runs)


def _normal(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.standard_normal(n)


def _half_normal(rng: np.random.Generator, n: int) -> np.ndarray:
    return abs(rng.standard_normal(n))


EVERY_LOT = "13 to 15 %"


def _alike(what: str, measure: Callable[[], Rate], most: float = 0.05) -> Promise:
    return Promise(
        f"Comparison: {what}, read after every lot", f"at most {100 * most:.3g} %", EVERY_LOT, measure, 0.0, most
    )


def _power(apart: float, lots: int) -> Promise:
    what = f"Comparison: means {apart:g} sd apart differ within {lots} lots of each"
    return Promise(what, "at least 50 %", "not promised", partial(difference_within, apart, lots), 0.5, 1.0)


PROMISES: tuple[Promise, ...] = (
    *_next_lots(),
    _covers("probability of acceptance, steady suppliers", "95 %", partial(probability_within, STEADY)),
    _covers(
        "probability of acceptance, stepped 8 lots ago or before", "70 to 85 %", partial(probability_within, STEPPED)
    ),
    _covers(
        "probability of acceptance, wandering suppliers", "79 % at 30 lots", partial(probability_within, WANDERING)
    ),
    _covers("probability of acceptance, stepped 3 lots ago", "70 to 85 %", partial(probability_within, JUST_STEPPED)),
    _covers(
        "probability of acceptance, step of 1 or 2 sd 3 lots ago after 17 to 57 steady ones, not detectable yet",
        "70 to 85 %",
        partial(probability_within, UNSEEN),
        0.80,
    ),
    _covers(
        "probability of acceptance, 20 lots of steady suppliers without any other failure",
        "not measured",
        partial(probability_within, (Supply(20),), otherwise=(20, 20)),
        high=1.0,
    ),
    _covers(
        "probability for one of two uses, steady suppliers",
        "not given",
        partial(probability_by_use_within, "cosmetic", STEADY),
        high=0.98,
    ),
    _covers(
        "probability for at least one of two uses, stepped 8 lots ago or before",
        "not given",
        partial(probability_by_use_within, None, STEPPED),
    ),
    _covers("share accepted from verdicts, steady, 8 lots", "95 %", partial(verdicts_within, 8, 0), high=0.99),
    _covers("share accepted from verdicts, steady, 60 lots", "95 %", partial(verdicts_within, 60, 0), high=0.99),
    _covers("share accepted from verdicts, changed 6 of 12 lots ago", "72 to 83 %", partial(verdicts_within, 12, 6)),
    _covers("share accepted from verdicts, changed 8 of 20 lots ago", "30 to 67 %", partial(verdicts_within, 20, 8)),
    _covers("share accepted from verdicts, changed 30 of 60 lots ago", "2 to 53 %", partial(verdicts_within, 60, 30)),
    _covers(
        "share accepted from verdicts, changed 8 of 60 lots ago, hardly detectable yet",
        "0 to 36 %",
        partial(verdicts_within, 60, 8),
        0.75,
    ),
    _alike("two equal suppliers ranked on any criterion", equal_suppliers_ever_rank),
    _alike("any of three equal suppliers ranked above another, one joining later", any_of_three_ever_ranks),
    _alike("equal means", partial(means_ever_differ, _normal), 1 - OF_ONE),
    _alike("equal means of skew figures", partial(means_ever_differ, _half_normal), 1 - OF_ONE),
    _alike("equal means, six lots against one", partial(means_ever_differ, _half_normal, 6), 1 - OF_ONE),
    _alike("equal shares of 85 %", partial(shares_ever_differ, 0.85), 1 - OF_ONE),
    _alike("equal shares of 50 %, six lots against one", partial(shares_ever_differ, 0.5, 6), 1 - OF_ONE),
    _power(1.0, 32),
    _power(2.0, 12),
)
