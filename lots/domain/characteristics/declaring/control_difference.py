"""What a lot differs by from the control spool printed beside it: the printer's part of a print is in both, and cancels."""

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
    """A difference to the control, in the unit of what is compared.

    Args:
        value: lot minus control, positive where the lot has more.
        n: prints of the lot that it rests on.
        controls: prints of the control.
        builds: names of the builds.
        uncertainty: of the value, None where nothing tells it.
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

    A control of another build, recipe or instrument never enters, nor one that is not alike, such as a coupon of another length.

    Args:
        own: readings of the lot's prints, each with `uncertainty` and `resolution` of its instrument, None when unknown.
        controls: readings of the control's.
        value: what is compared, of a reading.
        alike: what prints must share to be compared.
        per_unit: how much of the value one unit of what the instrument reads makes.
        estimate: by which rules an uncertainty is taken.

    Reference:
        Differences of pairs take out what both have in common (NIST/SEMATECH e-Handbook 7.3.1, paired comparison). Common practice for
        printed specimens, no source.
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
    """Returns the finding on a difference to the control, which may be `most` either way.

    Args:
        code: `characteristic.measure`.
        found: None where no build holds both.
        most: in the unit of the difference, > 0.
        unit: "" for none.
        rule: simple or guarded acceptance.
        lacking: what is still to be printed, "" for nothing.
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
            detail=f"Against {counted(found.controls, 'print')} of the control spool in build {named}.",
        ),
        limit,
        rule,
        todo=ToDo(lacking),
    )


def lacking_control(own: Iterable[Any], controls: Iterable[Any], alike: Callable[[Any], Hashable], what: str) -> str:
    """Returns what is still to be printed so that the lot can be compared with its control, "" where some build holds both.

    Args:
        what: a print of the control, such as "a coupon".
    """
    mine, beside = _by_build(own, alike), _by_build(controls, alike)
    if mine.keys() & beside.keys():
        return ""
    builds = sorted({origin_of(some[0]).build or "" for some in mine.values()} - {""})
    where = f" in build {', '.join(builds)}" if builds else " in the same build as the lot"
    return f"{what} of the control spool printed{where}"


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
