"""Picture of the next order: expected cost per usable kilogram of each supplier with its interval, by currency."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from lots.api.pictures.canvas import FAINT, INK, PAPER, Scale
from lots.api.pictures.sheet import PALE, SOFT, WIDE, Look, Sheet, leading, short, wrapped
from lots.domain.purchasing.by_use import for_words

_ROW = 40.0


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /next-order. Suppliers without a cost are listed below."""
    told = [line for line in answer["suppliers"] if line["expected_cost_per_usable_kg"] is not None]
    left = [line for line in answer["suppliers"] if line["expected_cost_per_usable_kg"] is None]
    fields = [(currency, list(lines)) for currency, lines in groupby(told, key=lambda line: line["currency"])]
    title = f"Next order: {answer['grade']} for {for_words(answer['use'])}"
    intro = wrapped(answer["says"], look.inner)
    rest = [row for line in left for row in wrapped(f"{line['supplier']}: cost unknown", look.inner, verbatim=True)]
    top = 62 + leading(13) * len(intro)
    height = top + sum(88 + _ROW * len(lines) for _, lines in fields) + leading(13) * len(rest) + 4
    page = Sheet(look.width, height, title, answer["says"], look.place)
    page.text((look.margin, 30), short(title, int(look.inner / 9)), size=16, bold=True)
    page.lines((look.margin, 54), intro)
    for currency, lines in fields:
        _field(page, look, currency, lines, top)
        top += 88 + _ROW * len(lines)
    page.lines((look.margin, top + 8), rest, ink=SOFT)
    return str(page)


def _field(page: Sheet, look: Look, currency: str, lines: list[dict[str, Any]], top: float) -> None:
    """Draws the costs in one currency. The axis ends at three times the largest expected cost, and longer intervals are cut."""
    costs = [line["expected_cost_per_usable_kg"] for line in lines]
    widest = max(costs + [line["high"] for line in lines if line["high"] is not None])
    most = min(widest, 3 * max(costs)) or 1.0
    left = look.margin if look.narrow else 220.0
    x = Scale(0.0, most, left, look.width - (look.margin + 72 if look.narrow else 170.0))
    page.text((look.margin, top + 12), f"{currency} per usable kg, with 95 % interval", size=13, bold=True)
    y = top + 40
    for line in lines:
        _supplier(page, look, x, line, y)
        y += _ROW
    page.ruler(x, y - 8, about=4 if look.narrow else 6)


def _supplier(page: Sheet, look: Look, x: Scale, line: dict[str, Any], y: float) -> None:
    words, cost = short(line["supplier"], 26), line["expected_cost_per_usable_kg"]
    # In a narrow picture the name is above its bar.
    page.text((look.margin, y - 10 if look.narrow else y + 5), words, size=12 if look.narrow else 13, verbatim=True)
    page.line((x.start, y), (x.end, y), ink=PALE)
    if line["low"] is not None:
        ends = [(min(x(line[end]), x.end), y) for end in ("low", "high")]
        page.bar_of_doubt(ends[0], ends[1])
        if line["high"] > x.high:
            page.text((x.end + 1, y + 4), "→", size=12)
    known = line["low"] is not None
    page.dot((x(cost), y), 5, fill=INK if known else PAPER, ink=INK if known else FAINT, wide=1.5)
    page.text((x.end + 14, y + 5), f"{cost:.2f}", bold=True, size=12 if look.narrow else 13)
