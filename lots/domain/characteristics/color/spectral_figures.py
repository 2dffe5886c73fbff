"""Figures of a colour beyond L*, a*, b*: metamerism, whiteness, tint and yellowness."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from lots.domain.characteristics.color.lot_color import (
    REFERENCE_NEEDED,
    ColorFigure,
    ColorLimits,
    ColorReading,
    ColorSummary,
    against,
    difference,
)
from lots.domain.characteristics.color.uncertainty import ColorUncertainty, shifts
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.metamerism import Metamerism, metamerism
from lots.domain.colorimetry.spectra import Spectrum, mean_spectrum
from lots.domain.colorimetry.whiteness import Whiteness, whiteness_from_lab, yellowness_from_lab
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import Measured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.receiving.coverage import Coverage
from lots.domain.words import plural

# Test illuminants for metamerism: A, and a white LED of about 4100 K (CIE 15:2018). The choice is common practice, no source.
TEST_LIGHTS = ("A", "LED-B3")


def judge_depth(
    readings: Sequence[ColorReading],
    summary: ColorSummary | None,
    shade: ShadeRevision | None,
    limits: ColorLimits,
    coverage: Coverage,
    rule: DecisionRule,
    what: str = "colour",
    estimate: Estimate = OWN,
) -> list[Finding]:
    """Returns the findings on metamerism, whiteness, tint and yellowness, one per limit.

    Metamerism is that of the worst spool, since opposite differences of spools cancel in the mean. Before version 3 of the rules it was
    that of the lot's mean, like the figures for whites.

    Args:
        readings: the colours that count, comparable with the reference.
        summary: their summary; None when nothing was measured.
        shade: the approved revision; None without one, and then nothing can pass.
        limits: on colour.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        what: name of a missing reading.
        estimate: method for the uncertainty.

    Notes:
        A figure that is undefined under the conditions or for the colour counts as missing. Uncertainties are those of L*, a*, b*,
        propagated numerically (Kragten 1994; see uncertainty.delta_e_uncertainty).

    Reference:
        See colorimetry.metamerism and colorimetry.whiteness.
    """
    found = []
    if limits.metamerism_max is not None:
        found.append(_judge_metamerism(readings, shade, limits, coverage, rule, what, estimate))
    counts = {} if summary is None else {spool: n for spool, (_, n) in summary.spools.items()}
    lacking = coverage.lacking(counts, limits.readings_per_spool_min, what) if shade else REFERENCE_NEEDED
    if shade and lacking:
        lacking = spectra_lacking(readings, shade, limits, coverage, what) or lacking
    for code, limit, figure, why_not in whites_asked(shade, limits):
        measured, wrong = (None, "") if summary is None or shade is None else _measured(summary, figure, why_not)
        found.append(against(measured, code, limit, rule, lacking or wrong))
    return found


def spectra_lacking(
    readings: Sequence[ColorReading],
    shade: ShadeRevision | None,
    limits: ColorLimits,
    coverage: Coverage,
    what: str = "colour",
) -> str:
    """Returns the spectra still to be measured for metamerism, as an action; "" without any, or without a spectrum of the reference.

    Every measured spool needs a spectrum, since any of them may be the metameric one.
    """
    if limits.metamerism_max is None or shade is None or shade.spectrum is None:
        return ""
    counts: dict[str, int] = {}
    for reading in readings:
        counts[reading.spool] = counts.get(reading.spool, 0) + (reading.spectrum is not None)
    return coverage.lacking(counts, limits.readings_per_spool_min, f"spectral {what}")


Figure = Callable[[Lab], float]


def whites_asked(
    shade: ShadeRevision | None, limits: ColorLimits
) -> list[tuple[str, Limit, Figure, Callable[[Lab], tuple[str, ...]]]]:
    """Returns code, limit, figure and validity check for each limit on whites."""
    light = (shade.conditions.illuminant, shade.conditions.observer_deg) if shade else ("D65", 10)

    def white(color: Lab) -> Whiteness:
        return whiteness_from_lab(color, *light)

    found: list[tuple[str, Limit, Figure, Callable[[Lab], tuple[str, ...]]]] = []
    if limits.whiteness_min is not None:
        limit = Limit(limits.whiteness_min, None)
        found.append(
            ("color.whiteness", limit, lambda color: white(color).whiteness, lambda color: white(color).outside)
        )
    if limits.tint is not None:
        found.append(
            ("color.tint", Limit(*limits.tint), lambda color: white(color).tint, lambda color: white(color).outside)
        )
    if limits.yellowness_max is not None:
        limit = Limit(None, limits.yellowness_max)
        found.append(("color.yellowness", limit, lambda color: yellowness_from_lab(color, *light), lambda _: ()))
    return found


def _measured(
    summary: ColorSummary, figure: Figure, why_not: Callable[[Lab], tuple[str, ...]]
) -> tuple[Measured | None, str]:
    """Returns a figure of the lot's mean colour, and the action where it is undefined or not valid."""
    u = summary.lot_uncertainty
    try:
        outside = why_not(summary.lot)
        value = figure(summary.lot)
        moved = None if u.total is None else u.propagated(shifts(figure, summary.lot, u.total))
    except ValueError as wrong:
        return None, f"ask quality for another reference or to remove this limit, since {_clause(wrong)}"
    todo = ""
    if outside:
        why = f"the formula does not apply: {', '.join(outside)}"
        todo = f"check the readings or ask quality to remove this limit ({why})"
    n = len(summary.spools)
    return Measured(value, n, plural(n, "spool"), moved), todo


