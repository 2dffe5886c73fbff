"""Acceptance per use: laws for any lots, and the counts replayed here."""

from datetime import UTC, datetime, timedelta
from math import lgamma

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.conformity.limits import Limit
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing import forecast
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, for_words, in_order, on_every_use
from lots.domain.purchasing.forecast import History, by_verdicts, drawn
from lots.domain.purchasing.forecast_by_use import by_use
from lots.domain.purchasing.supplier_comparison import LotResult, acceptance, acceptance_by_use
from tests.examples import examples
from tests.tolerances import DRAWN_SHARE, SAME_FORMULA, SAME_SUM

SETTINGS = examples(60)
NAMES = ("cosmetic", "fit", "load_bearing")
VERDICTS = st.fixed_dictionaries(dict.fromkeys(NAMES, st.booleans()))
RECORD = st.lists(VERDICTS, min_size=1, max_size=20)
FIRST = datetime(2026, 1, 1, tzinfo=UTC)
LIMITS = limits_from(
    {
        "diameter": {"mean_tolerance_mm": 0.03},
        "shrinkage": {"x_percent": [0.1, 0.5]},
        "surface": {"specks_per_dm2_max": 2},
        "bond": {"mean_min_mpa": 20},
        "uses": {"cosmetic": ["surface", "diameter"], "fit": ["diameter", "shrinkage"], "load_bearing": ["bond"]},
    }
)


def result(uses) -> LotResult:
    """A lot accepted for some of its uses."""
    return LotResult(any(uses.values()), "s", uses=uses)


def row(number, uses, failed=()) -> SeriesLot:
    """The same as a lot of a series, with its failures."""
    at = FIRST + timedelta(days=number)
    return SeriesLot(
        number, 1, 1, f"Q-{number}", "released", None, 1, 1, at, any(uses.values()), {}, failed, False, uses
    )


def shares(record) -> dict[str, float]:
    """The share accepted for each use, for every use and for at least one."""
    found = acceptance_by_use([result(uses) for uses in record])
    told = {**found.uses, EVERY: found.every_use, AT_LEAST_ONE: acceptance([result(uses) for uses in record])}
    return {use: seen.accepted / seen.inspected for use, seen in told.items()}


@SETTINGS
@given(record=RECORD)
def test_shares_are_counted_and_in_order(record):
    """Shares equal those counted here; every use is at most each, and each at most at least one."""
    found = shares(record)
    expected = {use: sum(uses[use] for uses in record) / len(record) for use in NAMES}
    expected[EVERY] = sum(all(uses.values()) for uses in record) / len(record)
    expected[AT_LEAST_ONE] = sum(any(uses.values()) for uses in record) / len(record)
    assert expected == found
    for use in NAMES:
        assert found[EVERY] <= found[use] <= found[AT_LEAST_ONE]


@SETTINGS
@given(record=RECORD, which=st.integers(0, 19), use=st.sampled_from(NAMES))
def test_a_failure_raises_no_share(record, which, use):
    """One verdict turned into a failure lowers the share of its use, if any, and raises none."""
    before = shares(record)
    lot = which % len(record)
    after = shares([{**uses, use: False} if number == lot else uses for number, uses in enumerate(record)])
    assert all(after[name] <= before[name] for name in before)
    if record[lot][use]:
        assert after[use] < before[use]


def test_a_lot_counts_for_the_uses_it_was_inspected_for():
    """A lot whose limits lack a use, and a waiting lot, do not count for it."""
    waiting = LotResult(None, "s")
    found = acceptance_by_use([result({"fit": True}), result({"fit": True, "cosmetic": False}), waiting])
    assert {"cosmetic": (3, 1, 0), "fit": (3, 2, 2)} == {
        use: (seen.lots, seen.inspected, seen.accepted) for use, seen in found.uses.items()
    }
    assert (2, 1, 0) == (found.every_use.inspected, found.every_use.accepted, found.not_known)


def test_a_lot_accepted_for_unknown_uses_is_told_and_counts_for_none():
    """A lot with an unknown verdict per use counts for none and is reported."""
    found = acceptance_by_use([LotResult(True, "s"), result({"fit": True})])
    assert (1, 1, 1) == (found.not_known, found.every_use.inspected, found.uses["fit"].inspected)


