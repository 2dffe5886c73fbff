"""Picture of drift: a panel per measure with lots, baseline, moving average, control limits, signals, breaks and projection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lots.api.pictures.canvas import FAINT, INK, PAPER, Point, Scale
from lots.api.pictures.sheet import Look, Sheet, leading, short, wrapped
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.conformity.guard import COVERAGE
from lots.domain.words import counted

PANEL, HEAD = 300.0, 44.0
TOP, BOTTOM = 40.0, 50.0
WIDE, NARROW = Look(960.0, 76.0, 120.0), Look(360.0, 50.0, 84.0)
KEY = (
    "Filled: lot accepted for at least one use. Open: not accepted. Ringed: signalled by a chart. ▲: start of the change.",
    "Vertical line through a lot: expanded uncertainty (k = 2), if known.",
    "Thin line: baseline. Dashed: moving average (EWMA) of lots outside the baseline. Dotted: its control limits.",
    "◆: projected lot at the limit, with its interval.",
)
# Maximum number of lot labels, and of lots in a narrow picture.
MOST_LABELS, MOST_NARROW = 16, 12
# A crossing further ahead than this share of the lots shown is only stated in words.
_AHEAD = 0.6


@dataclass(frozen=True, slots=True)
class _Panel:
    """One measure and its position on the sheet. `upper` and `floor` are the edges of its field."""

    look: Look
    line: dict[str, Any]
    points: list[dict[str, Any]]
    upper: float
    floor: float
    x: Scale
    y: Scale

    @property
    def numbers(self) -> list[int]:
        return [point["number"] for point in self.points]

    def holds(self, number: int) -> bool:
        """Returns True if the lot with this number is shown."""
        return number >= self.numbers[0]


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /drift. A narrow one shows the newest lots."""
    lines = [line for line in answer["series"] if line["points"]]
    title = f"Drift over lots: {answer['supplier']}, {answer['grade']}"
    heading = wrapped(title, look.inner, 18) if look.narrow else [title]
    key = [row for words in KEY for row in wrapped(words, look.inner, 12)]
    begun = HEAD + leading(18) * (len(heading) - 1)
    words = [_said(answer, line, look) for line in lines]
    tops = [begun]
    for said in words:
        tops.append(tops[-1] + PANEL + leading(13) * (len(said) - 1))
    end = tops[-1] if lines else begun + PANEL
    page = Sheet(look.width, end + leading(12) * len(key) + 14, title, answer["says"], look.place)
    start = look.margin if look.narrow else look.left
    for row, part in enumerate(heading):
        page.text((start, 28 + leading(18) * row), part, size=18, bold=True)
    if not lines:
        nothing = "No measured lots of this supplier and grade yet."
        page.lines((start, begun + 40), wrapped(nothing, look.inner))
    for line, said, top in zip(lines, words, tops, strict=False):
        for row, part in enumerate(said):
            page.text((start, top + 22 + leading(13) * row), part, size=13 if row else 14, bold=not row)
        _panel(page, answer, _placed(answer, line, top + leading(13) * (len(said) - 1), look))
    page.lines((start, end + 16), key, size=12)
    return str(page)


def _of(answer: dict[str, Any], part: str, measure: str) -> list[dict[str, Any]]:
    return [entry for entry in answer[part] if entry["measure"] == measure]


def _said(answer: dict[str, Any], line: dict[str, Any], look: Look) -> list[str]:
    """Returns the heading of a panel: measure, signals and projected crossing of the limit."""
    unit = f" ({line['unit']})" if line["unit"] else ""
    shown = _shown(line, look)
    count = counted(len(shown), "lot") if len(shown) == len(line["points"]) else f"the newest {len(shown)} lots"
    said = [f"{line['label']}{unit}, {count}"]
    said += [
        f"▲ {signal['direction']} since about lot {signal['began']['supplier_lot']}"
        for signal in _of(answer, "signals", line["measure"])
        if signal["active"] and signal["side"]
    ]
    for ahead in _of(answer, "projection", line["measure"]):
        if ahead["about"] is not None:
            between = _between(ahead)
            said.append(f"◆ Limit {ahead['limit']:g} reached at about lot {ahead['about']}{between}")
    return [row for words in said for row in wrapped(words, look.inner if look.narrow else look.width, 13)]


