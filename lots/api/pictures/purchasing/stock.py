"""Picture of stock: a bar of kilograms by state for each grade and use, with days left."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Scale
from lots.api.pictures.sheet import PALE, SOFT, Look, Sheet, leading, short, wrapped
from lots.domain.purchasing.stock_outlook import days_words, rounded_kg
from lots.domain.words import counted, hyphenated

WIDE, NARROW = Look(960.0, 210.0, 230.0), Look(360.0, 12.0, 12.0)
# Maximum number of lines drawn. Short stock comes first and is kept.
MOST = 30
# State, text and fill of its part of the bar.
_PARTS = (
    ("loadable_kg", "may be loaded", INK),
    ("conceded_kg", "under concession", "hatched"),
    ("on_machines_kg", "on machines", SOFT),
    ("quarantined_kg", "in quarantine", PALE),
    ("held_back_kg", "held back", PAPER),
    ("not_permitted_kg", "not for this use", PAPER),
    ("blocked_kg", "blocked", PAPER),
)
_KEY = (
    ("may be loaded", INK),
    ("under concession", "hatched"),
    ("on machines", SOFT),
    ("in quarantine", PALE),
    ("held back, not for this use or blocked", PAPER),
)
_HIGH = 14.0


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /stock."""
    title, items = "Stock by grade and use", answer["items"][:MOST]
    intro = wrapped(answer["says"], look.inner)
    says = [wrapped(_words(item), _room(look), 11) for item in items]
    key_top = 48 + leading(13) * len(intro)
    top = key_top + (20 * len(_KEY) if look.narrow else 20) + 16
    heights = [_height(look, lines) for lines in says]
    left_out = len(answer["items"]) - len(items)
    size = top + sum(heights) + (36 if items else 0) + (20 if left_out else 0)
    page = Sheet(look.width, size, title, answer["says"], look.place)
    page.text((look.margin, 28), title, size=18, bold=True)
    page.lines((look.margin, 50), intro)
    if not items:
        return str(page)
    _key(page, look, key_top)
    x = Scale(0, max(item["total_kg"] for item in items) or 1.0, look.left, look.end)
    y = top
    for item, lines, high in zip(items, says, heights, strict=True):
        _line(page, look, item, lines, x, y)
        y += high
    page.ruler(x, y, unit=" kg", about=3 if look.narrow else 5)
    if left_out:
        page.text((look.margin, y + 40), f"{counted(left_out, 'more line')} in the table only.", size=12)
    return str(page)


def _room(look: Look) -> float:
    return look.end - look.left


def _height(look: Look, lines: list[str]) -> float:
    return (70 if look.narrow else 34) + leading(11) * len(lines)


def _key(page: Sheet, look: Look, top: float) -> None:
    spots = look.spots([look.margin] * len(_KEY) if look.narrow else [24, 170, 330, 460, 590], top)
    for (words, fill), (left, y) in zip(_KEY, spots, strict=True):
        _fill(page, left, y, 24, fill)
        page.text((left + 30, y + 11), words, size=12)


def _fill(page: Sheet, left: float, top: float, wide: float, fill: str) -> None:
    if fill == "hatched":
        page.hatched((left, top), wide, _HIGH, apart=4)
    else:
        page.box((left, top), wide, _HIGH, fill=fill)


def _line(page: Sheet, look: Look, item: dict[str, Any], lines: list[str], x: Scale, top: float) -> None:
    use = "any use" if item["use"] is None else hyphenated(item["use"])
    at = top + 32 if look.narrow else top
    page.text((look.margin, top + 12), short(item["grade"], 28), bold=True, verbatim=True)
    page.text((look.margin, top + 27), use, size=12, ink=SOFT)
    left = x.start
    for name, _, fill in _PARTS:
        wide = x(item[name]) - x.start
        if wide > 0:
            _fill(page, left, at, wide, fill)
            left += wide
    if not item["total_kg"]:
        page.line((x.start, at), (x.start, at + _HIGH), wide=2)
    page.lines((x.start, at + _HIGH + 13), lines, size=11)
    beside = (look.end, top + 12) if look.narrow else (look.end + 12, top + 12)
    anchor = "end" if look.narrow else "start"
    page.text(beside, _days(item), size=13, bold=item["short"] is True, anchor=anchor)
    if item["short"] is not None:
        below = "short: order now" if item["short"] else "sufficient"
        page.text((beside[0], top + 27), below, size=12, bold=item["short"], anchor=anchor)


def _days(item: dict[str, Any]) -> str:
    if not item["ready_kg"] and item["short"]:
        return "0 days left"
    if item["days_low"] is None:
        return "days left unknown"
    return f"{days_words(item['days_low'], item['days_high'])} days left"


def _words(item: dict[str, Any]) -> str:
    """Returns the kilograms of each nonempty state as text."""
    parts = [f"{rounded_kg(item[name]):.2f} kg {words}" for name, words, _ in _PARTS if item[name]]
    return ", ".join(parts) or "nothing in stock"
