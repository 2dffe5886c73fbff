"""A lot's colour, drawn: differences in the a*b* plane with the limit's true outline, lightness beside it, and what a screen shows."""

from __future__ import annotations

import math
from typing import Any

from lots.api.pictures.canvas import PAPER, Point, Scale
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, text_width, wrapped
from lots.domain.words import counted

WIDTH, SIDE, LEFT, TOP = 960.0, 440.0, 86.0, 44.0
_STRIP, _PATCHES = 600.0, 716.0


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /lots/{id}/color-map answers."""
    title = f"Colour of lot {answer['supplier_lot']} against its reference"
    intro = wrapped(answer["says"], WIDTH - 48)
    notes = [row for note in answer["notes"] for row in wrapped(note, WIDTH - 48, 12)]
    top = TOP + leading(13) * len(intro) + 30
    if answer["reference"] is None:
        page = Sheet(WIDTH, top + leading(12) * len(notes) + 10, title, answer["says"])
        _head(page, title, intro)
        page.lines((24, top), notes, size=12)
        return str(page)
    foot = top + SIDE + 62
    key = _key(answer)
    page = Sheet(WIDTH, foot + 24 * len(key) + leading(12) * len(notes) + 16, title, answer["says"])
    _head(page, title, intro)
    reach = _reach(answer)
    x = Scale(-reach, reach, LEFT, LEFT + SIDE)
    y = Scale(-reach, reach, top + SIDE, top)
    _plane(page, answer, x, y, top)
    _lightness(page, answer, y, top)
    _patches(page, answer, top)
    for row, (mark, words) in enumerate(key):
        at = foot + 24 * row
        _sample(page, mark, (52, at - 4))
        page.text((88, at), words, size=12)
    page.lines((24, foot + 24 * len(key) + 4), notes, size=12)
    return str(page)


def _head(page: Sheet, title: str, intro: list[str]) -> None:
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)


def _reach(answer: dict[str, Any]) -> float:
    """How far from the reference the plane goes: everything that is drawn, with some room."""
    seen = [part for ring in (answer["outline"], answer["outline_at_lot"]) for point in ring for part in point]
    seen += [spool[name] for spool in answer["spools"] for name in ("dL", "da", "db")]
    if lot := answer["lot"]:
        unsure = lot["uncertainty"] or (0.0, 0.0, 0.0)
        wide = [answer["coverage_factor"] * u for u in unsure]
        seen += [abs(lot[name]) + u for name, u in zip(("dL", "da", "db"), wide, strict=True)]
    return 1.15 * max(map(abs, seen), default=0.0) or 1.0


def _plane(page: Sheet, answer: dict[str, Any], x: Scale, y: Scale, top: float) -> None:
    page.line((x.start, y(0)), (x.end, y(0)), ink=PALE)
    page.line((x(0), y.start), (x(0), y.end), ink=PALE)
    page.box((LEFT, top), SIDE, SIDE)
    page.ruler(x, top + SIDE)
    page.ruler(y, LEFT, upright=True)
    page.text((LEFT, top + SIDE + 36), "← greener", size=12)
    page.text((LEFT + SIDE / 2, top + SIDE + 36), "da*, lot less reference", size=12, anchor="middle", bold=True)
    page.text((LEFT + SIDE, top + SIDE + 36), "redder →", size=12, anchor="end")
    page.text((34, top + SIDE), "← bluer", size=12, turn=-90)
    page.text((34, top + SIDE / 2), "db*, lot less reference", size=12, anchor="middle", bold=True, turn=-90)
    page.text((34, top), "yellower →", size=12, anchor="end", turn=-90)
    for name, dash in (("outline", None), ("outline_at_lot", "7 5")):
        if ring := [(x(da), y(db)) for da, db in answer[name]]:
            page.outline(ring, wide=1.5, dash=dash)
    page.dot((x(0), y(0)), 7, fill="none", wide=1.5)
    page.dot((x(0), y(0)), 1.5)
    for spool in answer["spools"]:
        page.dot((x(spool["da"]), y(spool["db"])), 3.5)
    lot = answer["lot"]
    if lot is None:
        return
    middle = (x(lot["da"]), y(lot["db"]))
    if lot["uncertainty"]:
        across, down = (answer["coverage_factor"] * u for u in lot["uncertainty"][1:])
        page.ellipse(middle, x(across) - x(0), y(0) - y(down), dash="2 3")
    page.cross(middle, 6)
    if len(answer["spools"]) > 1:
        far = max(answer["spools"], key=lambda spool: spool["delta_e"])
        _beside(
            page,
            (x(far["da"]), y(far["db"])),
            f"{short(far['spool_code'], 20)}: {page.place.number(far['delta_e'], 2)}",
            x,
        )


def _beside(page: Sheet, at: Point, words: str, x: Scale) -> None:
    """Names a dot on the side where there is room."""
    right = at[0] < (x.start + x.end) / 2
    # Paper below the words, so that no line runs through them.
    wide = text_width(words, 11)
    page.box((at[0] + 7 if right else at[0] - 7 - wide, at[1] - 18), wide, 14, fill=PAPER, ink=None)
    page.text(
        (at[0] + (9 if right else -9), at[1] - 7), words, size=11, anchor="start" if right else "end", verbatim=True
    )


def _lightness(page: Sheet, answer: dict[str, Any], y: Scale, top: float) -> None:
    """Lightness as a strip of the same scale as the plane."""
    page.text((_STRIP, top - 10), "lighter ↑", size=12, anchor="middle")
    page.ruler(y, _STRIP - 18, upright=True)
    page.box((_STRIP - 18, top), 36, SIDE)
    page.line((_STRIP - 18, y(0)), (_STRIP + 18, y(0)), wide=1.5)
    page.text((_STRIP + 22, y(0) + 4), "reference", size=11)
    page.text((_STRIP, top + SIDE + 17), "darker ↓", size=12, anchor="middle")
    page.text((_STRIP, top + SIDE + 36), "dL*", size=12, anchor="middle", bold=True)
    for spool in answer["spools"]:
        page.dot((_STRIP - 8, y(spool["dL"])), 3)
    if lot := answer["lot"]:
        if lot["uncertainty"]:
            half = answer["coverage_factor"] * lot["uncertainty"][0]
            page.bar_of_doubt((_STRIP + 8, y(lot["dL"] + half)), (_STRIP + 8, y(lot["dL"] - half)), wide=1)
        page.cross((_STRIP + 8, y(lot["dL"])), 4)


def _patches(page: Sheet, answer: dict[str, Any], top: float) -> None:
    reference, lot = answer["reference"], answer["lot"]
    page.text((_PATCHES, top - 10), "On a screen", size=13, bold=True)
    for column, (name, seen) in enumerate((("reference", reference), ("lot", lot))):
        left = _PATCHES + column * 110
        if seen is None:
            page.hatched((left, top), 110, 120)
            page.text((left + 4, top + 138), "lot: not measured", size=12)
            continue
        page.box((left, top), 110, 120, fill=seen["screen"]["hex"])
        page.text((left, top + 138), name, size=12, bold=True)
        for row, (axis, value) in enumerate(zip(("L*", "a*", "b*"), seen["lab"], strict=True)):
            page.text((left, top + 156 + 16 * row), f"{axis} {value:.2f}", size=12)
        if not seen["screen"]["in_gamut"]:
            page.lines((left, top + 206), ["outside sRGB:", "not its true colour"], size=11)
    about = f"{reference['name']}, revision {reference['revision']}. Read under {reference['conditions']}."
    page.lines((_PATCHES, top + 246), wrapped(answer["screen_says"], 222, 12), size=12)
    below = top + 246 + leading(12) * (len(wrapped(answer["screen_says"], 222, 12)) + 1)
    page.lines((_PATCHES, below), wrapped(short(about, 180), 222, 12), size=12, ink=SOFT)


def _key(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """What each mark means, for the marks that are there."""
    most, lot = answer["lot_max"], answer["lot"]
    key = [("reference", "The reference, at the centre.")]
    if answer["outline"]:
        words = f"Limit: {answer['formula']} of {most:g} from the reference, for colours as light as it is."
        key.append(("line", words))
    elif most is None:
        key.append(("", "No limit is set on the lot's colour, so there is no outline."))
    if lot is None:
        return key
    if answer["outline_at_lot"]:
        near = " Here it all but covers the first." if _covers(answer) else ""
        key.append(("dashed", f"The same limit at the lot's own lightness (dL* {lot['dL']:+.2f}).{near}"))
    elif most is not None:
        words = f"At the lot's own lightness (dL* {lot['dL']:+.2f}) nothing would be within: lightness alone uses the limit up."
        key.append(("", words))
    key.append(
        (
            "dot",
            f"A spool's mean, {counted(lot['spools'], 'spool')}, {counted(lot['readings'], 'reading')}; the farthest is named.",
        )
    )
    key.append(("cross", "The mean of the lot's spools."))
    if lot["uncertainty"]:
        words = f"Its expanded uncertainty (k = {answer['coverage_factor']:g}), each coordinate by itself."
        key.append(("dotted", words))
    else:
        key.append(("", "Its uncertainty is not known: one spool read once, by an instrument that states none."))
    return key


def _covers(answer: dict[str, Any]) -> bool:
    """True when the two outlines are too close to be told apart."""
    rings, close = zip(answer["outline"], answer["outline_at_lot"], strict=False), 0.01 * _reach(answer)
    return all(math.dist(one, other) < close for one, other in rings)


def _sample(page: Sheet, mark: str, at: Point) -> None:
    x, y = at
    if mark in ("line", "dashed"):
        page.line((x - 18, y), (x + 18, y), wide=1.5, dash="7 5" if mark == "dashed" else None)
    elif mark == "dotted":
        page.ellipse(at, 14, 7, dash="2 3")
    elif mark == "dot":
        page.dot(at, 3.5)
    elif mark == "cross":
        page.cross(at, 6)
    elif mark == "reference":
        page.dot(at, 7, fill=PAPER, wide=1.5)
        page.dot(at, 1.5)
