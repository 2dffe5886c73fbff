"""Means of spools, each held against one range: the plain way to judge what is read on a scale and varies from spool to spool."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.figures import by_spool, mean
from lots.domain.conformity.findings import Finding, judge, worst
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.summaries import mean_uncertainty, worst_known


@dataclass(frozen=True, slots=True)
class SpoolMean:
    """Mean of the readings of one spool; `uncertainty` is standard, None when nothing tells it, `scatter` its part that repeats reduce."""

    value: float
    n: int
    uncertainty: float | None
    scatter: float | None


def spool_means(readings: Iterable[Any], value: Callable[[Any], float]) -> dict[str, SpoolMean]:
    """Returns the mean of each spool.

    Args:
        readings: each with `spool`, `uncertainty` and `resolution` of its instrument, None when unknown.
        value: what is read of one, in its unit.

    Reference:
        Uncertainty of a mean: see lots.domain.statistics.summaries.standard_error. Of several instruments the worst counts.
    """
    return {spool: _mean(group, value) for spool, group in by_spool(readings).items()}


def _mean(group: list[Any], value: Callable[[Any], float]) -> SpoolMean:
    values = [value(reading) for reading in group]
    own, step = worst_known(r.uncertainty for r in group), worst_known(r.resolution for r in group)
    u, scatter = mean_uncertainty(values, own, step), mean_uncertainty(values, None, step)
    return SpoolMean(mean(values), len(values), u, scatter)


def judge_means(
    code: str,
    means: Mapping[str, SpoolMean],
    limit: Limit,
    least: int,
    what: str,
    coverage: Coverage,
    rule: DecisionRule,
    detail: Callable[[float], str] = lambda value: "",
) -> Finding:
    """Returns the finding on the spool nearest to an end of the limit, or furthest beyond it.

    Where every spool lies between two ends, so does the lot's mean: each spool is judged and the worst shown. One complete spool outside is
    enough to refuse.

    Args:
        code: `characteristic.measure`.
        means: per spool, as `spool_means` gives them.
        limit: on each spool.
        least: readings needed per spool.
        what: how a reading that is lacking is called.
        coverage: how many spools must be measured.
        rule: simple or guarded acceptance.
        detail: what goes with a mean, in a sentence; "" for nothing.
    """
    lacking = coverage.lacking({spool: one.n for spool, one in means.items()}, least, what)
    each = [
        judge(
            code,
            one.value,
            limit,
            rule,
            n=one.n,
            counted="reading" if one.n == 1 else "readings",
            uncertainty=one.uncertainty,
            scatter=one.scatter,
            subject=f"spool {spool}",
            detail=detail(one.value),
            lacking=lacking,
            conclusive=one.n >= least,
            spool=spool,
        )
        for spool, one in means.items()
    ]
    return worst(each) if each else judge(code, None, limit, rule, n=0, lacking=lacking)