def _between(ahead: dict[str, Any]) -> str:
    """Returns the interval of lots for a crossing."""
    first, last = ahead["earliest"], ahead["latest"]
    if first is None:
        return ""
    return f" (lot {first} or later)" if last is None else f" (lot {first} to lot {last})"


def _shown(line: dict[str, Any], look: Look) -> list[dict[str, Any]]:
    points: list[dict[str, Any]] = line["points"]
    return points[-MOST_NARROW:] if look.narrow else points


def _placed(answer: dict[str, Any], line: dict[str, Any], top: float, look: Look) -> _Panel:
    points = _shown(line, look)
    upper, floor = top + TOP, top + PANEL - BOTTOM
    numbers = [point["number"] for point in points]
    ahead = [end for one in _of(answer, "projection", line["measure"]) if (end := _near(one, numbers))]
    x = Scale.around([*numbers, *ahead], look.left, look.end, 0.04)
    seen = [value for point in points for value in _interval(point)]
    charts = [chart for part in _of(answer, "charts", line["measure"]) for chart in part["points"]]
    seen += [chart[name] for chart in charts if chart["number"] >= numbers[0] for name in ("ewma_low", "ewma_high")]
    low, high = min(seen), max(seen)
    # A distant limit would flatten the series.
    reach = 1.5 * (high - low) or 1.0
    near = [end for end in _ends(line["limit"]) if low - reach <= end <= high + reach]
    return _Panel(look, line, points, upper, floor, x, Scale.around([*seen, *near], floor, upper))


def _interval(point: dict[str, Any]) -> tuple[float, float]:
    """Returns the value of a lot minus and plus its expanded uncertainty, or the value twice if unknown."""
    half = COVERAGE * (point["uncertainty"] or 0.0)
    return point["value"] - half, point["value"] + half


def _near(ahead: dict[str, Any], numbers: list[int]) -> int | None:
    """Returns the last lot of a crossing that is near enough to be drawn, else None."""
    if ahead["about"] is None:
        return None
    most = numbers[-1] + max(4, round(_AHEAD * (numbers[-1] - numbers[0])))
    ends = [end for end in (ahead["latest"], ahead["about"]) if end is not None and end <= most]
    return ends[0] if ends and ahead["about"] <= most else None


def _panel(page: Sheet, answer: dict[str, Any], panel: _Panel) -> None:
    measure, x, y = panel.line["measure"], panel.x, panel.y
    _axes(page, panel, {lot["number"]: lot["supplier_lot"] for lot in answer["lots"]})
    _limits(page, panel)
    stretches: dict[int, list[dict[str, Any]]] = {}
    for point in panel.points:
        stretches.setdefault(point["stretch"], []).append(point)
    for base in _of(answer, "baseline", measure):
        mine = stretches.get(base["stretch"])
        if mine and base["mean"] is not None and y.low <= base["mean"] <= y.high:
            ends = [(x(point["number"]), y(base["mean"])) for point in (mine[0], mine[-1])]
            page.line(*ends, ink=FAINT, wide=1.5)
    for chart in _of(answer, "charts", measure):
        _average(page, panel, [point for point in chart["points"] if panel.holds(point["number"])])
    for mine in stretches.values():
        page.path([(x(point["number"]), y(point["value"])) for point in mine], wide=1)
    _ahead(page, panel, _of(answer, "projection", measure))
    _lots(page, answer, panel)
    _marks(page, answer, panel)


def _lots(page: Sheet, answer: dict[str, Any], panel: _Panel) -> None:
    called = _called(answer, panel.line["measure"])
    standing = {lot["number"]: lot["standing"] for lot in answer["lots"]}
    for point in panel.points:
        across = panel.x(point["number"])
        at: Point = (across, panel.y(point["value"]))
        if point["uncertainty"]:
            low, high = _interval(point)
            page.bar_of_doubt((across, panel.y(low)), (across, panel.y(high)), wide=1)
        page.dot(at, 4, fill=INK if standing[point["number"]] in LOADABLE else PAPER, wide=1.5)
        if point["number"] in called:
            page.dot(at, 8, fill="none", wide=1.5)