def test_uses_have_an_order_and_words():
    """Uses come in the order of the limits, unknown ones last, with words for the general use and for several."""
    assert ["cosmetic", "hidden", "general", "a"] == in_order(["general", "a", "hidden", "cosmetic"])
    assert ["general use", "load-bearing", EVERY, AT_LEAST_ONE] == [
        for_words(use) for use in ("general", "load_bearing", "every_use", "at_least_one_use")
    ]
    assert (None, None, True) == (on_every_use({}), on_every_use({"fit": True}, NAMES), on_every_use({"fit": True}))


# The next lot


def probabilities(found) -> dict[str, float]:
    """The probability for each use, for every use and for at least one."""
    told = {**found.uses, EVERY: found.every_use, AT_LEAST_ONE: found.at_least_one}
    return {use: one.probability for use, one in told.items()}


def ends(found, end) -> dict[str, float]:
    """Low or high ends of the same intervals."""
    told = {**found.uses, EVERY: found.every_use, AT_LEAST_ONE: found.at_least_one}
    return {use: getattr(one.interval, end) for use, one in told.items()}


def in_order_of_strictness(told) -> None:
    """Verifies that every use is at most each, and each at most at least one."""
    for use in NAMES:
        assert told[EVERY] <= told[use] + SAME_SUM
        assert told[use] <= told[AT_LEAST_ONE] + SAME_SUM


@SETTINGS
@given(record=RECORD)
def test_forecasts_from_verdicts_are_in_order(record):
    """Forecasts from verdicts and the ends of their intervals never contradict each other, though each series can change alone."""
    found = by_use([row(number, uses) for number, uses in enumerate(record)], LIMITS, None)
    for told in (probabilities(found), ends(found, "low"), ends(found, "high")):
        in_order_of_strictness(told)
    assert by_verdicts([any(uses.values()) for uses in record]) == found.published == found.at_least_one
    assert "at_least_one_use" == found.published_for


def change_in_share(verdicts) -> float:
    """The probability that the next verdict is good with one possible change, summed place by place by the model's formula."""

    def chance(good, n):
        return lgamma(good + 0.5) + lgamma(n - good + 0.5) - lgamma(n + 1) - 2 * lgamma(0.5)

    n, total = len(verdicts), sum(verdicts)
    cases = [(0.7 * np.exp(chance(total, n)), total, n)]
    for place in range(1, n):
        early = sum(verdicts[:place])
        weight = 0.3 / (n - 1) * np.exp(chance(early, place) + chance(total - early, n - place))
        cases.append((weight, total - early, n - place))
    return sum(w * (good + 0.5) / (size + 1) for w, good, size in cases) / sum(w for w, *_ in cases)


def test_six_of_24_failing_one_use_are_near_74_percent_of_it():
    """Six of 24 lots alternately fail cosmetic use: 74 % without a change, (18 + 1/2) / (24 + 1); near that with one allowed, as summed here."""
    record = [{"cosmetic": number % 4 != 3, "fit": True} for number in range(24)]
    limits = limits_from(
        {
            "surface": {"specks_per_dm2_max": 2},
            "gloss": {"deg_60_gu": [0, 100]},
            "uses": {"cosmetic": ["surface"], "fit": ["gloss"]},
        }
    )
    found = by_use([row(number, uses) for number, uses in enumerate(record)], limits, None)
    told = probabilities(found)
    expected = change_in_share([uses["cosmetic"] for uses in record])
    assert abs(expected - 0.74) < 0.03
    assert pytest.approx(expected, abs=SAME_FORMULA) == told["cosmetic"]
    assert pytest.approx(expected, abs=SAME_FORMULA) == told[EVERY]
    assert pytest.approx(change_in_share([True] * 24), abs=SAME_FORMULA) == told["fit"] == told[AT_LEAST_ONE]


FIGURES = st.lists(st.integers(-4, 4), min_size=5, max_size=12)


def model(thick, shrunk, seed=1):
    """Suppliers drawn from two measures."""
    measures = {
        "diameter.mean": (History([1.75 + 0.01 * value for value in thick]), Limit(1.72, 1.78)),
        "shrinkage.x": (History([0.3 + 0.05 * value for value in shrunk]), Limit(0.1, 0.5)),
    }
    return drawn(measures, None, np.random.default_rng(seed))


CODES = ("surface.specks", "bond.mean", "diameter.ovality", "shrinkage.x", "sampling.nonconforming")


