"""Shrinkage, drawn: a panel per axis with the supplier's lots before this one, each with its expanded uncertainty, and the limits."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Scale
from lots.api.pictures.sheet import SOFT, Sheet, leading, short, wrapped
from lots.domain.conformity.findings import decimals_of, shown
from lots.domain.conformity.guard import COVERAGE
from lots.domain.words import counted

WIDTH, LEFT, RIGHT, PANEL = 960.0, 86.0, 150.0, 230.0


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /lots/{id}/shrinkage-picture answers."""
    title = f"Shrinkage of lot {answer['supplier_lot']} and the supplier's lots before it"
    intro = wrapped(answer["says"], WIDTH - 48)
    axes = [axis for axis in answer["axes"] if axis["lots"]]
    top = 54 + leading(13) * len(intro) + (40 if axes else 24)
    page = Sheet(WIDTH, top + PANEL * len(axes) + 12, title, answer["says"])
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)
    if axes:
        _key(page, top - 26)
    else:
        page.text((24, top - 8), "Nor was that of an earlier lot of this supplier and grade: there is nothing to draw.")
    for row, axis in enumerate(axes):
        _panel(page, axis, top + row * PANEL)
    return str(page)


def _key(page: Sheet, at: float) -> None:
    page.dot((34, at), 6)
    page.text((48, at + 4), "this lot", size=12)
    page.dot((128, at), 4, fill=PAPER, wide=1.5)
    page.text((140, at + 4), "an earlier lot", size=12)
    page.bar_of_doubt((250, at - 8), (250, at + 8))
    page.text((264, at + 4), f"expanded uncertainty (k = {COVERAGE:g}), where it is known", size=12)
    page.text((WIDTH - 24, at + 4), "Positive: the part came out short.", size=12, anchor="end")


def _panel(page: Sheet, axis: dict[str, Any], top: float) -> None:
    lots, name, limits = axis["lots"], axis["axis"].upper(), axis["limit_percent"] or []
    floor = top + PANEL - 58
    half = [COVERAGE * (lot["uncertainty"] or 0.0) for lot in lots]
    ends = [lot["percent"] + sign * u for lot, u in zip(lots, half, strict=True) for sign in (-1, 1)]
    y = Scale.around([*ends, *limits], floor, top + 30)
    x = Scale(0.5, len(lots) + 0.5, LEFT, WIDTH - RIGHT)
    this = next((lot for lot in lots if lot["this"]), None)
    said = "not measured on this lot"
    if this:
        said = f"{shown(this['percent'], decimals_of('shrinkage'))} % from {counted(this['spools'], 'spool')}"
    page.text((LEFT, top + 16), f"Along {name}: {said}", size=14, bold=True)
    page.ruler(y, LEFT, upright=True, about=4)
    page.text((28, (y.start + y.end) / 2), "%", size=12, anchor="middle")
    page.line((LEFT, floor), (WIDTH - RIGHT, floor))
    for end in limits:
        page.line((LEFT, y(end)), (WIDTH - RIGHT, y(end)), wide=2, dash="10 3 2 3")
        page.text((WIDTH - RIGHT + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
    if not limits:
        page.text((WIDTH - RIGHT + 8, top + 42), "no limit is set", size=12)
    before = None
    for number, (lot, doubt) in enumerate(zip(lots, half, strict=True), start=1):
        at, place = x(number), y(lot["percent"])
        if before is not None and lot["read"] != before["read"]:
            page.line((x(number - 0.5), top + 30), (x(number - 0.5), floor), dash="4 2")
            page.text((x(number - 0.5) + 4, top + 40), "read otherwise from here", size=11)
        if doubt:
            page.bar_of_doubt((at, y(lot["percent"] - doubt)), (at, y(lot["percent"] + doubt)), wide=1)
        page.dot((at, place), 6 if lot["this"] else 4, fill=INK if lot["this"] else PAPER, wide=1.5)
        page.text(
            (at, floor + 17), short(lot["supplier_lot"], 9), size=11, anchor="middle", bold=lot["this"], verbatim=True
        )
        page.text((at, floor + 31), f"n = {lot['spools']}", size=11, anchor="middle", ink=SOFT)
        before = lot
    page.text((WIDTH - RIGHT + 8, floor + 17), "lot", size=12)
    page.text((WIDTH - RIGHT + 8, floor + 31), "n: spools", size=12, ink=SOFT)
