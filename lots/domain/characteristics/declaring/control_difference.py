"""Difference of a lot from the control spool in the same build. The effect of the printer is in both and cancels."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.origin import origin_of
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.uncertainty.budget import Uncertainty, combined
from lots.domain.words import counted, plural


@dataclass(frozen=True, slots=True)
class ControlDifference:
    """A difference from the control, in the unit of the figure.

    Args:
        value: lot minus control.
        n: number of prints of the lot.
        controls: number of prints of the control.
        builds: names of the builds.
        uncertainty: of the value, None where unknown.
    """

    value: float
    n: int
    controls: int
    builds: tuple[str, ...]
    uncertainty: Uncertainty | None


def control_difference(
    own: Iterable[Any],
    controls: Iterable[Any],
    value: Callable[[Any], float],
    alike: Callable[[Any], Hashable],
    per_unit: Callable[[Any], float] = lambda reading: 1.0,
    estimate: Estimate = OWN,
) -> ControlDifference | None:
    """Returns the mean over builds of the lot's mean minus the control's, or None where no build holds both.

    Only controls of the same build, recipe and instrument are compared, with equal `alike`, such as coupons of one length.

    Args:
        own: readings of the lot's prints, each with `uncertainty` and `resolution` of its instrument, None when unknown.
        controls: readings of the control's prints.
        value: the figure of a reading.
        alike: properties that compared prints must share.
        per_unit: change of the figure per unit of the instrument's reading.
        estimate: method for the uncertainty.

    Reference:
        Paired comparison removes common effects (NIST/SEMATECH e-Handbook 7.3.1). Its use for printed specimens is common practice, no source.
    """
    mine, beside = _by_build(own, alike), _by_build(controls, alike)
    cells = [(mine[key], beside[key]) for key in mine if key in beside]
    if not cells:
        return None
    each = [_mean(lot, value) - _mean(control, value) for lot, control in cells]
    found = combined(_uncertainty(some, value, per_unit, estimate) for pair in cells for some in pair)
    uncertainty = None if found is None else found.scaled(1 / len(cells))
    builds = tuple(dict.fromkeys(origin_of(lot[0]).build or "" for lot, _ in cells))
    sizes = [(len(lot), len(control)) for lot, control in cells]
    n, n_controls = (sum(column) for column in zip(*sizes, strict=True))
    return ControlDifference(math.fsum(each) / len(each), n, n_controls, builds, uncertainty)


def judge_difference(
    code: str, found: ControlDifference | None, most: float, unit: str, rule: DecisionRule, lacking: str
) -> Finding:
    """Returns the finding on a difference from the control, with the limit -most..most.

    Args:
        code: `characteristic.measure`.
        found: None where no build holds both.
        most: in the unit of the difference, > 0.
        unit: "" for none.
        rule: simple or guarded acceptance.
        lacking: print still needed, as an action; "" when complete.
    """
    limit = Limit(-most, most, unit)
    if found is None:
        return unmeasured(code, limit, rule, lacking, "prints")
    named = ", ".join(found.builds)
    return judge(
        code,
        Measured(
            found.value,
            found.n,
            plural(found.n, "print"),
            uncertainty=found.uncertainty,
            detail=f"The control is {counted(found.controls, 'print')} of the control spool in build {named}.",
        ),
        limit,
        rule,
        todo=ToDo(lacking),
    )


def lacking_control(own: Iterable[Any], controls: Iterable[Any], alike: Callable[[Any], Hashable], what: str) -> str:
    """Returns the print still needed to compare the lot with its control, as an action; "" where some build holds both.

    Args:
        own, controls: readings of prints of the lot and of the control.
        alike: returns a key that comparable readings share.
        what: a print of the control, such as "a coupon".
    """
    mine, beside = _by_build(own, alike), _by_build(controls, alike)
    if mine.keys() & beside.keys():
        return ""
    builds = sorted({origin_of(some[0]).build or "" for some in mine.values()} - {""})
    where = f" in build {', '.join(builds)}" if builds else " in the same build as the lot"
    return f"print {what} of the control spool{where}"


def _by_build(readings: Iterable[Any], alike: Callable[[Any], Hashable]) -> dict[Hashable, list[Any]]:
    found: dict[Hashable, list[Any]] = {}
    for reading in readings:
        origin = origin_of(reading)
        if origin.build_key is not None:
            key = (origin.build_key, origin.test_print, origin.instrument, alike(reading))
            found.setdefault(key, []).append(reading)
    return found


def _mean(readings: Sequence[Any], value: Callable[[Any], float]) -> float:
    return math.fsum(value(one) for one in readings) / len(readings)


def _uncertainty(
    readings: Sequence[Any], value: Callable[[Any], float], per_unit: Callable[[Any], float], estimate: Estimate
) -> Uncertainty | None:
    by = Instrument.of(readings, max(per_unit(reading) for reading in readings))
    found = estimate.of_repeats([[value(one)] for one in readings], by)
    return found[0] if found else None