def _clause(wrong: ValueError) -> str:
    """Returns a message as part of an action, without semicolons, which separate actions."""
    return str(wrong).replace("; ", ", ")


def _judge_metamerism(
    readings: Sequence[ColorReading],
    shade: ShadeRevision | None,
    limits: ColorLimits,
    coverage: Coverage,
    rule: DecisionRule,
    what: str,
    estimate: Estimate,
) -> Finding:
    """Returns the finding on the worst spool under the worse test illuminant."""
    code, limit = "color.metamerism", Limit(None, limits.metamerism_max)
    by_spool: dict[str, list[ColorReading]] = {}
    for reading in readings:
        by_spool.setdefault(reading.spool, []).append(reading)
    spectra = {spool: [r.spectrum for r in group if r.spectrum is not None] for spool, group in by_spool.items()}
    lacking = spectra_lacking(readings, shade, limits, coverage, what)
    if shade is None:
        lacking = REFERENCE_NEEDED
    elif shade.spectrum is None:
        lacking = "ask quality to approve a shade revision with a spectrum"
    read = {spool: found for spool, found in spectra.items() if found}
    if shade is None or shade.spectrum is None or not read:
        return against(None, code, limit, rule, lacking)
    try:
        if estimate.rules <= SECOND:
            measured = _worst_light(read, shade, shade.spectrum, limits, readings, estimate)
            return against(measured, code, limit, rule, lacking)
        each = {
            spool: _worst_light({spool: found}, shade, shade.spectrum, limits, by_spool[spool], estimate)
            for spool, found in read.items()
        }
    except ValueError as wrong:
        lacking = lacking or f"take other readings, or ask quality for another reference, since {_clause(wrong)}"
        return against(None, code, limit, rule, lacking)
    n = len(each)
    average = f" The mean of {n} spools is {math.fsum(one.value for one in each.values()) / n:.2f}." if n > 1 else ""
    return worst(
        [
            replace(
                against(
                    replace(one, n=n, counted=plural(n, "spool"), detail=f"{one.detail}{average}"),
                    code,
                    limit,
                    rule,
                    lacking,
                ),
                subject=f"worst, spool {spool}",
            )
            for spool, one in each.items()
        ]
    )


def _worst_light(
    spectra: Mapping[str, Sequence[Spectrum]],
    shade: ShadeRevision,
    reference: Spectrum,
    limits: ColorLimits,
    readings: Sequence[ColorReading],
    estimate: Estimate,
) -> ColorFigure:
    """Returns the figure under the test illuminant with the largest index; its detail gives the others."""
    most = limits.metamerism_max
    means = [mean_spectrum(group) for group in spectra.values()]
    # With one spool, the spread is that of its readings.
    single = means if len(means) > 1 else next(iter(spectra.values()))

    def under(light: str, sample: Spectrum) -> Metamerism:
        own, observer = shade.conditions.illuminant, shade.conditions.observer_deg
        return metamerism(reference, sample, light, own, observer, limits.formula, limits.weights or None)

    tried = []
    for light in TEST_LIGHTS:
        if light != shade.conditions.illuminant:
            lot = under(light, mean_spectrum(means))
            rows = [under(light, spectrum).corrected.as_list() for spectrum in single]
            u = ColorUncertainty(estimate.of_repeats(rows, Instrument.of(readings)), estimate.lengths)
            tried.append((lot, difference(lot.reference, lot.corrected, u, limits, most, len(means), "the reference")))
    index, measured = max(tried, key=lambda pair: pair[0].index)
    others = "".join(f" The index under {one.test} is {one.index:.2f}." for one, _ in tried if one is not index)
    return replace(measured, value=index.index, detail=f"{_says(index)}{others}")


def _says(found: Metamerism) -> str:
    return (
        f"Under {found.test}, corrected for a match under {found.under}: {found.parts.direction}. "
        f"The difference corrected under {found.under} is {found.residual:.2f}."
    )
