"""Picture of the exposure of a lot: a time bar for each load by machine, hatched for possible exposure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from lots.api.pictures.canvas import INK, Scale
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.words import counted, hyphenated

WIDTH, LEFT, RIGHT, ROW = 960.0, 230.0, 250.0, 38.0
# Maximum number of loads drawn. Open loads come first in the answer and are kept.
MOST = 60
_SHORTEST = timedelta(hours=1)


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of an answer of GET /lots/{id}/exposure."""
    title = f"Machines and jobs of lot {answer['supplier_lot']}"
    intro = wrapped(answer["says"], WIDTH - 48)
    items = answer["items"][:MOST]
    # Machines in the order of the answer, and on each the loads in order of time.
    rows = [
        item
        for machine in answer["machines"]
        for item in sorted((i for i in items if i["machine"] == machine), key=lambda i: i["loaded_at"])
    ]
    top = 54 + leading(13) * len(intro) + (52 if rows else 8)
    left_out = len(answer["items"]) - len(items)
    page = Sheet(WIDTH, top + ROW * len(rows) + (64 if rows else 0) + (20 if left_out else 0), title, answer["says"])
    page.text((24, 30), title, size=18, bold=True)
    page.lines((24, 54), intro)
    if rows:
        _key(page, top - 36)
        _field(page, rows, top)
    if left_out:
        words = f"{counted(left_out, 'more load')} in the figures only."
        page.text((24, top + ROW * len(rows) + 66), words, size=12)
    return str(page)


def _key(page: Sheet, at: float) -> None:
    page.box((28, at - 9), 34, 12, fill=INK)
    page.text((70, at + 2), "recorded load", size=12)
    page.hatched((190, at - 9), 34, 12)
    page.text((232, at + 2), "possibly: job next to unrecorded time", size=12)
    page.text((WIDTH - 24, at + 2), f"times in {page.place.time_zone}", size=12, anchor="end")


def _field(page: Sheet, rows: list[dict[str, Any]], top: float) -> None:
    moments = [item[name] for item in rows for name in ("loaded_at", "unloaded_at") if item[name]]
    first, last = min(moments), max(moments)
    span = max(last - first, _SHORTEST)
    # Room on the right for open loads after the last recorded time.
    x = Scale(first.timestamp(), (first + 1.1 * span).timestamp(), LEFT, WIDTH - RIGHT)
    floor = top + ROW * len(rows)
    _times(page, x, first, span, top, floor)
    for number, item in enumerate(rows):
        y = top + number * ROW
        if number == 0 or item["machine"] != rows[number - 1]["machine"]:
            page.line((24, y), (WIDTH - 24, y), ink=SOFT)
            page.text((24, y + 20), short(item["machine"], 14), bold=True, verbatim=True)
        page.text((LEFT - 10, y + 20), short(item["spool_code"], 16), size=12, anchor="end", verbatim=True)
        _bar(page, item, x, y)
    page.line((24, floor), (WIDTH - 24, floor), ink=SOFT)


def _bar(page: Sheet, item: dict[str, Any], x: Scale, y: float) -> None:
    start, end = x(item["loaded_at"].timestamp()), x.end
    if item["unloaded_at"]:
        end = x(item["unloaded_at"].timestamp())
    # A very short load stays visible.
    corner, wide = (min(start, x.end - 3), y + 8), max(end - start, 3.0)
    if item["certainty"] == "possibly":
        page.hatched(corner, wide, 14)
        page.text((LEFT, y + 34), short(f"possibly: {item['gap']}", 84), size=10)
    else:
        page.box(corner, wide, 14, fill=INK)
    arrow = "→ still loaded: " if item["still_loaded"] else ""
    page.text(
        (WIDTH - RIGHT + 8, y + 15),
        short(f"{arrow}{item['job']}", 32),
        size=12,
        bold=item["still_loaded"],
        verbatim=True,
    )
    used = "" if item["mass_used_g"] is None else f", {item['mass_used_g']:.0f} g used"
    page.text((WIDTH - RIGHT + 8, y + 30), f"for {hyphenated(item['use'])}{used}", size=11, ink=SOFT)


def _times(page: Sheet, x: Scale, first: datetime, span: timedelta, top: float, floor: float) -> None:
    for step in range(4):
        moment = first + step / 3 * span
        at = x(moment.timestamp())
        page.line((at, top), (at, floor + 4), ink=PALE)
        day, hour = page.place.day(moment), page.place.clock(moment)
        page.text((at, floor + 18), day, size=11, anchor="middle", verbatim=True)
        page.text((at, floor + 32), hour, size=11, anchor="middle", ink=SOFT)
