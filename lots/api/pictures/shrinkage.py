"""Picture of shrinkage: a panel per axis with this and earlier lots, expanded uncertainties and limits."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Scale
from lots.api.pictures.sheet import SOFT, WIDE, Look, Sheet, leading, short, wrapped
from lots.domain.conformity.findings import decimals_of, shown
from lots.domain.conformity.guard import COVERAGE
from lots.domain.words import counted

PANEL = 230.0
# Maximum number of lots in a narrow picture.
MOST_NARROW = 5


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /lots/{id}/shrinkage-picture."""
    title = f"Shrinkage of lot {answer['supplier_lot']} and earlier lots"
    heading, intro = wrapped(title, look.inner, 18), wrapped(answer["says"], look.inner)
    axes = [axis for axis in answer["axes"] if axis["lots"]]
    begun = 54 + leading(18) * (len(heading) - 1)
    top = begun + leading(13) * len(intro) + (40 + look.key_height(4) if axes else 24)
    page = Sheet(look.width, top + PANEL * len(axes) + 12, title, answer["says"], look.place)
    for row, words in enumerate(heading):
        page.text((look.margin, 30 + leading(18) * row), words, size=18, bold=True)
    page.lines((look.margin, begun), intro)
    if axes:
        _key(page, look, top - 26 - look.key_height(4))
    else:
        nothing = "No earlier lot of this supplier and grade has been measured either."
        page.lines((look.margin, top - 8), wrapped(nothing, look.inner))
    for row, axis in enumerate(axes):
        _panel(page, axis, top + row * PANEL, look)
    return str(page)


def _key(page: Sheet, look: Look, at: float) -> None:
    this, earlier, doubt, sign = look.spots((34, 128, 250, look.width - 24), at)
    page.dot(this, 6)
    page.text((this[0] + 14, this[1] + 4), "this lot", size=12)
    page.dot(earlier, 4, fill=PAPER, wide=1.5)
    page.text((earlier[0] + (14 if look.narrow else 12), earlier[1] + 4), "earlier lot", size=12)
    page.bar_of_doubt((doubt[0], doubt[1] - 8), (doubt[0], doubt[1] + 8))
    page.text((doubt[0] + 14, doubt[1] + 4), f"expanded uncertainty (k = {COVERAGE:g}), if known", size=12)
    # This entry has no mark. In a column it is aligned with the texts above.
    start = (48.0, "start") if look.narrow else (sign[0], "end")
    page.text((start[0], sign[1] + 4), "Positive: part too short.", size=12, anchor=start[1])


def _panel(page: Sheet, axis: dict[str, Any], top: float, look: Look) -> None:
    lots, name, limits = axis["lots"], axis["axis"].upper(), axis["limit_percent"] or []
    lots = lots[-MOST_NARROW:] if look.narrow else lots
    floor = top + PANEL - 58
    half = [COVERAGE * (lot["uncertainty"] or 0.0) for lot in lots]
    ends = [lot["percent"] + sign * u for lot, u in zip(lots, half, strict=True) for sign in (-1, 1)]
    y = Scale.around([*ends, *limits], floor, top + 30)
    x = Scale(0.5, len(lots) + 0.5, look.left, look.end)
    this = next((lot for lot in lots if lot["this"]), None)
    said = "not measured on this lot"
    if this:
        said = f"{shown(this['percent'], decimals_of('shrinkage'))} % from {counted(this['spools'], 'spool')}"
    page.text((look.margin if look.narrow else look.left, top + 16), f"Along {name}: {said}", size=14, bold=True)
    page.ruler(y, look.left, upright=True, about=4)
    if not look.narrow:
        page.text((28, (y.start + y.end) / 2), "shrinkage, %", size=12, anchor="middle", turn=-90)
    page.line((look.left, floor), (look.end, floor))
    for end in limits:
        page.line((look.left, y(end)), (look.end, y(end)), wide=2, dash="10 3 2 3")
        page.text((look.end + 8, y(end) + 4), f"limit {end:g}", size=12, bold=True)
    if not limits:
        page.text((look.end + 8, top + 42), "no limit", size=12)
    _lots(page, lots, x, y, look)
    page.text((look.end + 8, floor + 17), "lot", size=12)
    page.text((look.end + 8, floor + 31), "n: spools", size=12, ink=SOFT)


def _lots(page: Sheet, lots: list[dict[str, Any]], x: Scale, y: Scale, look: Look) -> None:
    """Draws the lots with uncertainty and number of spools, and a line at each change of method."""
    before, floor, upper = None, y.start, y.end
    for number, lot in enumerate(lots, start=1):
        at, place, doubt = x(number), y(lot["percent"]), COVERAGE * (lot["uncertainty"] or 0.0)
        if before is not None and lot["read"] != before["read"]:
            between = x(number - 0.5)
            right = look.narrow and between > (x.start + x.end) / 2
            page.line((between, upper), (between, floor), dash="4 2")
            aside = (between - 4, "end") if right else (between + 4, "start")
            page.text((aside[0], upper + 10), "new series", size=11, anchor=aside[1])
        if doubt:
            page.bar_of_doubt((at, y(lot["percent"] - doubt)), (at, y(lot["percent"] + doubt)), wide=1)
        page.dot((at, place), 6 if lot["this"] else 4, fill=INK if lot["this"] else PAPER, wide=1.5)
        page.text(
            (at, floor + 17),
            short(lot["supplier_lot"], 5 if look.narrow else 9),
            size=11,
            anchor="middle",
            bold=lot["this"],
            verbatim=True,
        )
        page.text((at, floor + 31), f"n = {lot['spools']}", size=11, anchor="middle", ink=SOFT)
        before = lot
