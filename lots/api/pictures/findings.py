"""Picture of the findings of a lot: a bar for each with limit, guard band, value and uncertainty, on comparable scales."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from lots.api.http.site_address import place_here
from lots.api.pictures.canvas import INK, PAPER, Canvas, Point
from lots.api.pictures.sheet import SOFT, Sheet, leading, short, wrapped
from lots.domain.conformity.findings import LABELS, digits_of
from lots.domain.conformity.guard import COVERAGE
from lots.domain.conformity.limits import Limit
from lots.domain.words import counted
from lots.services.setup.place import Place

# Positions of the limits along every bar, for comparison: 0 is the left end, 1 the right end.
LOW_END, HIGH_END = 0.25, 0.75
WORST_FIRST = ("fail", "near", "missing", "pass")
VERDICTS = {"fail": "✖ fail", "near": "≈ undecided", "missing": "? not measured", "pass": "✔ pass"}
ROW_WIDTH, ROW_HEIGHT = 320.0, 46.0
_INSIDE, _NEAR, _OUTSIDE = "#d5e8d8", "#f6dfa4", "#ececea"
_TRACK = 18.0
WIDTH, _LABELS, _BARS, _WORDS, _LINE = 960.0, 24.0, 330.0, 676.0, 62.0


@dataclass(frozen=True, slots=True)
class Bar:
    """The drawn parts of a finding, as shares of its bar from left to right.

    Args:
        low, high: Ends of the limit, None for a missing end.
        near: Guard bands inside the limit.
        value: Position of the value, None without one. A value beyond the bar is at its end.
        beyond: -1 or 1 for a value beyond the left or right end, else 0.
        whisker: Ends of the uncertainty, None if unknown or beyond the bar.
        cut: Whether the whisker extends beyond the left and the right end.
    """

    low: float | None
    high: float | None
    near: tuple[tuple[float, float], ...] = ()
    value: float | None = None
    beyond: int = 0
    whisker: tuple[float, float] | None = None
    cut: tuple[bool, bool] = (False, False)

    @property
    def inside(self) -> tuple[float, float]:
        """The permitted part of the bar."""
        return (0.0 if self.low is None else self.low, 1.0 if self.high is None else self.high)


def limit_of(finding: Mapping[str, Any]) -> Limit | None:
    """Returns the limit of a finding in an answer; None without one, and if the side of a single number is unknown.

    Decisions do not store the side. It then follows from the margin of the value.
    """
    given = finding["limit"]
    if isinstance(given, list):
        low, high = (_finite(end) for end in given)
        return None if low is None or high is None else Limit(low, high, finding["unit"])
    end, value, margin = _finite(given), _finite(finding["value"]), _finite(finding["margin"])
    if end is None:
        return None
    side = 0.0 if value is None or margin is None else margin * (value - end)
    kind = finding.get("limit_kind")
    if kind == "at least" or (kind is None and side > 0):
        return Limit(end, None, finding["unit"])
    return Limit(None, end, finding["unit"]) if kind == "at most" or side < 0 else None


def placed(finding: Mapping[str, Any]) -> Bar | None:
    """Returns the positions of a finding along its bar; None without a limit.

    A lower limit is at one quarter of the bar, an upper limit at three quarters. A one-sided limit is scaled by its distance from 0.

    Example:
        >>> found = {"limit": [1.7, 1.8], "unit": "mm", "value": 1.775, "margin": 0.025, "guard_band": 0.01}
        >>> bar = placed({**found, "interval_95": [1.763, 1.787], "uncertainty": 0.006})
        >>> round(bar.value, 3), [round(end, 3) for end in bar.whisker], [round(end, 3) for end in bar.near[1]]
        (0.625, [0.565, 0.685], [0.7, 0.75])
    """
    limit = limit_of(finding)
    if limit is None:
        return None
    scale = _Along(limit)
    return Bar(
        low=None if limit.low is None else LOW_END,
        high=None if limit.high is None else HIGH_END,
        near=tuple(_near(limit, scale, _finite(finding["guard_band"]))),
        **_value(limit, scale, _finite(finding["value"])),
        **_whisker(finding, scale),
    )


@dataclass(frozen=True, slots=True)
class _Along:
    """A scale from values to shares of a bar, also beyond its ends."""

    limit: Limit

    def __call__(self, value: float) -> float:
        low, high = self.limit.low, self.limit.high
        if low is not None and high is not None:
            half = (high - low) / 2
            if half <= 0:
                # Only one value is permitted. It is in the middle, and all others are beyond the bar.
                return 0.5 if self.limit.allows(value) else math.copysign(2.0, value - low)
            return 0.5 + (value - low - half) / half * (HIGH_END - LOW_END) / 2
        end, at = (low, LOW_END) if low is not None else (high or 0.0, HIGH_END)
        return at + (value - end) / (abs(end) or 1.0) * (1 - LOW_END)


def _near(limit: Limit, scale: _Along, guard: float | None) -> Iterable[tuple[float, float]]:
    """Yields the guard bands as shares of the bar."""
    if guard is None or guard <= 0:
        return
    floor = 0.0 if limit.low is None else LOW_END
    ceiling = 1.0 if limit.high is None else HIGH_END
    if limit.low is not None:
        yield LOW_END, min(ceiling, scale(limit.low + guard))
    if limit.high is not None:
        yield max(floor, scale(limit.high - guard)), HIGH_END


def _value(limit: Limit, scale: _Along, value: float | None) -> dict[str, Any]:
    if value is None:
        return {}
    at = scale(value)
    if limit.allows(value):
        # A permitted value is always drawn inside the limit.
        at = min(max(at, 0.0 if limit.low is None else LOW_END), 1.0 if limit.high is None else HIGH_END)
    return {"value": min(max(at, 0.0), 1.0), "beyond": -1 if at < 0 else int(at > 1)}


def _whisker(finding: Mapping[str, Any], scale: _Along) -> dict[str, Any]:
    ends = _interval(finding)
    if ends is None:
        return {}
    low, high = sorted(scale(end) for end in ends)
    if high < 0 or low > 1:
        return {}
    return {"whisker": (max(low, 0.0), min(high, 1.0)), "cut": (low < 0, high > 1)}


def _interval(finding: Mapping[str, Any]) -> tuple[float, float] | None:
    """Returns the 95 % interval, or the value with its expanded uncertainty."""
    if given := finding["interval_95"]:
        low, high = (_finite(end) for end in given)
        return None if low is None or high is None else (low, high)
    value, uncertainty = _finite(finding["value"]), _finite(finding["uncertainty"])
    if value is None or not uncertainty:
        return None
    return value - COVERAGE * uncertainty, value + COVERAGE * uncertainty


def _finite(value: Any) -> float | None:
    """Returns a finite number, else None."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class Row:
    """The texts of a finding beside its bar."""

    label: str
    verdict: str
    value: str
    limit: str
    margin: str
    n: str

    @property
    def says(self) -> str:
        """The finding as one sentence, for people who cannot see the bar."""
        parts = [part for part in (self.value, self.limit and f"limit {self.limit}", self.margin, self.n) if part]
        return f"{VERDICTS[self.verdict][2:].capitalize()}: {', '.join(parts) or 'no value'}."


