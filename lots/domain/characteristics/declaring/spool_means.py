"""Spool means against one limit, for values on a scale that vary between spools."""

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
    """Mean of the readings of one spool; `uncertainty` is None when unknown."""

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
        value: returns the value of a reading, in its unit.
        figure: code of the value, for data of earlier spools.
        estimate: method and earlier data for the uncertainty.
        instrument: returns the instrument of a spool's readings, in the unit of the figure.

    Reference:
        Uncertainty of a mean: see lots.domain.uncertainty.nested_means.spool_means. Of several instruments the worst counts.
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
    """Returns the finding on the mean of each spool; `todo` returns the next actions on a spool, the rest is as for `judge_means`."""
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
    """Returns the finding on the worst spool. One complete spool outside the limit fails the lot.

    Args:
        code: `characteristic.measure`.
        means: per spool, from `spool_means`.
        limit: on each spool.
        least: readings needed per spool.
        what: name of the readings in words.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        detail: returns a sentence to add to a mean, or "".
    """
    lacking = coverage.lacking({spool: one.n for spool, one in means.items()}, least, what)
    each = findings_on(
        code, means, limit, rule, lambda spool: ToDo(lacking, conclusive=means[spool].n >= least), detail=detail
    )
    return worst(each) if each else unmeasured(code, limit, rule, lacking)
