"""Picture of the diameter along the spools: both diameters, the ovality between them and the limits, a panel per spool."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Scale
from lots.api.pictures.sheet import PALE, SOFT, WIDE, Look, Sheet, leading, short, wrapped
from lots.domain.words import counted

PANEL = 210.0
_FIRST, _SECOND = "9 4", "2 3"
# Maximum number of panels. Spools that deviate most from nominal are shown.
MOST, MOST_NARROW = 12, 4


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /lots/{id}/diameter-profile."""
    title = f"Diameter along lot {answer['supplier_lot']}"
    intro = wrapped(answer["says"], look.inner)
    spools = _shown(answer, MOST_NARROW if look.narrow else MOST)
    notes = list(answer["notes"])
    if left := len(answer["spools"]) - len(spools):
        where = "large picture" if look.narrow else "figures"
        notes.append(f"{counted(left, 'more spool')} nearer to nominal: see the {where}.")
    rows = [row for note in notes for row in wrapped(note, look.inner, 12)]
    top = 54 + leading(13) * len(intro) + (40 + look.key_height(4) if spools else 8)
    headings = [
        wrapped(_heading(answer, spool), look.inner) if look.narrow else [_heading(answer, spool)] for spool in spools
    ]
    tops = [top]
    for heading in headings:
        tops.append(tops[-1] + PANEL + leading(13) * (len(heading) - 1))
    page = Sheet(look.width, tops[-1] + leading(12) * len(rows) + 12, title, answer["says"], look.place)
    page.text((look.margin, 30), title, size=18, bold=True)
    page.lines((look.margin, 54), intro)
    if spools:
        _key(page, look, top - 26 - look.key_height(4))
    y_of = _heights(answer, spools)
    for spool, heading, at in zip(spools, headings, tops, strict=False):
        for row, words in enumerate(heading):
            page.text((look.margin if look.narrow else look.left, at + 16 + leading(13) * row), words, bold=True)
        _panel(page, answer, spool, at + leading(13) * (len(heading) - 1), (look, *y_of))
    page.lines((look.margin, tops[-1] + 14), rows, size=12)
    return str(page)


def _shown(answer: dict[str, Any], most: int) -> list[dict[str, Any]]:
    """Returns the spools with a panel, in the order of the answer."""
    nominal: float = answer["nominal_mm"]

    def off(spool: dict[str, Any]) -> float:
        apart: list[float] = [abs(p[name] - nominal) for p in spool["points"] for name in ("d1_mm", "d2_mm")]
        return max(apart)

    kept = {spool["spool_code"] for spool in sorted(answer["spools"], key=off, reverse=True)[:most]}
    return [spool for spool in answer["spools"] if spool["spool_code"] in kept]


def _heights(answer: dict[str, Any], spools: list[dict[str, Any]]) -> tuple[float, float]:
    """Returns the lowest and highest diameter of all panels, for a common scale."""
    seen = [point[name] for spool in spools for point in spool["points"] for name in ("d1_mm", "d2_mm")]
    scale = Scale.around([*seen, answer["nominal_mm"], *(answer["reading_limit_mm"] or [])], 0, 1)
    return scale.low, scale.high


def _key(page: Sheet, look: Look, at: float) -> None:
    first, second, between, ringed = look.spots((28, 190, 440, 640), at)
    for (x, y), dash, fill in ((first, _FIRST, INK), (second, _SECOND, PAPER)):
        page.line((x, y), (x + 46, y), wide=1.5, dash=dash)
        page.dot((x + 23, y), 3.5, fill=fill, wide=1.0 if fill == INK else 1.5)
    page.box((between[0], between[1] - 6), 40, 12, fill=PALE, ink=None)
    page.dot((ringed[0] + (22 if look.narrow else 0), ringed[1]), 8, fill="none", wide=1.5)
    for (x, y), aside, words in (
        (first, 54, "first diameter"),
        (second, 54, "second diameter, perpendicular"),
        (between, 54 if look.narrow else 48, "difference: ovality"),
        (ringed, 54 if look.narrow else 16, "ringed: outside a limit"),
    ):
        page.text((x + aside, y + 4), words, size=12)