def _ahead(page: Sheet, panel: _Panel, projections: list[dict[str, Any]]) -> None:
    """Draws the projection to the limit, with its interval of lots."""
    last = panel.numbers[-1]
    for one in projections:
        if not _near(one, panel.numbers) or one["slope"] is None or not panel.y.low <= one["limit"] <= panel.y.high:
            continue
        meets = (panel.x(one["about"]), panel.y(one["limit"]))
        before = one["limit"] - one["slope"] * (one["about"] - last)
        if one["about"] > last and panel.y.low <= before <= panel.y.high:
            page.line((panel.x(last), panel.y(before)), meets, wide=1.5, dash="3 3")
        if one["earliest"] is not None:
            ends = [
                min(max(panel.x(end), panel.x.start), panel.x.end) for end in (one["earliest"], one["latest"] or 10**6)
            ]
            page.bar_of_doubt((ends[0], meets[1]), (ends[1], meets[1]), wide=3)
        page.area(
            [(meets[0], meets[1] - 7), (meets[0] + 7, meets[1]), (meets[0], meets[1] + 7), (meets[0] - 7, meets[1])],
            fill=INK,
        )


def _ends(limit: Any) -> list[float]:
    """Returns the ends of a limit."""
    return [end for end in (limit if isinstance(limit, list) else [limit]) if end is not None]


def _called(answer: dict[str, Any], measure: str) -> set[int]:
    """Returns the numbers of the lots within a signal."""
    spans = [(s["first"]["number"], s["last"]["number"]) for s in _of(answer, "signals", measure)]
    return {number for first, last in spans for number in range(first, last + 1)}


def _axes(page: Sheet, panel: _Panel, names: dict[int, str]) -> None:
    look, floor, numbers = panel.look, panel.floor, panel.numbers
    page.ruler(panel.y, look.left, upright=True, about=4)
    page.line((look.left, floor), (look.end, floor))
    # The newest lot is always labelled.
    for number in numbers[:: -max(1, -(-len(numbers) // (4 if look.narrow else MOST_LABELS)))]:
        at = panel.x(number)
        page.line((at, floor), (at, floor + 4))
        page.text((at, floor + 18), str(number), size=12, anchor="middle")
        page.text((at, floor + 32), short(names[number], 10), size=10, anchor="middle", ink="#555555", verbatim=True)
    page.text((look.end + 8, floor + 18), "lot number", size=12)


def _limits(page: Sheet, panel: _Panel) -> None:
    look, y = panel.look, panel.y
    for end in _ends(panel.line["limit"]):
        if y.low <= end <= y.high:
            page.line((look.left, y(end)), (look.end, y(end)), wide=2, dash="10 3 2 3")
            page.text((look.end + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
        else:
            above = end > y.high
            place = panel.upper + 12 if above else panel.floor - 6
            page.text((look.end + 8, place), f"{'↑' if above else '↓'} limit {end:g}", size=12)


def _average(page: Sheet, panel: _Panel, charted: list[dict[str, Any]]) -> None:
    points = [point for point in charted if not point["in_baseline"]]
    if not points:
        return
    x, y = panel.x, panel.y
    for name in ("ewma_low", "ewma_high"):
        page.path([(x(p["number"]), y(p[name])) for p in points], ink=FAINT, dash="2 3")
    page.path([(x(p["number"]), y(p["ewma"])) for p in points], wide=2.5, dash="7 4")
    last = points[-1]
    words = "EWMA" if panel.look.narrow else "average (EWMA)"
    page.text((x(last["number"]) + 12, y(last["ewma"]) + 4), words, size=11)


def _marks(page: Sheet, answer: dict[str, Any], panel: _Panel) -> None:
    numbers, x, measure = panel.numbers, panel.x, panel.line["measure"]
    for mark in _of(answer, "marks", measure):
        if not panel.holds(mark["before_number"]):
            continue
        at = x(mark["before_number"] - 0.5)
        page.line((at, panel.upper), (at, panel.floor), wide=1.5, dash="4 2")
        words = "new instrument, bridged" if mark["bridged"] else "new series"
        right = at > (x.start + x.end) / 2
        page.text((at + (-4 if right else 4), panel.upper + 10), words, size=11, anchor="end" if right else "start")
    for signal in _of(answer, "signals", measure):
        if signal["active"] and signal["side"]:
            page.triangle((x(max(signal["began"]["number"], numbers[0])), panel.floor - 7))
