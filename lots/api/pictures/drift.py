"""Drift, drawn: a panel per measure with the lots in order, baseline, moving average and its limits, signals, and where a series starts anew."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import FAINT, INK, PAPER, Point, Scale
from lots.api.pictures.sheet import Sheet
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.words import counted

WIDTH, PANEL, HEAD = 960.0, 300.0, 44.0
LEFT, RIGHT, TOP, BOTTOM = 76.0, 120.0, 40.0, 50.0
FOOT = 46.0
KEY = (
    "Filled: lot accepted. Open: not accepted. Ringed: called by a chart. ▲ where the change began.",
    "Thin line: baseline. Dashed: moving average (EWMA) of the lots that are not part of it; dotted: its limits.",
)
# So many lots keep a label of their own.
MOST_LABELS = 16


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /drift answers."""
    shown = [line for line in answer["series"] if line["points"]]
    title = f"Drift over lots: {answer['supplier']}, {answer['grade']}"
    page = Sheet(WIDTH, HEAD + PANEL * max(1, len(shown)) + FOOT, title, answer["says"])
    page.text((LEFT, 28), title, size=18, bold=True)
    if not shown:
        page.text((LEFT, HEAD + 40), "No lot of this supplier and grade has been measured for it yet.")
    names = {lot["number"]: lot["supplier_lot"] for lot in answer["lots"]}
    for row, line in enumerate(shown):
        _panel(page, answer, line, HEAD + row * PANEL, names)
    for row, words in enumerate(KEY):
        page.text((LEFT, page.height - 28 + 16 * row), words, size=12)
    return str(page)


def _of(answer: dict[str, Any], part: str, measure: str) -> list[dict[str, Any]]:
    return [entry for entry in answer[part] if entry["measure"] == measure]


def _panel(page: Sheet, answer: dict[str, Any], line: dict[str, Any], top: float, names: dict[int, str]) -> None:
    measure, points = line["measure"], line["points"]
    charts = _of(answer, "charts", measure)
    limits = _ends(line["limit"])
    y, near = _upright(points, charts, limits, top)
    x = Scale.around([point["number"] for point in points], LEFT, WIDTH - RIGHT, 0.04)
    unit = f" ({line['unit']})" if line["unit"] else ""
    page.text((LEFT, top + 22), f"{line['label']}{unit}, {counted(len(points), 'lot')}", size=14, bold=True)
    _axes(page, x, y, [point["number"] for point in points], names, top)
    _limits(page, limits, near, y, top)
    stretches: dict[int, list[dict[str, Any]]] = {}
    for point in points:
        stretches.setdefault(point["stretch"], []).append(point)
    for base in _of(answer, "baseline", measure):
        mine = stretches.get(base["stretch"])
        if mine and base["mean"] is not None:
            ends = [(x(point["number"]), y(base["mean"])) for point in (mine[0], mine[-1])]
            page.line(*ends, ink=FAINT, wide=1.5)
    for chart in charts:
        _average(page, chart["points"], x, y)
    for mine in stretches.values():
        page.path([(x(point["number"]), y(point["value"])) for point in mine], wide=1)
    _lots(page, answer, line, x, y)
    _marks(page, answer, measure, x, top, points)


def _upright(
    points: list[dict[str, Any]], charts: list[dict[str, Any]], limits: list[float], top: float
) -> tuple[Scale, list[float]]:
    """The scale of the values, and the limits near enough to be drawn on it: one far away would flatten everything else."""
    seen = [point["value"] for point in points]
    seen += [chart[name] for part in charts for chart in part["points"] for name in ("ewma_low", "ewma_high")]
    low, high = min(seen), max(seen)
    reach = 1.5 * (high - low) or 1.0
    near = [end for end in limits if low - reach <= end <= high + reach]
    return Scale.around([*seen, *near], top + PANEL - BOTTOM, top + TOP), near


