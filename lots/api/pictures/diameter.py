"""Diameter along the spools, drawn: both axes as lines of their own, what lies between them shaded, the limits, a panel for each spool."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import PAPER, Scale
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.words import counted

WIDTH, LEFT, RIGHT, PANEL = 960.0, 86.0, 150.0, 210.0
_FIRST, _SECOND = "9 4", "2 3"
# More spools than this have no panel: those that go furthest from nominal are kept.
MOST = 12


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /lots/{id}/diameter-profile answers."""
    title = f"Diameter along lot {answer['supplier_lot']}"
    intro = wrapped(answer["says"], WIDTH - 48)
    spools = _shown(answer)
    notes = list(answer["notes"])
    if left := len(answer["spools"]) - len(spools):
        notes.append(f"{counted(left, 'more spool')}, nearer to nominal than these, in the figures only.")
    rows = [row for note in notes for row in wrapped(note, WIDTH - 48, 12)]
    top = 54 + leading(13) * len(intro) + (40 if spools else 8)
    page = Sheet(WIDTH, top + PANEL * len(spools) + leading(12) * len(rows) + 12, title, answer["says"])
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)
    if spools:
        _key(page, top - 26)
    y_of = _heights(answer, spools)
    for row, spool in enumerate(spools):
        _panel(page, answer, spool, top + row * PANEL, y_of)
    page.lines((24, top + PANEL * len(spools) + 14), rows, size=12)
    return str(page)


def _shown(answer: dict[str, Any]) -> list[dict[str, Any]]:
    """The spools that get a panel, in the order of the answer."""
    nominal: float = answer["nominal_mm"]

    def off(spool: dict[str, Any]) -> float:
        apart: list[float] = [abs(p[name] - nominal) for p in spool["points"] for name in ("d1_mm", "d2_mm")]
        return max(apart)

    kept = {spool["spool_code"] for spool in sorted(answer["spools"], key=off, reverse=True)[:MOST]}
    return [spool for spool in answer["spools"] if spool["spool_code"] in kept]


def _heights(answer: dict[str, Any], spools: list[dict[str, Any]]) -> tuple[float, float]:
    """The lowest and highest diameter of all panels, so that they can be compared."""
    seen = [point[name] for spool in spools for point in spool["points"] for name in ("d1_mm", "d2_mm")]
    scale = Scale.around([*seen, answer["nominal_mm"], *(answer["reading_limit_mm"] or [])], 0, 1)
    return scale.low, scale.high


def _key(page: Sheet, at: float) -> None:
    page.line((28, at), (74, at), wide=1.5, dash=_FIRST)
    page.dot((51, at), 3.5)
    page.text((82, at + 4), "first axis", size=12)
    page.line((160, at), (206, at), wide=1.5, dash=_SECOND)
    page.dot((183, at), 3.5, fill=PAPER, wide=1.5)
    page.text((214, at + 4), "second axis, at right angles", size=12)
    page.box((400, at - 6), 40, 12, fill=PALE, ink=None)
    page.text((448, at + 4), "between them: ovality", size=12)
    page.dot((610, at), 8, fill="none", wide=1.5)
    page.text((626, at + 4), "ringed: outside a limit", size=12)


def _panel(
    page: Sheet, answer: dict[str, Any], spool: dict[str, Any], top: float, heights: tuple[float, float]
) -> None:
    points, known = spool["points"], spool["positions_noted"]
    floor = top + PANEL - 52
    y = Scale(*heights, floor, top + 30)
    places = [point["position_m"] for point in points] if known else list(range(1, len(points) + 1))
    x = Scale.around(places, LEFT, WIDTH - RIGHT, 0.04)
    page.text((LEFT, top + 16), _heading(answer, spool), bold=True)
    upper = [(x(place), y(point["d1_mm"])) for place, point in zip(places, points, strict=True)]
    lower = [(x(place), y(point["d2_mm"])) for place, point in zip(places, points, strict=True)]
    page.area([*upper, *reversed(lower)], fill=PALE)
    page.ruler(y, LEFT, upright=True, about=4)
    page.text((28, (y.start + y.end) / 2), "mm", size=12, anchor="middle")
    _positions(page, x, places, floor, known=known)
    _limits(page, answer, y)
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
        words.append(f"{spool['outside']} outside")
    return ", ".join(words)


def _between(limit: list[float] | None) -> str:
    return f" (limit {limit[0]:g} to {limit[1]:g})" if limit else ""


def _most(limit: float | None) -> str:
    return "" if limit is None else f" (limit {limit:g})"


def _positions(page: Sheet, x: Scale, places: list[float], floor: float, *, known: bool) -> None:
    page.line((LEFT, floor), (WIDTH - RIGHT, floor))
    # Readings without a position are only counted: there is nothing between the first and the second.
    for tick in x.ticks(8) if known else places[:: -(-len(places) // 24)]:
        page.line((x(tick), floor), (x(tick), floor + 4))
        page.text((x(tick), floor + 17), f"{tick:g}", size=12, anchor="middle")
    words = "m from the free end" if known else "reading (place not noted)"
    page.text((WIDTH - RIGHT, floor + 34), words, size=12, anchor="end", ink=SOFT)


def _limits(page: Sheet, answer: dict[str, Any], y: Scale) -> None:
    nominal = answer["nominal_mm"]
    page.line((LEFT, y(nominal)), (WIDTH - RIGHT, y(nominal)), ink=SOFT)
    page.text((WIDTH - RIGHT + 8, y(nominal) + 4), f"nominal {nominal:g}", size=12)
    for end in answer["reading_limit_mm"] or []:
        page.line((LEFT, y(end)), (WIDTH - RIGHT, y(end)), wide=2, dash="10 3 2 3")
        page.text((WIDTH - RIGHT + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
