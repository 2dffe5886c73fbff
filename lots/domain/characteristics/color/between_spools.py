"""Colour between the spools of one lot: what is kept of each spool, how far they lie apart, and the largest pair of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations
from statistics import stdev
from typing import Any

from lots.domain.characteristics.color.lot_color import ColorLimits, ColorSummary, difference
from lots.domain.characteristics.color.uncertainty import local_metric
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.guard import guard_band, proof_band
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.expected_range import expected_range
from lots.domain.statistics.summaries import Vector
from lots.domain.words import plural

CODE = "color.spool_pair"


@dataclass(frozen=True, slots=True)
class Between:
    """How far the spools of a lot lie apart: standard deviations of L*, a*, b*, None where fewer than two of `n` spools were measured."""

    sd: Vector | None
    n: int

    @classmethod
    def of(cls, summary: ColorSummary) -> Between:
        """The scatter of the spools' means, without the part that the readings of a spool show by themselves, where that is known.

        Reference:
            One-way random effects: variance of the means less the mean variance of a mean, not below 0 (any text on variance components).
        """
        means = [mean.as_list() for mean, _ in summary.spools.values()]
        if len(means) < 2:
            return cls(None, len(means))
        parts = [summary.spool_uncertainty[spool].scatter for spool in summary.spools]
        own = [0.0] * 3
        if all(part is not None for part in parts):
            own = [math.fsum(part[i] ** 2 for part in parts if part is not None) / len(parts) for i in range(3)]
        seen = [stdev(column) ** 2 for column in zip(*means, strict=True)]
        return cls(tuple(math.sqrt(max(0.0, one - less)) for one, less in zip(seen, own, strict=True)), len(means))

    @classmethod
    def from_json(cls, kept: Mapping[str, Any] | None) -> Between | None:
        """What `as_json` kept; None for nothing."""
        return None if kept is None else cls(tuple(kept["sd"]) if kept["sd"] else None, kept["n"])

    def as_json(self) -> dict[str, Any]:
        """As it is kept on a lot."""
        return {"sd": list(self.sd) if self.sd else None, "n": self.n}


def kept_of(summary: ColorSummary) -> dict[str, Any]:
    """Returns what is kept of a lot's spools: the mean colour of each that was measured, and how far they lie apart."""
    each = {}
    for spool, (mean, n) in summary.spools.items():
        u = summary.spool_uncertainty[spool].total
        each[spool] = {"lab": mean.as_list(), "uncertainty": list(u) if u else None, "n": n}
    return {"spool_color": each, "color_between": Between.of(summary)}


def allowance(color: Lab, sd: Vector, limits: ColorLimits) -> float:
    """Returns the root mean square colour difference of a spool from its lot's mean that the scatter between spools makes.

    Near one place a squared difference is a quadratic form, so that its mean is the sum of each coordinate's variance times its weight there.

    Args:
        color: mean of the lot.
        sd: standard deviations between spools of L*, a*, b*, >= 0.
        limits: formula and weights.

    Reference:
        The mean of a quadratic form of independent deviations is its trace with their variances (any text on linear models).

    Example:
        >>> round(allowance(Lab(50, 0, 0), (0.3, 0.0, 0.4), ColorLimits(formula="CIE76")), 6)
        0.5
    """
    return _allowance(color, sd, limits.formula, limits.weights)


@lru_cache(maxsize=4096)
def _allowance(color: Lab, sd: Vector, formula: str, weights: tuple[float, ...]) -> float:
    if max(sd) <= 0:
        return 0.0
    _, metric = local_metric(color, color, max(sd), ColorLimits(formula, weights))
    return math.sqrt(max(0.0, math.fsum(metric[i][i] * sd[i] ** 2 for i in range(3))))