def _panel(
    page: Sheet, answer: dict[str, Any], spool: dict[str, Any], top: float, scale: tuple[Look, float, float]
) -> None:
    points, known = spool["points"], spool["positions_noted"]
    look, low, high = scale
    floor = top + PANEL - 52
    y = Scale(low, high, floor, top + 30)
    places = [point["position_m"] for point in points] if known else list(range(1, len(points) + 1))
    x = Scale.around(places, look.left, look.end, 0.04)
    upper = [(x(place), y(point["d1_mm"])) for place, point in zip(places, points, strict=True)]
    lower = [(x(place), y(point["d2_mm"])) for place, point in zip(places, points, strict=True)]
    page.area([*upper, *reversed(lower)], fill=PALE)
    page.ruler(y, look.left, upright=True, about=4)
    if not look.narrow:
        page.text((28, (y.start + y.end) / 2), "diameter, mm", size=12, anchor="middle", turn=-90)
    _positions(page, x, places, floor, known=known)
    _limits(page, answer, x, y)
    if len(points) == 1:
        page.line(upper[0], lower[0], ink=PALE, wide=8)
    page.path(upper, wide=1.5, dash=_FIRST)
    page.path(lower, wide=1.5, dash=_SECOND)
    for one, other, point in zip(upper, lower, points, strict=True):
        page.dot(one, 3.5)
        page.dot(other, 3.5, fill=PAPER, wide=1.5)
        if point["outside"] or point["too_oval"]:
            for place in {one, other}:
                page.dot(place, 8, fill="none", wide=1.5)


def _heading(answer: dict[str, Any], spool: dict[str, Any]) -> str:
    worst = max(point["ovality_mm"] for point in spool["points"])
    words = [
        f"Spool {short(spool['spool_code'], 24)}: {counted(len(spool['points']), 'position')}",
        f"mean {spool['mean_mm']:.3f} mm{_between(answer['mean_limit_mm'])}",
        f"largest ovality {worst:.3f} mm{_most(answer['ovality_max_mm'])}",
    ]
    if spool["outside"]:
        words.append(f"{spool['outside']} outside limits")
    return ", ".join(words)


def _between(limit: list[float] | None) -> str:
    return f" (limit {limit[0]:g} to {limit[1]:g})" if limit else ""


def _most(limit: float | None) -> str:
    return "" if limit is None else f" (limit {limit:g})"


def _positions(page: Sheet, x: Scale, places: list[float], floor: float, *, known: bool) -> None:
    page.line((x.start, floor), (x.end, floor))
    # Readings without a position are only numbered, so only whole ticks make sense.
    for tick in (
        x.ticks(8 if x.end > 400 else 4) if known else places[:: -(-len(places) // int((x.end - x.start) // 29))]
    ):
        page.line((x(tick), floor), (x(tick), floor + 4))
        page.text((x(tick), floor + 17), f"{tick:g}", size=12, anchor="middle")
    words = "distance from the free end, m" if known else "reading number (position not recorded)"
    page.text((x.end, floor + 34), words, size=12, anchor="end", ink=SOFT)


def _limits(page: Sheet, answer: dict[str, Any], x: Scale, y: Scale) -> None:
    nominal = answer["nominal_mm"]
    page.line((x.start, y(nominal)), (x.end, y(nominal)), ink=SOFT)
    page.text((x.end + 8, y(nominal) + 4), f"nominal {nominal:g}", size=12)
    for end in answer["reading_limit_mm"] or []:
        page.line((x.start, y(end)), (x.end, y(end)), wide=2, dash="10 3 2 3")
        page.text((x.end + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
