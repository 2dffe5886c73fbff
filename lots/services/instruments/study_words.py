"""Results of instrument studies: figures by name, and sentences."""

from __future__ import annotations

import math
from typing import TypeAlias

from lots.domain.characteristics.declaring.declaration import Studied
from lots.domain.characteristics.registry import STUDIED
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA
from lots.domain.instruments.agreement import Agreement
from lots.domain.instruments.gauge_study import GaugeStudy
from lots.domain.instruments.linearity import Estimate, Linearity
from lots.domain.statistics.proportions import Interval
from lots.domain.words import counted
from lots.services.views import View
from lots.store.instruments.studies import Repeatability, pair
from lots.store.tables.studies import InstrumentStudy

# Results of each kind of study.
Shows: TypeAlias = GaugeStudy | Linearity | Agreement

# Significance level of the tests.
ALPHA = 0.05
# Distinct categories required of an instrument. Common practice, no source.
CATEGORIES = 5


def studied(row: InstrumentStudy | Repeatability) -> Studied:
    """Returns the measure that was studied."""
    return STUDIED[row.measure or ""]


def _ends(interval: Interval | None) -> dict[str, float | None]:
    return {"low": None, "high": None} if interval is None else {"low": interval.low, "high": interval.high}


def _repeatability(shows: GaugeStudy, row: InstrumentStudy) -> View:
    width = row.body.get("tolerance_width")
    anova = shows.anova
    return {
        **{name: getattr(shows, name) for name in ("parts", "operators", "repeats", "pooled")},
        "anova": [
            {"source": name, "ss": source.ss, "df": source.df, "ms": source.ms}
            for name in ("part", "operator", "interaction", "error")
            for source in [getattr(anova, name)]
        ],
        "f_interaction": anova.f_interaction,
        "p_interaction": anova.p_interaction,
        "variances": {name: getattr(shows, name) for name in ("repeatability", "operator", "interaction", "part")},
        "sd": shows.standard_deviations,
        "gauge_sd_low": math.sqrt(shows.gauge_interval.low),
        "gauge_sd_high": math.sqrt(shows.gauge_interval.high),
        "repeatability_sd_low": math.sqrt(shows.repeatability_interval.low),
        "repeatability_sd_high": math.sqrt(shows.repeatability_interval.high),
        "confidence": shows.gauge_interval.confidence,
        "percent_of_total": shows.percent_of_total,
        "percent_of_tolerance": None if width is None else shows.percent_of_tolerance(width),
        "categories": shows.categories,
    }


def _says_repeatability(shows: GaugeStudy, row: InstrumentStudy) -> list[str]:
    sd, unit = shows.standard_deviations, f" {studied(row).unit}".rstrip()
    low, high = math.sqrt(shows.gauge_interval.low), math.sqrt(shows.gauge_interval.high)
    confidence = f"{100 * shows.gauge_interval.confidence:g} %"
    says = [
        f"The standard deviation of one reading is {sd['gauge']:.3g}{unit} ({confidence} interval {low:.3g} to {high:.3g}{unit}).",
        f"Repeatability is {sd['repeatability']:.3g}{unit}, reproducibility {sd['reproducibility']:.3g}{unit}.",
    ]
    if shows.percent_of_total is not None:
        categories = (
            "no categories" if shows.categories is None else counted(shows.categories, "category", "categories")
        )
        says.append(
            f"The measurement spread is {shows.percent_of_total:.1f} % of the spread of all readings. The instrument distinguishes {categories}"
            f" among these parts (common practice: {CATEGORIES})."
        )
    if (width := row.body.get("tolerance_width")) is not None:
        percent = shows.percent_of_tolerance(width)
        says.append(f"The measurement spread is {percent:.1f} % of the tolerance, whose width is {width:g}{unit}.")
    return [*says, *shows.says]


def _estimate(found: Estimate) -> View:
    return {
        "value": found.value,
        "standard_error": found.standard_error,
        "df": found.df,
        **_ends(found.interval),
        "t": found.t,
        "p": found.p,
    }


def _digits(interval: Interval) -> int:
    """Returns the decimals that show half the width of an interval with two significant digits, 3 to 10."""
    half = (interval.high - interval.low) / 2
    return 3 if half <= 0 else min(10, max(3, 1 - math.floor(math.log10(half))))


