"""Layer bond, drawn: every bar of the lot and every control bar beside them as it broke, means, and the floors they must not fall below."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import Scale
from lots.api.pictures.sheet import SOFT, Sheet, leading, short, wrapped

WIDTH, LEFT, RIGHT, FIELD = 960.0, 86.0, 170.0, 300.0
CAUTION = "These are test bars. A floor that is met never says that a part is safe."
# So many bars keep the code of their spool.
MOST_NAMES = 14


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /lots/{id}/bond-picture answers."""
    title = f"Layer bond of lot {answer['supplier_lot']}"
    intro = wrapped(answer["says"], WIDTH - 48)
    notes = [row for note in (*answer["notes"], CAUTION) for row in wrapped(note, WIDTH - 48, 12)]
    bars = answer["bars"]
    top = 54 + leading(13) * len(intro) + 16
    foot = top + (FIELD + 76 if bars else 0)
    page = Sheet(WIDTH, foot + 26 + leading(12) * len(notes), title, answer["says"])
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)
    if bars:
        _field(page, answer, top)
        _key(page, foot - 6)
    page.lines((24, foot + 24), notes, size=12)
    return str(page)


def _field(page: Sheet, answer: dict[str, Any], top: float) -> None:
    bars, floor = answer["bars"], top + FIELD - 20
    floors = [("mean", answer["mean_min_mpa"]), ("each bar", answer["single_min_mpa"])]
    known = [bar["stress_mpa"] for bar in bars] + [low for _, low in floors if low is not None]
    y = Scale(0, 1.08 * max(known), floor, top + 10)
    x = Scale(0.4, len(bars) + 0.6, LEFT, WIDTH - RIGHT)
    wide = min(44.0, 0.7 * (x(2) - x(1)))
    page.ruler(y, LEFT, upright=True)
    page.text((28, (y.start + y.end) / 2), "breaking stress, MPa", size=12, anchor="middle", turn=-90)
    for number, bar in enumerate(bars, start=1):
        corner = (x(number) - wide / 2, y(bar["stress_mpa"]))
        if bar["control"]:
            page.hatched(corner, wide, floor - corner[1])
        else:
            page.box(corner, wide, floor - corner[1], fill="#9a9a9a")
        if len(bars) <= MOST_NAMES:
            page.text((x(number), floor + 15), f"{bar['stress_mpa']:.1f}", size=11, anchor="middle")
            page.text(
                (x(number), floor + 29), short(bar["spool_code"], 10), size=10, anchor="middle", ink=SOFT, verbatim=True
            )
    page.line((LEFT, floor), (WIDTH - RIGHT, floor))
    own = sum(not bar["control"] for bar in bars)
    for name, first, last, mean in (
        ("mean", 1, own, answer["mean_mpa"]),
        ("control mean", own + 1, len(bars), answer["control_mean_mpa"]),
    ):
        if mean is not None:
            page.line((x(first) - wide / 2 - 4, y(mean)), (x(last) + wide / 2 + 4, y(mean)), wide=2.5)
            page.text((x((first + last) / 2), floor + 48), f"{name} {mean:.1f}", size=12, anchor="middle", bold=True)
    for name, low in floors:
        if low is not None:
            page.line((LEFT, y(low)), (WIDTH - RIGHT, y(low)), wide=2, dash="10 3 2 3" if name == "mean" else "2 3")
            page.text((WIDTH - RIGHT + 8, y(low) + 4), f"floor for {name} {low:g}", size=12, bold=True)


def _key(page: Sheet, at: float) -> None:
    page.box((28, at - 10), 22, 12, fill="#9a9a9a")
    page.text((58, at), "bar of this lot", size=12)
    page.hatched((180, at - 10), 22, 12)
    page.text((210, at), "control bar, same build", size=12)
    page.line((390, at - 4), (426, at - 4), wide=2.5)
    page.text((434, at), "their mean", size=12)
    page.line((530, at - 4), (576, at - 4), wide=2, dash="10 3 2 3")
    page.text((584, at), "floor for the mean", size=12)
    page.line((714, at - 4), (760, at - 4), wide=2, dash="2 3")
    page.text((768, at), "floor for each bar", size=12)