def _lots(page: Sheet, answer: dict[str, Any], line: dict[str, Any], x: Scale, y: Scale) -> None:
    called = _called(answer, line["measure"])
    standing = {lot["number"]: lot["standing"] for lot in answer["lots"]}
    for point in line["points"]:
        at: Point = (x(point["number"]), y(point["value"]))
        page.dot(at, 4, fill=INK if standing[point["number"]] in LOADABLE else PAPER, wide=1.5)
        if point["number"] in called:
            page.dot(at, 8, fill="none", wide=1.5)


def _ends(limit: Any) -> list[float]:
    """The ends that a limit has."""
    return [end for end in (limit if isinstance(limit, list) else [limit]) if end is not None]


def _called(answer: dict[str, Any], measure: str) -> set[int]:
    """Numbers of the lots within a signal."""
    spans = [(s["first"]["number"], s["last"]["number"]) for s in _of(answer, "signals", measure)]
    return {number for first, last in spans for number in range(first, last + 1)}


def _axes(page: Sheet, x: Scale, y: Scale, numbers: list[int], names: dict[int, str], top: float) -> None:
    bottom = top + PANEL - BOTTOM
    page.ruler(y, LEFT, upright=True, about=4)
    page.line((LEFT, bottom), (WIDTH - RIGHT, bottom))
    every = -(-len(numbers) // MOST_LABELS)
    for number in numbers[::every]:
        page.line((x(number), bottom), (x(number), bottom + 4))
        page.text((x(number), bottom + 18), str(number), size=12, anchor="middle")
        page.text((x(number), bottom + 32), names[number][:10], size=10, anchor="middle", ink="#555555", verbatim=True)
    page.text((WIDTH - RIGHT + 8, bottom + 18), "lot number", size=12)


def _limits(page: Sheet, limits: list[float], near: list[float], y: Scale, top: float) -> None:
    for end in limits:
        if end in near:
            page.line((LEFT, y(end)), (WIDTH - RIGHT, y(end)), wide=2, dash="10 3 2 3")
            page.text((WIDTH - RIGHT + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
        else:
            above = end > y.high
            place = top + TOP + 12 if above else top + PANEL - BOTTOM - 6
            page.text((WIDTH - RIGHT + 8, place), f"{'↑' if above else '↓'} limit {end:g}", size=12)


def _average(page: Sheet, points: list[dict[str, Any]], x: Scale, y: Scale) -> None:
    points = [point for point in points if not point["in_baseline"]]
    if not points:
        return
    for name in ("ewma_low", "ewma_high"):
        page.path([(x(p["number"]), y(p[name])) for p in points], ink=FAINT, dash="2 3")
    page.path([(x(p["number"]), y(p["ewma"])) for p in points], wide=2.5, dash="7 4")
    last = points[-1]
    page.text((x(last["number"]) + 12, y(last["ewma"]) + 4), "average (EWMA)", size=11)


def _marks(
    page: Sheet, answer: dict[str, Any], measure: str, x: Scale, top: float, points: list[dict[str, Any]]
) -> None:
    bottom = top + PANEL - BOTTOM
    numbers = [point["number"] for point in points]
    for mark in _of(answer, "marks", measure):
        if mark["before_number"] < numbers[0]:
            continue
        at = x(mark["before_number"]) - (x(numbers[-1]) - x(numbers[0])) / max(1, 2 * len(numbers))
        page.line((at, top + TOP), (at, bottom), wide=1.5, dash="4 2")
        page.text(
            (at + 4, top + TOP + 10),
            "another instrument, bridged" if mark["bridged"] else "read otherwise from here",
            size=11,
        )
    for signal in _of(answer, "signals", measure):
        if signal["active"] and signal["side"]:
            at = x(max(signal["began"]["number"], numbers[0]))
            page.triangle((at, bottom - 7))
            said = f"▲ {signal['direction']} since about lot {signal['began']['supplier_lot']}"
            page.text((WIDTH - RIGHT, top + 22), said, anchor="end", bold=True)
