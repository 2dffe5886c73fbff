"""Means of spools, each held against one range: the plain way to judge what is read on a scale and varies from spool to spool."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.figures import by_spool, mean
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import COMPLETE, Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.uncertainty.budget import Uncertainty
from lots.domain.words import plural


@dataclass(frozen=True, slots=True)
class SpoolMean:
    """Mean of the readings of one spool; `uncertainty` is None when nothing tells it."""

    value: float
    n: int
    uncertainty: Uncertainty | None


def spool_means(
    readings: Iterable[Any],
    value: Callable[[Any], float],
    figure: str = "",
    estimate: Estimate = OWN,
    instrument: Callable[[Sequence[Any]], Instrument] = Instrument.of,
) -> dict[str, SpoolMean]:
    """Returns the mean of each spool.

    Args:
        readings: each with `spool`, `uncertainty` and `resolution` of its instrument, None when unknown.
        value: what is read of one, in its unit.
        figure: code of what is read, by which earlier spools are known.
        estimate: what else tells how readings scatter.
        instrument: that of the readings of a spool, in the unit of the figure.

    Reference:
        Uncertainty of a mean: see lots.domain.uncertainty.nested_means.spool_mean. Of several instruments the worst counts.
    """
    groups = by_spool(readings)
    rows = {spool: [[value(reading)] for reading in group] for spool, group in groups.items()}
    by = {spool: instrument(group) for spool, group in groups.items()}
    known = estimate.of_spools((figure,), rows, by)
    return {
        spool: SpoolMean(mean([row[0] for row in some]), len(some), u[0] if (u := known[spool]) else None)
        for spool, some in rows.items()
    }


def findings_on(
    code: str,
    means: Mapping[str, SpoolMean],
    limit: Limit,
    rule: DecisionRule,
    todo: Callable[[str], ToDo] = lambda spool: COMPLETE,
    counted: str = "reading",
    detail: Callable[[float], str] = lambda value: "",
) -> list[Finding]:
    """Returns the finding on the mean of each spool; `todo` says what remains of a spool, the rest is as for `judge_means`."""
    return [
        judge(
            code,
            Measured(
                one.value,
                one.n,
                plural(one.n, counted),
                uncertainty=one.uncertainty,
                looked_at=len(means),
                detail=detail(one.value),
            ),
            limit,
            rule,
            subject=f"spool {spool}",
            spool=spool,
            todo=todo(spool),
        )
        for spool, one in means.items()
    ]


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
    each = findings_on(
        code, means, limit, rule, lambda spool: ToDo(lacking, conclusive=means[spool].n >= least), detail=detail
    )
    return worst(each) if each else unmeasured(code, limit, rule, lacking)
