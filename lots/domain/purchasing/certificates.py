"""Comparison of a supplier's certificates with the shop's own findings: bias between laboratories, and lots that certificates would pass.

A certificate is no evidence for a lot. This file assesses no lot, and no assessment imports it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from statistics import NormalDist

from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.declaring.declaration import Measure
from lots.domain.characteristics.registry import JUDGED, MEASURES
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.statistics.proportions import Interval, wilson
from lots.domain.statistics.quantiles import student

# Least lots for an interval, since the spread of fewer differences is hardly known. This project's choice, no source.
FEWEST = 3
# Share of the differences of single lots between the limits of agreement.
SHARE = 0.95
# Colour difference from the reference; it follows from the three coordinates.
DELTA_E = "color.lot_delta_e"


def counting(stated: Sequence[Collection[str]]) -> dict[str, int]:
    """Returns for each measure of a delivery the index of the newest certificate that states it.

    A colour difference is left out where all three coordinates count and one of them is newer, since it follows from them.

    Args:
        stated: the measures of each certificate of a delivery, the newest certificate first.

    Example:
        >>> counting([["color.component_b"], ["diameter.mean", "color.component_b"]])
        {'color.component_b': 0, 'diameter.mean': 1}
    """
    found: dict[str, int] = {}
    for place, measures in enumerate(stated):
        for name in measures:
            found.setdefault(name, place)
    if (
        DELTA_E in found
        and all(name in found for name in VECTOR)
        and min(found[name] for name in VECTOR) < found[DELTA_E]
    ):
        del found[DELTA_E]
    return found


@dataclass(frozen=True, slots=True)
class Compared:
    """One measure of one lot, stated by the supplier and measured by the shop.

    Args:
        lot_id: the lot.
        certificate: value on the certificate, in the unit of the measure.
        shop: the shop's own value of the lot, in the same unit.
        limit: limit of the shop's assessment; None without a limit on this measure.
        failed: whether the shop found the lot outside that limit.
    """

    lot_id: int
    certificate: float
    shop: float
    limit: Limit | None = None
    failed: bool = False

    @property
    def difference(self) -> float:
        """Certificate minus shop, in the unit of the measure."""
        return self.certificate - self.shop


@dataclass(frozen=True, slots=True)
class Bias:
    """Bias of the certificates relative to the shop's values.

    Args:
        n: lots with both values, >= 1.
        mean: mean of certificate minus shop, in the unit of the measure.
        sd: standard deviation of the differences, >= 0; None for a single lot.
        standard_error: standard error of the mean difference, sd / sqrt(n); None for a single lot.
        interval: confidence interval of the mean difference; None with fewer than three lots, or where all differences are equal.
        agreement: 95 % limits of agreement, for normal differences; None as for `interval`.
    """

    n: int
    mean: float
    sd: float | None
    standard_error: float | None
    interval: Interval | None
    agreement: tuple[float, float] | None

    @property
    def significant(self) -> bool:
        """True where the interval excludes zero."""
        return self.interval is not None and not self.interval.low <= 0 <= self.interval.high


def bias(differences: Sequence[float], confidence: float = 0.95) -> Bias | None:
    """Returns the bias of certificates relative to the shop's values, None without a difference.

    Args:
        differences: certificate minus shop, one for each lot, in the unit of the measure.
        confidence: of the interval of the mean, 0 < confidence < 1. It holds at a single look.

    Notes:
        Lots are taken as independent, and differences as normal. Equal differences only show that values were rounded, so they have no interval.

    Reference:
        Bland and Altman 1986, Lancet i, 307-310 (from memory): mean difference with Student's interval, limits of agreement mean +- 1.96 sd.

    Example:
        >>> found = bias([0.010, 0.014, 0.012, 0.016])
        >>> round(found.mean, 4), round(found.interval.low, 4), round(found.interval.high, 4)
        (0.013, 0.0089, 0.0171)
        >>> bias([0.010, 0.014]).interval is None, bias([]) is None
        (True, True)
    """
    n = len(differences)
    if n == 0:
        return None
    mean = math.fsum(differences) / n
    if n == 1:
        return Bias(1, mean, None, None, None, None)
    sd = math.sqrt(math.fsum((one - mean) ** 2 for one in differences) / (n - 1))
    error = sd / math.sqrt(n)
    if n < FEWEST or sd <= BINARY_NOISE:
        return Bias(n, mean, sd, error, None, None)
    half, reach = student(n - 1, confidence) * error, NormalDist().inv_cdf((1 + SHARE) / 2) * sd
    return Bias(n, mean, sd, error, Interval(mean - half, mean + half, confidence), (mean - reach, mean + reach))


@dataclass(frozen=True, slots=True)
class Share:
    """Share of lots on which certificate and shop disagree; the interval is Wilson's, None without a lot."""

    count: int
    of: int
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Judgements:
    """Disagreements between certificate and shop on one measure.

    Args:
        let_pass: among lots outside the limit by the shop, those within it by the certificate.
        held_back: among lots not outside the limit by the shop, those outside it by the certificate.
    """

    let_pass: Share
    held_back: Share


