"""A verdict under the guarded rule: at most 5 % of values on the limit pass, and at most 5 % are claimed beyond it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from statistics import variance

import numpy as np

from lots.domain.characteristics.bond.lot_bond import BondLimits, BondTest, judge_bond
from lots.domain.characteristics.bond.lot_bond import summarise as summarise_bond
from lots.domain.characteristics.color.lot_color import ColorLimits, ColorReading, judge_color, judge_spools, summarise
from lots.domain.characteristics.color.uncertainty import COORDINATES
from lots.domain.characteristics.cross_section import DiameterReading
from lots.domain.characteristics.declaring.estimate import OWN, Estimate
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.lot_diameter import DiameterLimits, judge_diameter
from lots.domain.characteristics.lot_diameter import summarise as summarise_diameter
from lots.domain.characteristics.shrinkage.judged_shrinkage import judge_shrinkage
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits, ShrinkTest
from lots.domain.characteristics.shrinkage.lot_shrinkage import summarise as summarise_shrinkage
from lots.domain.characteristics.shrinkage.separation import SeparationRule
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule
from lots.domain.receiving.coverage import Coverage
from lots.domain.uncertainty.nested_means import Between, Earlier, Repeated
from tests.promises.promise import Promise, Rate

RULE = DecisionRule(guarded=True, z=1.6448536269514722)
ONE = Coverage.of(1, 1)
BY = Origin(instrument="M1")
LIGHT = Conditions("D65", 10, "d/8", "included")
WHITE = Lab(95.0, -0.8, 1.5)
AT_MOST = {"promised": "at most 5 %", "high": 0.05}
# Diameter, mm: nominal 1.75 +- 0.03, the true mean on the limit, standard deviation of a position.
HIGH_MM, SD_MM = 1.78, 0.002


def _rate(findings: Iterator[Finding], of: int, wanted: Callable[[Finding], bool]) -> Rate:
    return Rate(sum(wanted(found) for found in findings), of)


def _passes(found: Finding) -> bool:
    return found.verdict == "pass"


def _claimed(found: Finding) -> bool:
    return found.claimable is True


def _diameter(values: np.ndarray, u: float | None, estimate: Estimate = OWN) -> Finding:
    readings = [DiameterReading("A", d, d, float(i), u, None, BY) for i, d in enumerate(values.tolist())]
    limits = DiameterLimits(mean_tolerance_mm=0.03)
    return judge_diameter(summarise_diameter(readings, 1.75), 1.75, limits, ONE, RULE, estimate)[0]


def diameters(n: int, wanted: Callable[[Finding], bool], gauge: float = 0.0, runs: int = 5000) -> Rate:
    """Spools with the true mean on the limit, measured at n positions by a gauge with a common error."""
    rng = np.random.default_rng(n)
    values = HIGH_MM + rng.normal(0, SD_MM, (runs, n)) + rng.normal(0, gauge, (runs, 1))
    return _rate((_diameter(row, gauge or None) for row in values), runs, wanted)


def _earlier(rng: np.random.Generator, spools: int, n: int, sd: float) -> tuple[Repeated, ...]:
    return tuple(Repeated(n, (variance(row),)) for row in rng.normal(0, sd, (spools, n)).tolist())


def pooled(ratio: float = 1.0, runs: int = 5000) -> Rate:
    """Three positions, with ten earlier spools of three; the lot has `ratio` times their spread."""
    rng = np.random.default_rng(33)

    def found() -> Iterator[Finding]:
        for row in HIGH_MM + rng.normal(0, ratio * SD_MM, (runs, 3)):
            known = {"diameter.mean": {"M1": Earlier(_earlier(rng, 10, 3, SD_MM))}}
            yield _diameter(row, None, Estimate(earlier=known))

    return _rate(found(), runs, _passes)


def ovalities(positions: int, true_mm: float, runs: int = 3000) -> Rate:
    """The share of lots that do not pass, with ovality `true_mm` at every position, gauge 0.005 mm, limit 0.03 mm."""
    rng = np.random.default_rng(6)
    limits = DiameterLimits(ovality_max_mm=0.03)

    def found() -> Iterator[Finding]:
        for axes in rng.normal(0, 0.005, (runs, positions, 2)):
            readings = [
                DiameterReading("A", 1.75 + true_mm + one, 1.75 + other, float(i), 0.005, 0.001, BY)
                for i, (one, other) in enumerate(axes.tolist())
            ]
            yield judge_diameter(summarise_diameter(readings, 1.75), 1.75, limits, ONE, RULE)[0]

    return _rate(found(), runs, lambda one: not _passes(one))


def ovality_at_limit(runs: int = 5000) -> Rate:
    """One position whose true ovality is 0.03 mm, its limit."""
    rate = ovalities(1, 0.03, runs)
    return Rate(rate.of - rate.hits, rate.of)


def shrinkages(runs: int = 5000) -> Rate:
    """Three coupons of three lengths of a lot of one spool, true shrinkage on its limit of 0.5 %."""
    rng = np.random.default_rng(7)
    limits = ShrinkageLimits({"x": (0.1, 0.5)})
    rule = Estimate(spools_in_lot=1)

    def found() -> Iterator[Finding]:
        for errors in rng.normal(0, 0.02, (runs, 3)).tolist():
            tests = [
                ShrinkTest("A", "x", "outside", d, d * 0.995 + 0.05 + e, 24, origin=BY)
                for d, e in zip((20.0, 60.0, 120.0), errors, strict=True)
            ]
            summary = summarise_shrinkage(tests, lambda _: SeparationRule(None), rule)
            yield judge_shrinkage(summary, limits, RULE)[0]

    return _rate(found(), runs, _passes)


def _spools(rng: np.random.Generator, lot: int, k: int, sd: float, columns: int = 1) -> np.ndarray:
    """The distance of the first k spools of a lot from the mean of all its spools, which is assessed."""
    every = rng.normal(0, sd, (lot, columns))
    return (every - every.mean(axis=0))[:k]


def bonds(runs: int = 5000, lots: int = 0) -> Rate:
    """Two spools of three specimens of a lot of ten, standard deviation 1 MPa between spools and 1.5 within, true mean on its floor of 20 MPa."""
    rng = np.random.default_rng(8)

    def found() -> Iterator[Finding]:
        for bars in rng.normal(20, 1.5, (runs, 2, 3)):
            spools = _spools(rng, 10, 2, 1.0)
            tests = [
                BondTest(name, stress, origin=BY)
                for name, row in zip("AB", (spools + bars).tolist(), strict=True)
                for stress in row
            ]
            known = Earlier(between=_lots(rng, lots, 3, 1.0, 1.5, 3)) if lots else Earlier()
            estimate = Estimate(earlier={"bond.stress": {"M1": known}}, spools_in_lot=10)
            yield judge_bond(summarise_bond(tests, estimate=estimate), BondLimits(mean_min_mpa=20.0), RULE)[0]

    return _rate(found(), runs, _passes)


def _lots(rng: np.random.Generator, lots: int, k: int, between: float, sd: float, n: int) -> tuple[Between, ...]:
    means = rng.normal(0, math.hypot(between, sd / math.sqrt(n)), (lots, k))
    return tuple(Between(k, (variance(row),), 1 / n) for row in means.tolist())


def colors(
    k: int, wanted: Callable[[Finding], bool], lots: int = 0, between: float = 0.15, sd: float = 0.08, runs: int = 3000
) -> Rate:
    """Lots of 20 spools, k of them measured three times, whose mean differs by exactly 1 (CIE76) from their reference."""
    rng = np.random.default_rng(9)
    limits = ColorLimits("CIE76", lot_max=1.0)

    def found() -> Iterator[Finding]:
        for _ in range(runs):
            middle = _spools(rng, 20, k, between, 3)[:, None, :] + np.array([95.0, -0.8, 2.5])
            spools = middle + rng.normal(0, sd, (k, 3, 3))
            readings = [
                ColorReading(str(i), Lab(*row), LIGHT, origin=BY)
                for i, some in enumerate(spools.tolist())
                for row in some
            ]
            known = {
                code: {"M1": Earlier(_earlier(rng, 10, 3, sd), _lots(rng, lots, 3, between, sd, 3))}
                for code in COORDINATES
            }
            summary = summarise(readings, Estimate(earlier=known if lots else {}, spools_in_lot=20))
            yield judge_color(summary, WHITE, limits, Coverage.of(20, k), RULE)[0]

    return _rate(found(), runs, wanted)


def spools_like_reference(
    value: float, k: int, sd: float, limit: float, runs: int = 1500, u: float | None = None
) -> Rate:
    """The share of lots of k spools, each `value` from the reference and measured three times, with a spool that does not pass."""
    rng = np.random.default_rng(10)
    limits = ColorLimits("CIE76", spool_max=limit)

    def found() -> Iterator[Finding]:
        for noise in rng.normal(0, sd, (runs, k, 3, 3)):
            readings = [
                ColorReading(str(i), Lab(*row), LIGHT, u, origin=BY)
                for i, some in enumerate((noise + np.array([95.0, -0.8, 1.5 + value])).tolist())
                for row in some
            ]
            summary = summarise(readings, Estimate(spools_in_lot=k))
            each = judge_spools(summary, WHITE, limits, RULE)
            yield min(each, key=_passes)

    return _rate(found(), runs, lambda one: not _passes(one))


def spool_at_limit(k: int, runs: int = 2000) -> Rate:
    """The share of cases where all pass: one spool of k on the limit of 1, the others at 0.5 of it, measured three times each."""
    rng = np.random.default_rng(11)
    limits = ColorLimits("CIE76", spool_max=1.0)
    true = np.full((k, 1, 3), [95.0, -0.8, 2.0])
    true[0] = [95.0, -0.8, 2.5]

    def found() -> Iterator[Finding]:
        for noise in rng.normal(0, 0.1, (runs, k, 3, 3)):
            readings = [
                ColorReading(str(i), Lab(*row), LIGHT, origin=BY)
                for i, some in enumerate((noise + true).tolist())
                for row in some
            ]
            yield min(judge_spools(summarise(readings, Estimate(spools_in_lot=k)), WHITE, limits, RULE), key=_passes)

    return _rate(found(), runs, _passes)


def intervals(true: float, runs: int = 5000) -> Rate:
    """The share of intervals of a colour difference that contain the true one; u 0.1 per coordinate (CIE76)."""
    rng = np.random.default_rng(12)
    limits = ColorLimits("CIE76", spool_max=5.0)
    held = 0
    for noise in rng.normal(0, 0.1, (runs, 3)).tolist():
        lab = Lab(95.0 + noise[0], -0.8 + noise[1], 1.5 + true + noise[2])
        summary = summarise([ColorReading("A", lab, LIGHT, 0.1, origin=BY)])
        low, high = judge_spools(summary, WHITE, limits, RULE)[0].interval or (1.0, 0.0)
        # A measured length has no upper bound below itself: an interval about 0 reaches to 0.
        held += low <= true <= high
    return Rate(held, runs)


def stated(runs: int = 40_000) -> Rate:
    """The conforming share of spools stated to conform with 0.99 to 0.999 after three readings, with true values around the limit."""
    rng = np.random.default_rng(13)
    true = HIGH_MM + rng.uniform(-40, 40, runs) * SD_MM
    kept, of = 0, 0
    for mean, row in zip(true.tolist(), rng.normal(0, SD_MM, (runs, 3)) + true[:, None], strict=True):
        found = _diameter(row, None)
        if found.conformance is not None and 0.99 <= found.conformance <= 0.999:
            of += 1
            kept += mean <= HIGH_MM
    return Rate(kept, of)


PROMISES = (
    *(
        Promise(
            f"false accepts at the limit, {n} readings",
            before=f"{before} %",
            measure=partial(diameters, n, _passes),
            **AT_MOST,
        )
        for n, before in ((2, 17.4), (3, 12.1), (4, 9.9), (5, 8.8), (10, 6.7), (20, 5.8))
    ),
    Promise(
        "false accepts at the limit, 2 readings, equal gauge error",
        before="not measured",
        measure=partial(diameters, 2, _passes, SD_MM),
        **AT_MOST,
    ),
    Promise(
        "false claims at the limit, 3 readings", before="12.1 %", measure=partial(diameters, 3, _claimed), **AT_MOST
    ),
    Promise(
        "false accepts at the limit, 3 readings and ten earlier spools, homogeneity tested first",
        before="12.1 %",
        measure=pooled,
        **AT_MOST,
    ),
    Promise(
        "false accepts at the limit, shrinkage by a line from 3 coupons", before="17.5 %", measure=shrinkages, **AT_MOST
    ),
    Promise(
        "false accepts at the limit, interlayer strength, 2 spools of 3 specimens",
        before="14.8 %",
        measure=bonds,
        **AT_MOST,
    ),
    Promise(
        "false accepts at the limit, interlayer strength, 2 spools of 3 specimens and four earlier lots",
        before="14.8 %",
        measure=partial(bonds, lots=4),
        **AT_MOST,
    ),
    Promise(
        "false accepts at the limit, a lot's colour, 2 spools",
        before="7 to 16 %",
        measure=partial(colors, 2, _passes),
        **AT_MOST,
    ),
    Promise(
        "false accepts at the limit, a lot's colour, 2 spools and four earlier lots",
        before="7 to 16 %",
        measure=partial(colors, 2, _passes, 4),
        **AT_MOST,
    ),
    Promise(
        "false accepts at the limit, a lot's colour, 1 spool and five earlier lots",
        before="21 to 32 %",
        measure=partial(colors, 1, _passes, 5),
        **AT_MOST,
    ),
    Promise(
        "false claims on a lot's colour, 2 spools and four earlier lots",
        before="not measured",
        measure=partial(colors, 2, _claimed, 4),
        **AT_MOST,
    ),
    Promise("conformance stated as 0.99 to 0.999, 3 readings", "true in at least 99 %", "97.8 %", stated, low=0.99),
    Promise(
        "95 % interval of a colour difference, truly 0",
        "at least 95 %",
        "74 to 76 %",
        partial(intervals, 0.0),
        low=0.95,
    ),
    Promise(
        "95 % interval of a colour difference, truly 2 standard uncertainties",
        "95 %",
        "not measured",
        partial(intervals, 0.2),
        low=0.94,
    ),
    Promise(
        "95 % interval of a colour difference, truly 10 standard uncertainties",
        "95 %",
        "not measured",
        partial(intervals, 1.0),
        low=0.94,
        high=0.96,
    ),
    Promise(
        "false accepts at the limit, ovality, one position", before="not measured", measure=ovality_at_limit, **AT_MOST
    ),
    Promise(
        "false accepts at the limit, one spool of 8",
        before="not measured",
        measure=partial(spool_at_limit, 8),
        **AT_MOST,
    ),
    Promise(
        "8 spools equal to their reference, reading sd 0.2, limit 0.5: any is held",
        "stated: some 34 %",
        "65 %",
        partial(spools_like_reference, 0.0, 8, 0.2, 0.5, 700),
        high=0.4,
    ),
    Promise(
        "perfectly round filament, 20 positions, gauge 0.005 mm, limit 0.03 mm: held",
        "stated: some 18 %",
        "19 %",
        partial(ovalities, 20, 0.0, 1500),
        high=0.21,
    ),
    Promise(
        "3 readings with twice the spread of the ten earlier spools: false accepts",
        "stated: some 15 %",
        "not measured",
        partial(pooled, 2.0),
        high=0.17,
    ),
)
