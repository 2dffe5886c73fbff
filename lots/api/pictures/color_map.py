"""Picture of the colour of a lot: differences in the a*b* plane with the limit outline, lightness, and screen colours."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from lots.api.pictures.canvas import PAPER, Point, Scale
from lots.api.pictures.sheet import PALE, SOFT, WIDE, Look, Sheet, leading, short, text_width, wrapped
from lots.domain.words import counted

TOP = 44.0
# Distance from the upper edge of the patches to their text, pixels.
_SAID = 246.0


@dataclass(frozen=True, slots=True)
class _Places:
    """Positions of plane, lightness strip and patches, pixels."""

    side: float
    strip: float
    half: float
    patches: float
    patch: float


_WIDE, _NARROW = _Places(440.0, 600.0, 18.0, 716.0, 110.0), _Places(236.0, 336.0, 14.0, 12.0, 110.0)


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /lots/{id}/color-map."""
    title = f"Colour of lot {answer['supplier_lot']} against its reference"
    heading, intro = wrapped(title, look.inner, 18), wrapped(answer["says"], look.inner)
    notes = [row for note in answer["notes"] for row in wrapped(note, look.inner, 12)]
    begun = TOP + leading(18) * (len(heading) - 1)
    top = begun + leading(13) * len(intro) + (34 if look.narrow else 30)
    places = _NARROW if look.narrow else _WIDE
    key = [(mark, wrapped(words, look.width - 76, 12) if look.narrow else [words]) for mark, words in _key(answer)]
    foot = top + places.side + 62
    rows = [foot]
    for _, lines in key:
        rows.append(rows[-1] + 24 + leading(12) * (len(lines) - 1))
    below = rows[-1] + 16 if look.narrow else top
    end = rows[-1] + 4
    if answer["reference"] is None:
        end = top
    elif look.narrow:
        end = below + _SAID + leading(12) * (sum(map(len, _said(answer, places))) + 2)
    page = Sheet(look.width, end + leading(12) * len(notes) + 12, title, answer["says"], look.place)
    for row, words in enumerate(heading):
        page.text((look.margin, 30 + leading(18) * row), words, size=18, bold=True)
    page.lines((look.margin, begun + 10), intro)
    page.lines((look.margin, end), notes, size=12)
    if answer["reference"] is None:
        return str(page)
    reach, left = _reach(answer), 60.0 if look.narrow else look.left
    x = Scale(-reach, reach, left, left + places.side)
    y = Scale(-reach, reach, top + places.side, top)
    _plane(page, answer, x, y, look)
    _lightness(page, answer, y, places)
    _patches(page, answer, below, places)
    for at, (mark, lines) in zip(rows, key, strict=False):
        _sample(page, mark, (34 if look.narrow else 52, at - 4))
        page.lines((60 if look.narrow else 88, at), lines, size=12)
    return str(page)


def _reach(answer: dict[str, Any]) -> float:
    """Returns the half width of the plane in CIELAB units, with a margin around everything drawn."""
    seen = [part for ring in (answer["outline"], answer["outline_at_lot"]) for point in ring for part in point]
    seen += [spool[name] for spool in answer["spools"] for name in ("dL", "da", "db")]
    if lot := answer["lot"]:
        unsure = lot["uncertainty"] or (0.0, 0.0, 0.0)
        wide = [answer["coverage_factor"] * u for u in unsure]
        seen += [abs(lot[name]) + u for name, u in zip(("dL", "da", "db"), wide, strict=True)]
    return 1.15 * max(map(abs, seen), default=0.0) or 1.0


def _plane(page: Sheet, answer: dict[str, Any], x: Scale, y: Scale, look: Look) -> None:
    page.line((x.start, y(0)), (x.end, y(0)), ink=PALE)
    page.line((x(0), y.start), (x(0), y.end), ink=PALE)
    page.box((x.start, y.end), x.end - x.start, y.start - y.end)
    page.ruler(x, y.start)
    page.ruler(y, x.start, upright=True)
    lesser = "" if look.narrow else ", lot minus reference"
    upright, under = (14 if look.narrow else 34), y.start + 36
    page.text((x.start, under), "← greener", size=12)
    page.text(((x.start + x.end) / 2, under), f"da*{lesser}", size=12, anchor="middle", bold=True)
    page.text((x.end, under), "redder →", size=12, anchor="end")
    page.text((upright, y.start), "← bluer", size=12, turn=-90)
    page.text((upright, (y.start + y.end) / 2), f"db*{lesser}", size=12, anchor="middle", bold=True, turn=-90)
    page.text((upright, y.end), "yellower →", size=12, anchor="end", turn=-90)
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
    """Labels a dot on the side with more room."""
    right = at[0] < (x.start + x.end) / 2
    # A white box keeps lines from crossing the label.
    wide = text_width(words, 11)
    page.box((at[0] + 7 if right else at[0] - 7 - wide, at[1] - 18), wide, 14, fill=PAPER, ink=None)
    page.text(
        (at[0] + (9 if right else -9), at[1] - 7), words, size=11, anchor="start" if right else "end", verbatim=True
    )


