"""Picture of power curves: probability of acceptance, hold and rejection over the true value of a lot, per measure."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, Scale
from lots.api.pictures.sheet import SOFT, Sheet, leading, wrapped

WIDTH, LEFT, RIGHT, PANEL = 960.0, 70.0, 150.0, 300.0
# Curve, dash pattern, line width and legend.
_LINES = (("passes", None, 2.5, "accepted"), ("near", "6 4", 1.5, "held"), ("fails", "2 3", 1.5, "rejected"))


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of an answer of GET /decision-risk."""
    drawn = [one for one in answer["measures"] if one["curve"]]
    title = "Decision risks of limits and sample"
    intro = wrapped(answer["says"], WIDTH - 48)
    top = 62 + leading(13) * len(intro)
    page = Sheet(
        WIDTH,
        top + PANEL * max(len(drawn), 0.2) + 12,
        title,
        " ".join([answer["says"], *(one["says"] for one in drawn)]),
    )
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)
    if not drawn:
        page.text((24, top + 12), "No curve yet, since no standard deviation is known.")
    for row, one in enumerate(drawn):
        _panel(page, one, top + row * PANEL)
    return str(page)


def _panel(page: Sheet, one: dict[str, Any], top: float) -> None:
    said = wrapped(one["says"], WIDTH - 48)
    floor, ceiling = top + PANEL - 52, top + 34 + leading(12) * len(said)
    page.text((24, top + 14), one["label"], size=14, bold=True)
    page.lines((24, top + 32), said, size=12)
    curve = one["curve"]
    low, high = sorted((curve[0]["true"], curve[-1]["true"]))
    x = Scale(low, high, LEFT, WIDTH - RIGHT)
    y = Scale(0.0, 100.0, floor, ceiling)
    page.ruler(y, LEFT, upright=True, about=4)
    page.text((24, (floor + ceiling) / 2), "probability, %", size=12, anchor="middle", turn=-90)
    page.ruler(x, floor, about=8)
    page.text((LEFT, floor + 40), ", ".join(filter(None, ["true value", one["unit"]])), size=12, ink=SOFT)
    for end in one["limit"] if isinstance(one["limit"], list) else [one["limit"]]:
        if x.low <= end <= x.high:
            page.line((x(end), ceiling), (x(end), floor), dash="10 3 2 3")
            page.text((x(end) + 4, ceiling + 12), "limit", size=12, bold=True)
    for row, (name, dash, wide, words) in enumerate(_LINES):
        page.path([(x(point["true"]), y(100 * point[name])) for point in curve], wide=wide, dash=dash)
        at = ceiling + 16 + 20 * row
        page.line((WIDTH - RIGHT + 14, at), (WIDTH - RIGHT + 54, at), ink=INK, wide=wide, dash=dash)
        page.text((WIDTH - RIGHT + 60, at + 4), words, size=12)