def row(finding: Mapping[str, Any], place: Place | None = None) -> Row:
    """Returns the texts beside the bar of a finding, in the number format of `place`, by default that of the site."""
    place = place or place_here()
    limit, value = limit_of(finding), _finite(finding["value"])
    subject = f" ({finding['subject']})" if finding["subject"] else ""
    label = LABELS.get(finding["code"], finding["measure"].replace("_", " ").capitalize()) + subject
    unit = f" {finding['unit']}" if finding["unit"] else ""
    if value is None or limit is None:
        return Row(label, finding["verdict"], "", "" if limit is None else place.prose(str(limit)), "", "")
    guard = _finite(finding["guard_band"]) if finding["verdict"] == "near" else None
    digits = digits_of(finding["code"], value, limit, guard)
    off = limit.margin(value)
    margin = f"{'inside' if limit.allows(value) else 'outside'} by {place.number(abs(off), digits)}{unit}"
    return Row(
        label,
        finding["verdict"],
        f"{place.number(value, digits)}{unit}",
        place.prose(str(limit)),
        margin,
        f"n = {finding['n']}",
    )


def worst_first(findings: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Returns findings in order of urgency, failures first."""
    return sorted(findings, key=lambda finding: WORST_FIRST.index(finding["verdict"]))


def draw_row(finding: Mapping[str, Any], place: Place | None = None) -> str:
    """Returns the bar of one finding as a picture; empty without a limit."""
    bar = placed(finding)
    if bar is None:
        return ""
    place = place or place_here()
    words = row(finding, place)
    page = Canvas(ROW_WIDTH, ROW_HEIGHT, words.label, words.says, place)
    _bar(page, finding, bar, (8, 4), ROW_WIDTH - 16, place)
    return str(page)


def draw(answer: Mapping[str, Any], place: Place | None = None) -> str:
    """Returns the picture of an answer of GET /lots/{id}/assessment."""
    place = place or place_here()
    findings = worst_first(answer["findings"])
    tally = [f"{sum(f['verdict'] == name for f in findings)} {VERDICTS[name][2:]}" for name in WORST_FIRST]
    says = f"{counted(len(findings), 'finding')}: {', '.join(tally)}." if findings else "Nothing has been assessed yet."
    title = f"Findings of lot number {answer['lot_id']}"
    top = 84 + leading(12) * len(_KEY)
    page = Sheet(WIDTH, top + _LINE * len(findings) + 8, title, says, place)
    page.text((24, 30), title, size=18, bold=True)
    page.text((24, 54), says)
    page.lines((24, 78), _KEY, size=12, ink=SOFT)
    for number, finding in enumerate(findings):
        _line(page, finding, top + _LINE * number, place)
    return str(page)


_KEY = (
    "Green: inside the limit. Yellow, to the dashed line: guard band, undecided. Grey: outside the limit.",
    "Line through a value: its 95 % interval. Arrow: value beyond the bar.",
)


def _line(page: Sheet, finding: Mapping[str, Any], top: float, place: Place) -> None:
    words = row(finding, place)
    page.line((24, top - 6), (WIDTH - 24, top - 6), ink=_OUTSIDE)
    page.lines((_LABELS, top + 14), wrapped(short(words.label, 76), _BARS - _LABELS - 20)[:2], size=13)
    verdict = "? not enough readings" if words.verdict == "missing" and words.value else VERDICTS[words.verdict]
    page.text((_LABELS, top + 48), verdict, size=13, bold=True)
    if bar := placed(finding):
        _bar(page, finding, bar, (_BARS, top + 2), ROW_WIDTH, place)
    if words.value:
        page.text((_WORDS, top + 14), f"{words.value} ({words.n})", size=13, bold=True)
        page.lines((_WORDS, top + 32), [f"limit {words.limit}", words.margin], size=12)
    else:
        todo = finding["to_measure"] or ""
        page.lines((_WORDS, top + 14), wrapped(short(place.prose(todo), 110), WIDTH - _WORDS - 24, 12)[:3], size=12)


def _bar(page: Canvas, finding: Mapping[str, Any], bar: Bar, corner: Point, width: float, place: Place) -> None:
    """Draws the bar, with the limits as numbers below."""
    left, top = corner

    def at(share: float) -> float:
        return left + width * share

    middle, foot = top + _TRACK / 2, top + _TRACK
    page.box(corner, width, _TRACK, fill=_OUTSIDE, ink=None)
    first, last = bar.inside
    page.box((at(first), top), at(last) - at(first), _TRACK, fill=_INSIDE, ink=None)
    for start, end in bar.near:
        page.box((at(start), top), at(end) - at(start), _TRACK, fill=_NEAR, ink=None)
    for start, end in bar.near:
        inner = end if start == bar.low else start
        page.line((at(inner), top), (at(inner), foot), dash="2 2")
    limit = limit_of(finding)
    ends = ((bar.low, limit.low), (bar.high, limit.high)) if limit else ()
    for share, value in ends:
        if share is not None and value is not None:
            page.line((at(share), top - 3), (at(share), foot + 4), wide=2.5)
            page.text((at(share), foot + 18), place.number(value), size=13, anchor="middle")
    if bar.whisker:
        _doubt(page, bar, at, middle)
    if bar.value is not None:
        _mark(page, finding["verdict"], bar, (at(bar.value), middle))


def _doubt(page: Canvas, bar: Bar, at: Any, middle: float) -> None:
    low, high = bar.whisker or (0.0, 0.0)
    page.line((at(low), middle), (at(high), middle), wide=2)
    for end, cut in ((low, bar.cut[0]), (high, bar.cut[1])):
        if not cut:
            page.line((at(end), middle - 5), (at(end), middle + 5), wide=2)


def _mark(page: Canvas, verdict: str, bar: Bar, place: Point) -> None:
    """Draws the value: a filled dot for pass, an open dot for undecided, a cross for fail, an arrow beyond the bar."""
    x, y = place
    if bar.beyond:
        tip = x + 7 * bar.beyond
        page.area([(tip, y), (x - 5 * bar.beyond, y - 8), (x - 5 * bar.beyond, y + 8)], fill=INK)
    elif verdict == "fail":
        page.cross(place, 5, wide=3)
    else:
        page.dot(place, 5, fill=INK if verdict == "pass" else PAPER, wide=2)