def _signed(value: float, digits: int) -> str:
    """Returns a number with its sign, and zero without one."""
    return f"{value:+z.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"


def _linearity(shows: Linearity, row: InstrumentStudy) -> View:
    artefacts = row.body["artefacts"]
    return {
        **{name: _estimate(getattr(shows, name)) for name in ("slope", "intercept", "average")},
        **{name: getattr(shows, name) for name in ("residual_sd", "r_squared", "lack_of_fit_p", "low", "high", "n")},
        "confidence": shows.confidence,
        "biases": [
            {
                "code": artefact["code"],
                "reference": artefact["reference"],
                **_estimate(bias),
                "line": _estimate(shows.at(artefact["reference"])),
            }
            for artefact, bias in zip(artefacts, shows.biases, strict=True)
        ],
    }


def _says_linearity(shows: Linearity, row: InstrumentStudy) -> list[str]:
    about = studied(row)
    unit = f" {about.unit}".rstrip()
    over = f"from {shows.low:g} to {shows.high:g}{unit}"
    per, slope, ends = about.unit or f"unit of {about.label}", shows.slope, shows.slope.interval
    digits = _digits(ends)
    by = f"{_signed(slope.value, digits)}{unit} per {per} ({ends.low:z.{digits}f} to {ends.high:z.{digits}f})"
    if ends.low <= 0 <= ends.high:
        says = [f"The bias does not change significantly {over}: {by}."]
    else:
        says = [f"The bias changes {over} by {by}. The instrument is not linear."]
    where = [artefact["reference"] for artefact in row.body["artefacts"]]
    bands = {at: shows.at(at) for at in sorted(set(where))}
    off = [at for at, band in bands.items() if not band.interval.low <= 0 <= band.interval.high]
    if off:
        told = ", ".join(f"{_signed(bands[at].value, _digits(bands[at].interval))}{unit} at {at:g}" for at in off)
        says.append(f"The bias is significant: {told}. It is reported, but never applied to a reading.")
    else:
        says.append("No bias is significant at any of these values.")
    if shows.lack_of_fit_p is not None and shows.lack_of_fit_p < ALPHA:
        says.append(
            f"The biases do not fit a straight line (p = {shows.lack_of_fit_p:.2g}). Consider each artefact separately."
        )
    return says


def _agreement(shows: Agreement) -> View:
    code, most = shows.worst
    return {
        "formula": DEFAULT_FORMULA,
        "differences": [{"code": name, "delta_e": value} for name, value in shows.differences.items()],
        "mean_delta_e": shows.mean,
        "worst": {"code": code, "delta_e": most},
        "offsets": [
            {"component": o.component, "mean": o.mean, "sd": o.sd, **_ends(o.interval), "n": o.n} for o in shows.offsets
        ],
        "repeatability_first": shows.repeatability_first,
        "repeatability_second": shows.repeatability_second,
    }


def _says_agreement(shows: Agreement, row: InstrumentStudy) -> list[str]:
    code, most = shows.worst
    n = len(shows.differences)
    over = f"{counted(n, 'plaque')} ({DEFAULT_FORMULA})"
    first, second = pair(row)
    offsets = ", ".join(f"{offset.component}* {offset.mean:+z.2f}" for offset in shows.offsets)
    return [
        f"{second} and {first} differ by {shows.mean:.2f} on average over {over}, and by at most {most:.2f}, on {code}.",
        f"{second} differs from {first} by {offsets}. Offsets are reported, but never applied to a reading.",
    ]


def results(shows: Shows, row: InstrumentStudy) -> View:
    """Returns the figures of a study by name."""
    if isinstance(shows, GaugeStudy):
        return _repeatability(shows, row)
    return _linearity(shows, row) if isinstance(shows, Linearity) else _agreement(shows)


def says(shows: Shows, row: InstrumentStudy) -> list[str]:
    """Returns the results of a study in sentences."""
    if isinstance(shows, GaugeStudy):
        return _says_repeatability(shows, row)
    return _says_linearity(shows, row) if isinstance(shows, Linearity) else _says_agreement(shows, row)
