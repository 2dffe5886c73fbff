"""Picture of the interlayer strength: all specimens and control specimens of a lot, with means and limits."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import Scale
from lots.api.pictures.sheet import SOFT, WIDE, Look, Sheet, leading, short, wrapped

FIELD = 300.0
CAUTION = "These are test specimens. A met limit does not mean a safe part."
# Up to this number, bars are labelled with their stress and, in a wide picture, with their spool code.
MOST_NAMES, MOST_NAMES_NARROW = 14, 4


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /lots/{id}/bond-picture."""
    title = f"Interlayer strength of lot {answer['supplier_lot']}"
    intro = wrapped(answer["says"], look.inner)
    notes = [row for note in (*answer["notes"], CAUTION) for row in wrapped(note, look.inner, 12)]
    bars = answer["bars"]
    top = 54 + leading(13) * len(intro) + 16
    foot = top + (FIELD + 76 + look.key_height(5) if bars else 0)
    page = Sheet(look.width, foot + 26 + leading(12) * len(notes), title, answer["says"], look.place)
    page.text((look.margin, 30), title, size=18, bold=True)
    page.lines((look.margin, 54), intro)
    if bars:
        _field(page, answer, top, look)
        _key(page, look, foot - 6 - look.key_height(5))
    page.lines((look.margin, foot + 24), notes, size=12)
    return str(page)


# Names of the limits in a wide picture.
_NAMES = {"mean": "mean", "each": "each specimen"}


def _field(page: Sheet, answer: dict[str, Any], top: float, look: Look) -> None:
    bars, floor = answer["bars"], top + FIELD - 20
    floors = [("mean", answer["mean_min_mpa"]), ("each", answer["single_min_mpa"])]
    known = [bar["stress_mpa"] for bar in bars] + [low for _, low in floors if low is not None]
    y = Scale(0, 1.08 * max(known), floor, top + 10)
    end = look.end - 20
    x = Scale(0.4, len(bars) + 0.6, look.left, end)
    wide = min(44.0, 0.7 * (x(2) - x(1)))
    page.ruler(y, look.left, upright=True)
    page.text(
        (14 if look.narrow else 28, (y.start + y.end) / 2), "breaking stress, MPa", size=12, anchor="middle", turn=-90
    )
    for number, bar in enumerate(bars, start=1):
        corner = (x(number) - wide / 2, y(bar["stress_mpa"]))
        if bar["control"]:
            page.hatched(corner, wide, floor - corner[1])
        else:
            page.box(corner, wide, floor - corner[1], fill="#9a9a9a")
        if len(bars) <= (MOST_NAMES_NARROW if look.narrow else MOST_NAMES):
            page.text((x(number), floor + 15), f"{bar['stress_mpa']:.1f}", size=11, anchor="middle")
            if not look.narrow:
                code = short(bar["spool_code"], 10)
                page.text((x(number), floor + 29), code, size=10, anchor="middle", ink=SOFT, verbatim=True)
    page.line((look.left, floor), (end, floor))
    _means(page, answer, x, y, look)
    for name, low in floors:
        if low is not None:
            page.line((look.left, y(low)), (end, y(low)), wide=2, dash="10 3 2 3" if name == "mean" else "2 3")
            words = f"{name} {low:g}" if look.narrow else f"limit, {_NAMES[name]} {low:g}"
            page.text((end + 8, y(low) + 4), words, size=12, bold=True)


def _means(page: Sheet, answer: dict[str, Any], x: Scale, y: Scale, look: Look) -> None:
    """Draws the means of the lot and of the control specimens over their bars."""
    bars, wide = answer["bars"], min(44.0, 0.7 * (x(2) - x(1)))
    own = sum(not bar["control"] for bar in bars)
    for name, first, last, mean in (
        ("mean", 1, own, answer["mean_mpa"]),
        ("control mean", own + 1, len(bars), answer["control_mean_mpa"]),
    ):
        if mean is not None:
            page.line((x(first) - wide / 2 - 4, y(mean)), (x(last) + wide / 2 + 4, y(mean)), wide=2.5)
            below = 64 if look.narrow and name != "mean" else 48
            words = f"{name} {mean:.1f}"
            page.text((x((first + last) / 2), y.start + below), words, size=12, anchor="middle", bold=True)


def _key(page: Sheet, look: Look, at: float) -> None:
    own, control, mean, floor, each = look.spots((28, 210, 440, 550, 730), at)
    page.box((own[0], own[1] - 10), 22, 12, fill="#9a9a9a")
    page.hatched((control[0], control[1] - 10), 22, 12)
    page.line((mean[0], mean[1] - 4), (mean[0] + 36, mean[1] - 4), wide=2.5)
    for (x, y), dash in ((floor, "10 3 2 3"), (each, "2 3")):
        page.line((x, y - 4), (x + 46, y - 4), wide=2, dash=dash)
    for (x, y), aside, words in (
        (own, 30, "specimen of this lot"),
        (control, 30, "control specimen, same build"),
        (mean, 44, "group mean"),
        (floor, 54, "limit of the mean"),
        (each, 54, "limit of each specimen"),
    ):
        page.text((x + (54 if look.narrow else aside), y), words, size=12)
