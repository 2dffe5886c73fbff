"""Control charts over lots: false signals of steady series, detection of shifts, and lists of many series.

Lots are normal and independent. Each series goes through `analyse`, each list through `listing`, as in the services.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from lots.domain.drift.baseline import PROVISIONAL_FROM, Baseline, baseline_from
from lots.domain.drift.color_together import T2_ALPHA, together
from lots.domain.drift.drift_analysis import Analysis, analyse
from lots.domain.drift.reported import (
    ACTIVE_AT_MOST,
    EVER_AT_MOST,
    EVER_WITH_RULES_AT_MOST,
    FALSE_DISCOVERY_RATE,
    RATED_AT_LOT,
    listing,
)
from tests.promises.promise import Promise, Rate

Lots = np.ndarray
Choice = Callable[[Lots], Baseline | None]

STEP, STEADY, WITHIN = 2.0, 12, 8
KNOWN = Baseline(0.0, 1.0, 0, chosen=True)


def provisional(lots: Lots) -> None:
    """No chosen baseline: the first eight lots are provisional."""


def given(lots: Lots) -> Baseline:
    """True mean and standard deviation."""
    return KNOWN


def chosen(lots: Lots, n: int) -> Baseline | None:
    """The first lots of the series as a chosen baseline."""
    return baseline_from(lots[:n].tolist(), chosen=True, own=range(n))


def chosen_of_any(lots: Lots) -> Baseline | None:
    """Eight to twenty first lots, by the last digits of a lot."""
    return chosen(lots, PROVISIONAL_FROM + int(abs(lots[0]) * 1e6) % 13)


def active(found: Analysis) -> bool:
    """Whether a series has an active signal."""
    return any(signal.active for signal in found.signals)


def active_rate(choice: Choice, lots: int = RATED_AT_LOT, *, series: int = 4000, rules: bool = False) -> Rate:
    """The share of steady series with an active signal at their last lot."""
    rng = np.random.default_rng(31)
    every = rng.normal(size=(series, lots))
    return Rate(sum(active(analyse(x, choice(x), None, "", rules=rules)) for x in every), series)


def ever_rate(choice: Choice, *, series: int = 600, rules: bool = False) -> Rate:
    """The share of steady series with an active signal at any lot up to the 20th, read after every lot."""
    rng = np.random.default_rng(32)

    def ever(x: Lots) -> bool:
        base = choice(x)
        return any(active(analyse(x[:n], base, None, "", rules=rules)) for n in range(3, RATED_AT_LOT + 1))

    return Rate(sum(map(ever, rng.normal(size=(series, RATED_AT_LOT)))), series)


def found_rate(choice: Choice, series: int = 3000) -> Rate:
    """The share of series with a step after twelve steady lots that signal on its side within eight lots."""
    rng = np.random.default_rng(33)
    every = rng.normal(size=(series, STEADY + WITHIN))
    every[:, STEADY:] += STEP

    def found(x: Lots) -> bool:
        signals = analyse(x, choice(x), None, "").signals
        return any(s.side > 0 and any(call.index >= STEADY for call in s.calls) for s in signals)

    return Rate(sum(map(found, every)), series)


def p_rate(choice: Choice, level: float, series: int = 4000) -> Rate:
    """The share of steady series with a p-value of `level` or less at their 20th lot."""
    rng = np.random.default_rng(34)
    every = (analyse(x, choice(x), None, "").p for x in rng.normal(size=(series, RATED_AT_LOT)))
    return Rate(sum(p is not None and p <= level for p in every), series)


def _listed(every: Lots) -> tuple[bool, ...]:
    return listing([(analyse(x, None, None, ""), None) for x in every]).listed


def any_of_five_listed(lists: int = 1200) -> Rate:
    """The share of lists of five steady measures that list any."""
    rng = np.random.default_rng(35)
    return Rate(sum(any(_listed(rng.normal(size=(5, RATED_AT_LOT)))) for _ in range(lists)), lists)


def list_of_fifty(lists: int = 120) -> tuple[Rate, Rate]:
    """For lists of fifty series, five stepped eight lots ago: the false share of the listed, and the listed share of the five."""
    rng = np.random.default_rng(36)
    false = true = 0
    for _ in range(lists):
        every = rng.normal(size=(50, STEADY + WITHIN))
        every[:5, STEADY:] += STEP
        listed = _listed(every)
        true, false = true + sum(listed[:5]), false + sum(listed[5:])
    return Rate(false, true + false), Rate(true, 5 * lists)


def related_measures(lists: int = 240) -> Rate:
    """The share of lists of ten steady suppliers, with five measures each that correlate by 0.7, that list any."""
    rng = np.random.default_rng(37)

    def some() -> bool:
        common = np.repeat(rng.normal(size=(10, RATED_AT_LOT)), 5, axis=0)
        return any(_listed(0.7**0.5 * common + 0.3**0.5 * rng.normal(size=(50, RATED_AT_LOT))))

    return Rate(sum(some() for _ in range(lists)), lists)


def t2_rate(series: int = 12000) -> Rate:
    """The share of steady colours beyond T2 at their 20th lot, with a provisional baseline."""
    rng = np.random.default_rng(38)
    mixing = np.array([[1.0, 0.0, 0.0], [0.8, 0.5, 0.0], [-0.3, 0.2, 2.0]])
    every = (together(rng.normal(size=(RATED_AT_LOT, 3)) @ mixing.T, None) for _ in range(series))
    return Rate(sum(one is not None and RATED_AT_LOT - 1 in one.beyond for one in every), series)


_ACTIVE, _EVER, _RULES = (
    f"at most {100 * share:g} %" for share in (ACTIVE_AT_MOST, EVER_AT_MOST, EVER_WITH_RULES_AT_MOST)
)
_LIST, _FOUND = f"at most {100 * FALSE_DISCOVERY_RATE:g} %", "at least 75 %"
_TWENTIETH = "steady series, signal active at the 20th lot"
_SOME_TIME = "steady series, ever a signal by the 20th lot"
_STEP = "step of 2 sigma after 12 steady lots, found within 8"
_LISTED = "list of 50 series, 5 stepped by 2 sigma 8 lots ago"

PROMISES: tuple[Promise, ...] = (
    Promise(
        f"{_TWENTIETH}: provisional baseline of the first 8",
        _ACTIVE,
        "promised 1 in 7; 18 %",
        partial(active_rate, provisional),
        high=ACTIVE_AT_MOST,
    ),
    Promise(
        f"{_TWENTIETH}: baseline chosen from the first 8 to 20",
        _ACTIVE,
        "10 % (of 12)",
        partial(active_rate, chosen_of_any),
        high=ACTIVE_AT_MOST,
    ),
    Promise(
        "steady series, signal active at the 40th lot: baseline chosen from the first 20",
        _ACTIVE,
        "9.9 %, no warning",
        partial(active_rate, partial(chosen, n=20), 40, series=3000),
        high=ACTIVE_AT_MOST,
    ),
    Promise(f"{_TWENTIETH}: given baseline", _ACTIVE, "3.9 %", partial(active_rate, given), high=ACTIVE_AT_MOST),
    Promise(
        f"{_TWENTIETH}: provisional, with run rules",
        _ACTIVE,
        "always on",
        partial(active_rate, provisional, series=2500, rules=True),
        high=ACTIVE_AT_MOST,
    ),
    Promise(
        f"{_SOME_TIME}: provisional",
        _EVER,
        "43 %",
        partial(ever_rate, provisional),
        high=EVER_AT_MOST,
    ),
    Promise(f"{_SOME_TIME}: given baseline", _EVER, "26 %", partial(ever_rate, given), high=EVER_AT_MOST),
    Promise(
        f"{_SOME_TIME}: given baseline, with run rules",
        _RULES,
        "26 %",
        partial(ever_rate, given, series=400, rules=True),
        high=EVER_WITH_RULES_AT_MOST,
    ),
    Promise(f"{_STEP}: provisional", _FOUND, "99 %", partial(found_rate, provisional), low=0.75),
    Promise(f"{_STEP}: chosen from 12", _FOUND, "99 %", partial(found_rate, partial(chosen, n=12)), low=0.75),
    Promise(f"{_STEP}: given", _FOUND, "100 %", partial(found_rate, given), low=0.75),
    Promise(
        "p-value of a steady series 0.05 or less", "at most 5 %", "none", partial(p_rate, provisional, 0.05), high=0.05
    ),
    Promise(
        "p-value of a steady series 0.01 or less", "at most 1 %", "none", partial(p_rate, provisional, 0.01), high=0.01
    ),
    Promise("any of five steady measures listed", _LIST, "57 %", any_of_five_listed, high=FALSE_DISCOVERY_RATE),
    Promise(
        f"{_LISTED}: false share of the listed",
        _LIST,
        "mostly false",
        lambda: list_of_fifty()[0],
        high=FALSE_DISCOVERY_RATE,
    ),
    Promise(
        f"{_LISTED}: share of stepped series listed",
        "stated: more than half",
        "99 %",
        lambda: list_of_fifty()[1],
        low=0.5,
    ),
    Promise(
        "any of 5 correlated measures (0.7) of 10 steady suppliers listed",
        _LIST,
        "mostly false",
        related_measures,
        high=FALSE_DISCOVERY_RATE,
    ),
    Promise("steady colour beyond T2 at its 20th lot", f"{100 * T2_ALPHA:g} %", "0.4 %", t2_rate, high=T2_ALPHA),
)