def judgements(measure: str, lots: Sequence[Compared], confidence: float = 0.95) -> Judgements:
    """Returns the disagreements between certificates and the shop on one measure. Lots without a limit on it are left out.

    Each stated value is assessed by simple acceptance, because the shop's guard band does not apply to it.

    Args:
        measure: a key of MEASURES.
        lots: each with both values.
        confidence: of the intervals at a single look, 0 < confidence < 1.

    Reference:
        Intervals: Wilson 1927, J. Am. Stat. Assoc. 22, 209-212.

    Example:
        >>> most = Limit(None, 1.0)
        >>> seen = judgements("color.lot_delta_e", [Compared(1, 0.8, 1.4, most, True), Compared(2, 0.5, 0.6, most)])
        >>> seen.let_pass.count, seen.let_pass.of, seen.held_back.count, seen.held_back.of
        (1, 1, 0, 1)
    """
    code = codes_of(measure)[:1]
    limited = [(one, one.limit) for one in lots if one.limit is not None] if code else []
    within = {one.lot_id: _within(code[0], one.certificate, limit) for one, limit in limited}
    failed = [one for one, _ in limited if one.failed]
    others = [one for one, _ in limited if not one.failed]
    passes = sum(within[one.lot_id] for one in failed)
    outside = sum(not within[one.lot_id] for one in others)
    return Judgements(_share(passes, len(failed), confidence), _share(outside, len(others), confidence))


def codes_of(measure: str) -> list[str]:
    """Returns the codes of the findings on a measure, such as `diameter.spool_mean` for `diameter.mean`."""
    return [code for code, one in JUDGED.items() if measure in (code, one.follows)]


def _within(code: str, value: float, limit: Limit) -> bool:
    return judge(code, Measured(value, 1), limit, DecisionRule()).verdict == "pass"


def _share(count: int, of: int, confidence: float) -> Share:
    return Share(count, of, wilson(count, of, confidence) if of else None)


@dataclass(frozen=True, slots=True)
class StatedDoubt:
    """An implausible value on a certificate: its field, the fault, and the hint."""

    member: str
    detail: str
    hint: str


def doubt_stated(
    measure: str, value: float, nominal_mm: float, limits: Mapping[str, Limit | None], known: Sequence[str]
) -> StatedDoubt | None:
    """Returns the fault of a value on a certificate, None where it is plausible.

    Args:
        measure: as it was written.
        value: in the unit of the measure.
        nominal_mm: the grade's nominal diameter, mm.
        limits: on the grade's measures.
        known: measures stated before on the same certificate.

    Example:
        >>> doubt_stated("diameter.mean", 0.0689, 1.75, {}, []).hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
        >>> doubt_stated("diameter.mean", -1.75, 1.75, {}, []).hint
        'A diameter is above 0 mm. Check the certificate.'
        >>> doubt_stated("diameter.maen", 1.75, 1.75, {}, []).hint
        'Did you mean diameter.mean or diameter.mean_ovality?'
        >>> doubt_stated("shrinkage.x", 0.003, 1.75, {"shrinkage.x": Limit(0.1, 0.5, "%")}, []).hint
        'This looks like a fraction: 0.003 is 0.3 %. Enter percent.'
    """
    about = MEASURES.get(measure)
    if about is None:
        near = get_close_matches(measure[:60], list(MEASURES), n=2, cutoff=0.6)
        hint = f"Did you mean {' or '.join(near)}?" if near else f"Write one of: {', '.join(MEASURES)}."
        return StatedDoubt("measure", "This measure is not followed over lots.", hint)
    if measure in known:
        return StatedDoubt("measure", f"{about.label} is stated twice.", "State each measure once.")
    if found := about.doubt(value, nominal_mm):
        # A hint to measure again does not apply to a certificate.
        slip = found.hint if value > 0 and not found.hint.startswith("Measure again") else ""
        above = "" if value > 0 else "A diameter is above 0 mm. "
        return StatedDoubt("value", found.detail, slip or f"{above}Check the certificate.")
    return _out_of_range(about, value) or _fraction(about, value, limits.get(measure))


def _out_of_range(about: Measure, value: float) -> StatedDoubt | None:
    if about.plausible is None:
        return None
    low, high = about.plausible
    if low <= value <= high:
        return None
    unit = f" {about.unit}" if about.unit else ""
    detail = f"{value:g}{unit} is not plausible for {about.label}. The range is {low:g} to {high:g}{unit}."
    if about.meant:
        return StatedDoubt("value", detail, about.meant)
    for factor, slip, meant in _SLIPS.get(about.unit, ()):
        if low <= value * factor <= high:
            return StatedDoubt("value", detail, f"This looks like {slip}: it is {value * factor:g}{unit}. {meant}")
    return StatedDoubt("value", detail, f"Enter {about.unit}." if about.unit else "Check the value and its unit.")


# Unit of a measure -> (conversion factor, name of the mistaken unit, hint).
_SLIPS = {
    "mm": ((0.001, "micrometres", "Enter millimetres."),),
    "MPa": ((0.00689476, "pounds per square inch", "Enter megapascals."),),
    "": ((0.01, "percent", "Enter a ratio."),),
}


def _fraction(about: Measure, value: float, limit: Limit | None) -> StatedDoubt | None:
    """Returns the fault of a percentage outside its limit that would be inside it as a fraction."""
    if about.unit != "%" or value == 0 or limit is None or limit.allows(value) or not limit.allows(100 * value):
        return None
    hint = f"This looks like a fraction: {value:g} is {100 * value:g} %. Enter percent."
    return StatedDoubt("value", f"{value:g} % is outside the limit ({limit}).", hint)
