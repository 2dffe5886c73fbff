"""Colour against plaques of the control spool in the same build: what the printer and the plate add is in both, and cancels."""

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
    """Returns the finding on the colour difference to the control; none where the limits ask for none.

    The coordinates of lot and control are subtracted within each build and averaged over builds. The difference in the formula is that of the
    control's mean colour from itself moved by them.

    Args:
        readings: colours of the lot that can be compared.
        controls: those of the control spool.
        limits: what is asked.
        rule: simple or guarded acceptance.
        estimate: by which rules an uncertainty is taken.

    Reference:
        Differences of pairs take out what both have in common (NIST/SEMATECH e-Handbook 7.3.1); common practice for printed plaques, no source.
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
    """Colours under the conditions of the reference are alike."""


def _coordinate(place: int) -> Callable[[ColorReading], float]:
    return lambda reading: reading.lab.as_list()[place]


_COORDINATES = tuple(_coordinate(place) for place in range(len(Lab(0, 0, 0).as_list())))
