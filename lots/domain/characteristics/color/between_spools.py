"""Colour differences between the spools of one lot: stored colours, standard deviations, and the largest pair."""

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
    """Standard deviations of L*, a*, b* between `n` measured spools, None below two."""

    sd: Vector | None
    n: int

    @classmethod
    def of(cls, summary: ColorSummary) -> Between:
        """Returns the standard deviations between spools, without the part due to the readings of a spool, where known.

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
        """Returns the value that `as_json` wrote, or None."""
        return None if kept is None else cls(tuple(kept["sd"]) if kept["sd"] else None, kept["n"])

    def as_json(self) -> dict[str, Any]:
        """Returns the form stored with a lot."""
        return {"sd": list(self.sd) if self.sd else None, "n": self.n}


def kept_of(summary: ColorSummary) -> dict[str, Any]:
    """Returns the stored figures of a lot's spools: mean colours and standard deviations between spools."""
    each = {}
    for spool, (mean, n) in summary.spools.items():
        u = summary.spool_uncertainty[spool].total
        each[spool] = {"lab": mean.as_list(), "uncertainty": list(u) if u else None, "n": n}
    return {"spool_color": each, "color_between": Between.of(summary)}


def allowance(color: Lab, sd: Vector, limits: ColorLimits) -> float:
    """Returns the root mean square colour difference of a spool from its lot's mean, due to differences between spools.

    Near one colour a squared difference is a quadratic form. Its mean is the sum of each coordinate's variance times its weight there.

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
    """Returns the finding on the largest colour difference between any two spools, an empty list without such a limit.

    The largest measured difference must be inside the limit, and so must the one expected among all spools of the lot. The expected
    one is the measured one, scaled by the expected ranges of normal samples of both sizes. If only the expected one is beyond the limit, the
    finding is `near`, and more spools settle it.

    Args:
        summary: colours of the lot, None without any.
        limits: on colour.
        coverage: number of spools of the lot.
        rule: simple or guarded acceptance; under the second, the uncertainty of the pair adds to its guard band.
        lacking: the next action, "" when complete.

    Notes:
        A mean difference from the mean grows with the number of spools, so it would favour measuring few. The scaled difference does not.
        The expected ranges hold along one direction; in three dimensions differences grow somewhat less with the number.

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
        more = (
            f"measure colour on at least one more spool{coverage.not_yet(summary.spools)}, since a difference needs two"
        )
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
            settled_by=f"measure colour on {more_spools} more {plural(more_spools, 'spool')}" if more_spools else "",
        ),
    )
    if finding.verdict == "fail":
        # A claim rests on the measured pair, not on the expected difference of all spools.
        proof = None if known is None else proof_band(found.value, known, rule.claim_z(n * (n - 1) // 2))
        beyond = None if proof is None else found.value - limits.spool_pair_max > proof + BINARY_NOISE
        return [replace(finding, guard=proof, claim_band=proof, claimable=beyond)]
    return [replace(finding, more_spools=more_spools) if finding.verdict == "near" else finding]


def _means(summary: ColorSummary, one: str, other: str) -> tuple[Lab, Lab]:
    return summary.spools[one][0], summary.spools[other][0]


def _more(seen: float, most: float, n: int, lot: int) -> int:
    """Returns how many more spools would bring the expected difference inside the limit for the same measured one; 0 for none."""
    if lot <= n or seen * expected_range(lot) / expected_range(n) <= most:
        return 0
    enough = next((k for k in range(n + 1, lot) if seen * expected_range(lot) / expected_range(k) <= most), lot)
    return enough - n