def judge_spool_pair(
    summary: ColorSummary | None, limits: ColorLimits, coverage: Coverage, rule: DecisionRule, lacking: str
) -> list[Finding]:
    """Returns the finding on the largest colour difference between any two spools, none where the limits ask nothing of it.

    The largest pair that was measured must be inside the limit, and so must the largest that all spools of the lot are expected to show: the
    measured one times the expected range of so many normal values over that of as many as were measured. The second alone beyond the limit
    is `near`, and more spools settle it.

    Args:
        summary: colours of the lot, None without any.
        limits: what is asked.
        coverage: how many spools the lot has.
        rule: simple or guarded acceptance; the uncertainty of the pair adds to its guard band under the second.
        lacking: what is still to be measured, "" for nothing.

    Notes:
        Unlike a mean difference from the mean, which grows with the number of spools and so releases the more the fewer were measured.
        The expected ranges are those of values along one direction; differences in three dimensions grow somewhat less with the number.

    Reference:
        Tippett 1925 (see `lots.domain.statistics.expected_range`).
    """
    if limits.spool_pair_max is None:
        return []
    limit = Limit(None, limits.spool_pair_max)
    if summary is None:
        return [unmeasured(CODE, limit, rule, lacking, "spools")]
    n, lot = len(summary.spools), max(coverage.spools_in_lot, len(summary.spools))
    if n == 1:
        if lot == 1:
            return [judge(CODE, Measured(0.0, 1, "spool", guard=0.0), limit, rule, todo=ToDo(lacking))]
        more = f"colour on at least one more spool{coverage.not_yet(summary.spools)}, since one spool has no other to differ from"
        return [
            judge(
                CODE,
                Measured(None, 1, "spool"),
                limit,
                rule,
                todo=ToDo(lacking or more, more_spools=0 if lacking else 1),
            )
        ]
    one, other = max(combinations(summary.spools, 2), key=lambda pair: limits.delta_e(*_means(summary, *pair)))
    u = summary.spool_uncertainty[one].and_of(summary.spool_uncertainty[other])
    found = difference(*_means(summary, one, other), u, limits, limits.spool_pair_max, n, f"spool {one}")
    expected = found.value * expected_range(lot) / expected_range(n)
    known = found.uncertainty
    unknown = known is None or (known.total <= BINARY_NOISE and not rule.trusts_zero)
    own = 0.0 if known is None or not rule.guarded else guard_band(found.value, known, rule.z)
    guard = None if rule.guarded and unknown else expected - found.value + own
    more_spools = _more(found.value, limits.spool_pair_max, n, lot)
    of_all = f" All {lot} spools are expected to differ by up to {expected:.2f}." if lot > n else ""
    finding = judge(
        CODE,
        replace(found, guard=guard, detail=f"{found.detail}{of_all}"),
        limit,
        replace(rule, guarded=True) if guard is not None else rule,
        subject=f"spools {one} and {other}",
        todo=ToDo(
            lacking,
            conclusive=all(summary.spools[spool][1] >= limits.readings_per_spool_min for spool in (one, other)),
            settled_by=f"colour on {more_spools} more {plural(more_spools, 'spool')}" if more_spools else "",
        ),
    )
    if finding.verdict == "fail":
        # What is claimed rests on the pair that was measured, not on what all spools are expected to show.
        proof = None if known is None else proof_band(found.value, known, rule.claim_z(n * (n - 1) // 2))
        beyond = None if proof is None else found.value - limits.spool_pair_max > proof + BINARY_NOISE
        return [replace(finding, guard=proof, claim_band=proof, claimable=beyond)]
    return [replace(finding, more_spools=more_spools) if finding.verdict == "near" else finding]


def _means(summary: ColorSummary, one: str, other: str) -> tuple[Lab, Lab]:
    return summary.spools[one][0], summary.spools[other][0]


def _more(seen: float, most: float, n: int, lot: int) -> int:
    """How many more spools would bring the expected largest pair inside the limit, the measured one staying what it is; 0 for none."""
    if lot <= n or seen * expected_range(lot) / expected_range(n) <= most:
        return 0
    enough = next((k for k in range(n + 1, lot) if seen * expected_range(lot) / expected_range(k) <= most), lot)
    return enough - n
