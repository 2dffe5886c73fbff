"""Colour relative to plaques of the control spool in the same build. Effects of the printer and the plate cancel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from lots.domain.characteristics.color.lot_color import ColorLimits, ColorReading, against, difference
from lots.domain.characteristics.color.uncertainty import ColorUncertainty
from lots.domain.characteristics.declaring.control_difference import control_difference, lacking_control
from lots.domain.characteristics.declaring.estimate import OWN, Estimate
from lots.domain.characteristics.declaring.origin import origin_of
from lots.domain.colorimetry.color_values import Lab, mean_lab, nearest_lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.words import plural

CODE = "color.control_delta_e"


def judge_against_control(
    readings: Sequence[ColorReading],
    controls: Sequence[ColorReading],
    limits: ColorLimits,
    rule: DecisionRule,
    estimate: Estimate = OWN,
) -> list[Finding]:
    """Returns the finding on the colour difference from the control; an empty list without such a limit.

    Coordinate differences of lot and control are taken within each build and averaged over builds. The formula is applied to the
    control's mean colour and that colour shifted by the mean difference.

    Args:
        readings: comparable colours of the lot.
        controls: comparable colours of the control spool.
        limits: on colour.
        rule: simple or guarded acceptance.
        estimate: method for the uncertainty.

    Reference:
        Paired comparison removes common effects (NIST/SEMATECH e-Handbook 7.3.1). Its use for printed plaques is common practice, no source.
    """
    if limits.control_max is None:
        return []
    limit = Limit(None, limits.control_max)
    lacking = lacking_control(readings, controls, _alike, "a plaque")
    parts = [control_difference(readings, controls, one, _alike, estimate=estimate) for one in _COORDINATES]
    known = [part for part in parts if part is not None]
    if len(known) < len(parts):
        return [against(None, CODE, limit, rule, lacking)]
    printed = {_printed(reading) for reading in readings}
    start = mean_lab([one.lab for one in controls if _printed(one) in printed])
    end = nearest_lab(*(at + part.value for at, part in zip(start.as_list(), known, strict=True)))
    each = [part.uncertainty for part in known if part.uncertainty is not None]
    u = ColorUncertainty(tuple(each) if len(each) == len(known) else None, estimate.lengths)
    found = difference(start, end, u, limits, limits.control_max, known[0].n, _said(known[0].builds))
    return [replace(against(found, CODE, limit, rule, lacking), counted=plural(found.n, "reading"))]


def _said(builds: Sequence[str]) -> str:
    return f"the control spool in build {', '.join(builds)}"


def _printed(reading: ColorReading) -> tuple[str | None, ...]:
    origin = origin_of(reading)
    return (origin.build_key, origin.test_print, origin.instrument)


def _alike(_: ColorReading) -> None:
    """Returns None: all colours under the conditions of the reference are comparable."""


def _coordinate(place: int) -> Callable[[ColorReading], float]:
    return lambda reading: reading.lab.as_list()[place]


_COORDINATES = tuple(_coordinate(place) for place in range(len(Lab(0, 0, 0).as_list())))
