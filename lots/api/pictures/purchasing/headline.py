"""Picture of the supplier comparison: acceptance with interval, then bias, spread and drift of each measure with its limit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Point, Scale
from lots.api.pictures.sheet import NARROW, PALE, SOFT, WIDE, Look, Sheet, leading, short, wrapped
from lots.domain.conformity.findings import shown
from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words
from lots.domain.words import counted

__all__ = ["FEW", "NARROW", "WIDE", "draw"]

# With fewer inspected lots, results are drawn faint and marked.
FEW = 3
_INSIDE, _OUTSIDE = "#d5e8d8", "#ececea"
_SHARE, _HEAD, _TRACK = 36.0, 44.0, 26.0
KEY = (
    "Green: inside the limit. Grey: outside the limit. Dot: mean of the lots.",
    "Filled bar: standard deviation within lots. Hatched bar: standard deviation between lots. Arrow: drift from the previous level.",
)


@dataclass(frozen=True, slots=True)
class _Across:
    """Horizontal positions of supplier names, field and text."""

    look: Look

    @property
    def left(self) -> float:
        """Left edge of the field."""
        return self.look.margin if self.look.narrow else 210.0

    @property
    def right(self) -> float:
        """Right edge of the field."""
        return self.look.width - self.look.margin if self.look.narrow else 570.0

    @property
    def words(self) -> float:
        """Left edge of the text of a row."""
        return self.look.margin if self.look.narrow else 590.0

    @property
    def row(self) -> float:
        """Height of a row. In a narrow picture the name is above and the text below the field."""
        return 108.0 if self.look.narrow else 58.0

    @property
    def track(self) -> float:
        """Distance from the top of a row to its field."""
        return 20.0 if self.look.narrow else 6.0


def draw(answer: dict[str, Any], look: Look = WIDE) -> str:
    """Returns the picture of an answer of GET /supplier-comparison."""
    grade, suppliers, use = answer["grade"], answer["suppliers"], answer["use"]
    across = _Across(look)
    what = AT_LEAST_ONE if use is None else for_words(use)
    title = f"Suppliers compared: {grade or 'all grades'}, {what}"
    heading = wrapped(title, look.inner, 18, verbatim=True) if look.narrow else [title]
    intro = [row for line in suppliers for row in wrapped(line["headline"]["says"], look.inner)] or wrapped(
        answer["says"], look.inner
    )
    measures = list(dict.fromkeys(row["measure"] for line in suppliers for row in line["headline"]["measures"]))
    key = [row for words in KEY for row in wrapped(words, look.inner, 12)] if measures else []
    foot = wrapped(_foot(answer, measures), look.inner, 12)
    top = 40 + leading(18) * len(heading) + leading(13) * len(intro)
    share = 26.0 if look.narrow else 0.0
    end = top + 76 + (_SHARE + share) * len(suppliers) + leading(12) * len(key)
    high = end + len(measures) * (_HEAD + across.row * len(suppliers)) + leading(12) * len(foot) + 20
    said = " ".join(line["headline"]["says"] for line in suppliers)
    page = Sheet(look.width, high, title, said or answer["says"], look.place)
    for row, part in enumerate(heading):
        page.text((look.margin, 32 + leading(18) * row), part, size=18, bold=True, verbatim=True)
    page.lines((look.margin, 32 + leading(18) * len(heading)), intro)
    if suppliers:
        _acceptance(page, answer, across, top, what)
    page.lines((look.margin, end - leading(12) * len(key) + 8), key, size=12, ink=SOFT)
    for number, measure in enumerate(measures):
        _measure(page, suppliers, measure, across, end + 12 + number * (_HEAD + across.row * len(suppliers)))
    page.lines((look.margin, high - leading(12) * len(foot) + 2), foot, size=12)
    return str(page)


def _foot(answer: dict[str, Any], measures: list[str]) -> str:
    """Returns the reason why bias and spread are not drawn; empty if they are."""
    if not answer["suppliers"] or measures:
        return ""
    if answer["grade"]:
        return "Bias and spread are unknown, since no lots of this grade have been measured."
    return "Choose one grade to see bias and spread."


def _accepted(line: dict[str, Any], use: str | None) -> dict[str, Any]:
    """Returns the acceptance of a supplier for the use."""
    if use is None:
        return {"inspected": line["inspected"], **line["acceptance"]}
    none = {"inspected": 0, "accepted": 0, "rate": None}
    return next((one for one in line["by_use"] if one["use"] == use), none)


def _acceptance(page: Sheet, answer: dict[str, Any], across: _Across, top: float, what: str) -> None:
    look = across.look
    end = across.right - 130 if look.narrow else across.right
    x = Scale(0, 100, across.left + 8, end)
    sure = f"{100 * answer['confidence']:g} %"
    title = f"Lots accepted at first inspection for {what}, %"
    page.text(
        (look.margin, top + 12),
        title if look.narrow else f"{title}, with {sure} interval (Wilson, single look)",
        size=14,
        bold=True,
    )
    high = _SHARE + (26.0 if look.narrow else 0.0)
    for row, line in enumerate(answer["suppliers"]):
        y = top + 42 + row * high + (18 if look.narrow else 0)
        seen = _accepted(line, answer["use"])
        few = seen["inspected"] < FEW
        ink = SOFT if few else INK
        _name(page, line, across, y + 5 if not look.narrow else y - 12, ink)
        page.line((x.start, y), (x.end, y), ink=PALE)
        beside = end + 20
        if seen["rate"] is None:
            page.text((beside, y + 5), "none inspected yet", ink=SOFT)
            continue
        page.bar_of_doubt((x(100 * seen["low"]), y), (x(100 * seen["high"]), y), dash="3 3" if few else None)
        page.dot((x(100 * seen["rate"]), y), 5, fill=PAPER if few else INK, ink=ink, wide=1.5)
        page.text((beside, y + 5), f"{seen['accepted']} of {seen['inspected']}", bold=not few, ink=ink)
        if few:
            page.text((beside + 46, y + 5), "too few lots", ink=SOFT, size=12)
    page.ruler(x, top + 42 + high * len(answer["suppliers"]) - 8, unit=" %")


def _name(page: Sheet, line: dict[str, Any], across: _Across, y: float, ink: str = INK) -> None:
    page.text(
        (across.look.margin, y), short(line["supplier"], 40 if across.look.narrow else 24), ink=ink, verbatim=True
    )


def _measure(page: Sheet, suppliers: list[dict[str, Any]], measure: str, across: _Across, top: float) -> None:
    """Draws one measure of all suppliers on one scale."""
    rows = [next((r for r in line["headline"]["measures"] if r["measure"] == measure), None) for line in suppliers]
    known = [row for row in rows if row]
    about = known[0]
    unit = f" ({about['unit']})" if about["unit"] else ""
    page.text((across.look.margin, top + 12), f"{about['label']}{unit}", bold=True, size=13)
    x = _scale(known, across)
    if not across.look.narrow:
        page.text((across.words, top + 12), _limit(about), size=12, ink=SOFT)
        page.text((x.start, top + 30), f"← {about['less']}", size=11, ink=SOFT)
        page.text((x.end, top + 30), f"{about['more']} →", size=11, ink=SOFT, anchor="end")
    else:
        page.text((across.look.margin, top + 30), _limit(about), size=12, ink=SOFT)
    for number, (line, row) in enumerate(zip(suppliers, rows, strict=True)):
        y = top + _HEAD - 6 + number * across.row
        _name(page, line, across, y + (12 if across.look.narrow else 24))
        if row is None:
            page.text((across.left, y + across.track + 18), "not measured", ink=SOFT, size=12)
            continue
        _field(page, row, x, y + across.track)
        words = list(_words(row))
        low = y + across.track + _TRACK + 16 if across.look.narrow else y + 16
        page.text((across.words, low), words[0], bold=True, size=12)
        page.lines((across.words, low + leading(12)), words[1:], size=12)


def _scale(rows: list[dict[str, Any]], across: _Across) -> Scale:
    """Returns the scale of a measure, with limits at one and three quarters. Without a limit it covers all values."""
    limit, kind = rows[0]["limit"], rows[0]["limit_kind"]
    if kind == "between":
        low, high = limit
        half = (high - low) / 2 or 1.0
        return Scale(low - half, high + half, across.left, across.right)
    if kind is not None:
        room = abs(limit) or 1.0
        ends = (limit - room, limit + room / 3) if kind == "at most" else (limit - room / 3, limit + room)
        return Scale(*ends, across.left, across.right)
    far = max(abs(row["mean"]) + 2 * max(row["within_sd"] or 0.0, row["between_sd"] or 0.0) for row in rows) or 1.0
    return Scale(-far, far, across.left, across.right)


def _field(page: Sheet, row: dict[str, Any], x: Scale, top: float) -> None:
    def at(value: float) -> float:
        return min(max(x(value), x.start), x.end)

    limit, kind = row["limit"], row["limit_kind"]
    page.box((x.start, top), x.end - x.start, _TRACK, fill=_OUTSIDE, ink=None)
    if kind is not None:
        low, high = limit if kind == "between" else (x.low, limit) if kind == "at most" else (limit, x.high)
        page.box((at(low), top), at(high) - at(low), _TRACK, fill=_INSIDE, ink=None)
        for end in {"between": (low, high), "at most": (high,), "at least": (low,)}[kind]:
            page.line((at(end), top - 3), (at(end), top + _TRACK + 3), wide=2)
    elif x.low < 0 < x.high:
        page.line((at(0), top), (at(0), top + _TRACK), dash="2 2")
    mean = row["mean"]
    for part, y, hatched in (("within_sd", top + 3, False), ("between_sd", top + _TRACK - 10, True)):
        if row[part]:
            start, end = at(mean - row[part]), at(mean + row[part])
            if hatched:
                page.hatched((start, y), end - start, 7, apart=4)
            else:
                page.box((start, y), end - start, 7, fill=INK)
    page.dot((at(mean), top + _TRACK / 2), 4.5, fill=PAPER, wide=2)
    if row["drift"]:
        level = row["drift"]["level"]
        _arrow(page, (at(level), top + _TRACK / 2), at(level + row["drift"]["departure"]))


def _arrow(page: Sheet, tail: Point, tip: float) -> None:
    """Draws a horizontal arrow."""
    x, y = tail
    way = 1 if tip >= x else -1
    page.line(tail, (tip, y), wide=2)
    page.area([(tip, y), (tip - 8 * way, y - 5), (tip - 8 * way, y + 5)], fill=INK)


def _limit(row: dict[str, Any]) -> str:
    if row["limit_kind"] is None:
        return "no limit"
    unit = f" {row['unit']}" if row["unit"] else ""
    if row["limit_kind"] == "between":
        low, high = row["limit"]
        return f"limit {low:g} to {high:g}{unit}"
    return f"limit {row['limit_kind']} {row['limit']:g}{unit}"


def _words(row: dict[str, Any]) -> Iterator[str]:
    """Yields mean, spread and drift of a measure as text."""
    digits = row["decimals"]
    bias = row["bias"]
    mean = f"mean {_figure(row['mean'], digits)}" if bias is None else f"bias {_signed(bias, digits)}"
    used = "" if row["limit_used"] is None else f", {abs(100 * row['limit_used']):.0f} % of the limit"
    yield f"{mean}{used}, {counted(row['lots'], 'lot')}"
    yield ", ".join(_deviation(row, part, digits) for part in ("within", "between"))
    if drift := row["drift"]:
        size = _figure(abs(drift["size"]), digits)
        how = "per lot" if drift["kind"] == "ramp" else f"since lot {short(drift['began']['supplier_lot'], 16)}"
        yield f"drift: {drift['direction']} by {size} {how}"


def _deviation(row: dict[str, Any], part: str, digits: int) -> str:
    amount, share = row[f"{part}_sd"], row[f"{part}_share"]
    if amount is None:
        return f"{part} lots unknown"
    return f"{part} lots {_figure(amount, digits)}" + ("" if share is None else f" ({100 * share:.0f} %)")


def _figure(value: float, digits: int) -> str:
    return shown(round(value, digits) + 0.0, digits)


def _signed(value: float, digits: int) -> str:
    near = round(value, digits) + 0.0
    return f"{near:+.{digits}f}" if near else _figure(0.0, digits)