def _lightness(page: Sheet, answer: dict[str, Any], y: Scale, places: _Places) -> None:
    """Draws the lightness strip, with the scale of the plane."""
    strip, half = places.strip, places.half
    anchor = "middle" if places is _WIDE else "end"
    page.text((strip if places is _WIDE else strip + half, y.end - 10), "lighter ↑", size=12, anchor=anchor)
    page.box((strip - half, y.end), 2 * half, places.side)
    page.line((strip - half, y(0)), (strip + half, y(0)), wide=1.5)
    if places is _WIDE:
        page.ruler(y, strip - half, upright=True)
        page.text((strip + 22, y(0) + 4), "reference", size=11)
    page.text((strip if places is _WIDE else strip + half, y.start + 17), "darker ↓", size=12, anchor=anchor)
    page.text((strip, y.start + 36), "dL*", size=12, anchor="middle", bold=True)
    for spool in answer["spools"]:
        page.dot((strip - 8, y(spool["dL"])), 3)
    if lot := answer["lot"]:
        if lot["uncertainty"]:
            doubt = answer["coverage_factor"] * lot["uncertainty"][0]
            page.bar_of_doubt((strip + 8, y(lot["dL"] + doubt)), (strip + 8, y(lot["dL"] - doubt)), wide=1)
        page.cross((strip + 8, y(lot["dL"])), 4)


def _patches(page: Sheet, answer: dict[str, Any], top: float, places: _Places) -> None:
    first, patch = places.patches, places.patch
    reference, lot = answer["reference"], answer["lot"]
    page.text((first, top - 10), "On a screen", size=13, bold=True)
    for column, (name, seen) in enumerate((("reference", reference), ("lot", lot))):
        left = first + column * patch
        if seen is None:
            page.hatched((left, top), patch, 120)
            page.text((left + 4, top + 138), "lot: not measured", size=12)
            continue
        page.box((left, top), patch, 120, fill=seen["screen"]["hex"])
        page.text((left, top + 138), name, size=12, bold=True)
        for row, (axis, value) in enumerate(zip(("L*", "a*", "b*"), seen["lab"], strict=True)):
            page.text((left, top + 156 + 16 * row), f"{axis} {_plain_zero(value):.2f}", size=12)
        if not seen["screen"]["in_gamut"]:
            page.lines((left, top + 206), ["outside sRGB:", "colour not exact"], size=11)
    says, about = _said(answer, places)
    page.lines((first, top + _SAID), says, size=12)
    page.lines((first, top + _SAID + leading(12) * (len(says) + 1)), about, size=12, ink=SOFT)


def _said(answer: dict[str, Any], places: _Places) -> tuple[list[str], list[str]]:
    """Returns the texts on patches and reference, as lines that fit below the patches."""
    reference, room = answer["reference"], 222.0 if places is _WIDE else 336.0
    about = f"{reference['name']}, revision {reference['revision']}. Measured under {reference['conditions']}."
    return wrapped(answer["screen_says"], room, 12), wrapped(short(about, 180), room, 12)


def _key(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """Returns the legend of the marks drawn."""
    most, lot = answer["lot_max"], answer["lot"]
    key = [("reference", "The reference, at the centre.")]
    if answer["outline"]:
        words = f"Limit: {answer['formula']} of {most:g}, at the lightness of the reference."
        key.append(("line", words))
    elif most is None:
        key.append(("", "No outline, since no limit is set on the colour of the lot."))
    if lot is None:
        return key
    if answer["outline_at_lot"]:
        near = " It almost coincides with the first." if _covers(answer) else ""
        key.append(("dashed", f"The same limit at the lot's own lightness (dL* {_plain_zero(lot['dL']):+.2f}).{near}"))
    elif most is not None:
        words = f"At the lot's own lightness (dL* {_plain_zero(lot['dL']):+.2f}) no colour is within the limit. Lightness alone exceeds it."
        key.append(("", words))
    key.append(
        (
            "dot",
            f"Mean of a spool ({counted(lot['spools'], 'spool')}, {counted(lot['readings'], 'reading')}). The farthest is named.",
        )
    )
    key.append(("cross", "Mean of the spools of the lot."))
    if lot["uncertainty"]:
        words = f"Expanded uncertainty of this mean (k = {answer['coverage_factor']:g}), per coordinate."
        key.append(("dotted", words))
    else:
        key.append(("", "The uncertainty of this mean is unknown (one reading, instrument uncertainty not stated)."))
    return key


def _plain_zero(value: float) -> float:
    """Returns a value rounded to two decimals, without a negative zero."""
    return round(value, 2) + 0.0


def _covers(answer: dict[str, Any]) -> bool:
    """Returns True if the two outlines almost coincide."""
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