@SETTINGS
@given(thick=FIGURES, shrunk=FIGURES, record=RECORD, data=st.data())
def test_forecasts_from_measurements_are_in_order_and_no_failure_raises_one(thick, shrunk, record, data):
    """With draws held fixed every further failure of what no measure follows lowers forecasts or leaves them, and none contradicts another."""
    failed = [tuple(data.draw(st.sets(st.sampled_from(CODES)))) for _ in record]
    rows = [row(number, uses, codes) for number, (uses, codes) in enumerate(zip(record, failed, strict=True))]
    with pytest.MonkeyPatch.context() as few:
        few.setattr(forecast, "SUPPLIERS", 60)
        told = model(thick, shrunk)
        before = by_use(rows, LIMITS, told)
        further = data.draw(st.sampled_from(CODES[:3]))
        worse = [lot._replace(failed=(*lot.failed, further)) for lot in rows[:1]]
        after = by_use([*worse, *rows[1:]], LIMITS, told)
    for found in (before, after):
        in_order_of_strictness(probabilities(found))
        in_order_of_strictness(ends(found, "low"))
        in_order_of_strictness(ends(found, "high"))
        assert "every_use" == found.published_for
    was, is_ = probabilities(before), probabilities(after)
    # Of load-bearing no measure is drawn: its verdicts alone tell, and they are as they were.
    assert all(is_[use] <= was[use] + SAME_SUM for use in was)


def test_a_use_rests_on_its_own_measures():
    """Shrinkage at its limit affects fit alone; a failure outside all measures counts for the uses that require it."""
    thick = [0, 1, -1, 0, 1, -1, 0, 1, -1, 0]
    told = model(thick, [4 + value for value in thick])
    record = [dict.fromkeys(NAMES, True)] * 10
    rows = [row(number, uses, ("surface.specks",) if number % 2 else ()) for number, uses in enumerate(record)]
    found = by_use(rows, LIMITS, told)
    # Five of ten failed specks: (5 + 1/2) / (10 + 1) by Jeffreys' prior; none failed anything else: (10 + 1/2) / (10 + 1).
    cosmetic, fit = dict(found.uses["cosmetic"].parts), dict(found.uses["fit"].parts)
    assert {"diameter.mean", "everything else"} == cosmetic.keys()
    assert {"diameter.mean", "shrinkage.x", "everything else"} == fit.keys()
    assert pytest.approx(0.5, abs=DRAWN_SHARE) == cosmetic["everything else"]
    assert pytest.approx(10.5 / 11, abs=DRAWN_SHARE) == fit["everything else"]
    assert fit["shrinkage.x"] < 0.6 < cosmetic["diameter.mean"]


def test_a_followed_measure_with_too_few_lots_is_not_forgotten():
    """A bond measured on too few lots counts its failures as other failures."""
    told = model([0, 1, -1, 0, 1, -1, 0, 1], [0, 1, -1, 0, 1, -1, 0, 1])
    limits = limits_from(
        {
            "diameter": {"mean_tolerance_mm": 0.03},
            "bond": {"mean_min_mpa": 20},
            "uses": {"load_bearing": ["bond", "diameter"]},
        }
    )
    rows = [row(number, {"load_bearing": number > 3}, ("bond.mean",) if number <= 3 else ()) for number in range(8)]
    found = by_use(rows, limits, told)
    (part,) = (share for name, share in found.uses["load_bearing"].parts if name == "everything else")
    assert pytest.approx(4.5 / 9, abs=DRAWN_SHARE) == part


def test_accepted_for_at_least_one_of_two_independent_uses():
    """Uses without a common measure fail independently, so the next lot fails both by the product of the drawn shares."""
    told = model([-4, 4] * 6, [-5, 5] * 6)
    limits = limits_from(
        {
            "diameter": {"mean_tolerance_mm": 0.03},
            "shrinkage": {"x_percent": [0.1, 0.5]},
            "uses": {"cosmetic": ["diameter"], "fit": ["shrinkage"]},
        }
    )
    rows = [row(number, {"cosmetic": True, "fit": True}) for number in range(12)]
    found = by_use(rows, limits, told)
    one, other = told.shares["diameter.mean"], told.shares["shrinkage.x"]
    # The rest is common to both uses: (12 + 1/2) / (12 + 1).
    expected = float((1 - (1 - one) * (1 - other)).mean()) * 12.5 / 13
    assert pytest.approx(expected, abs=DRAWN_SHARE) == found.at_least_one.probability
    assert found.at_least_one.probability > max(found.uses[use].probability for use in ("cosmetic", "fit")) + 0.02
