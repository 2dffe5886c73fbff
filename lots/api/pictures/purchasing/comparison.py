"""Suppliers compared, drawn: who is accepted the first time, with the interval; then bias in colour and scatter, of one grade."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import INK, PAPER, Scale
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.color.limits_block import COORDINATES
from lots.domain.characteristics.registry import MEASURES
from lots.domain.words import counted

WIDTH, LEFT, RIGHT, ROW = 960.0, 220.0, 190.0, 36.0
# Fewer inspected lots than this say next to nothing: they are drawn faint and called so.
FEW = 3
_BLOCK, _LINE = 46.0, 34.0
# Field of a bias, its label, and what is said of less and of more.
_COORDINATES = tuple(
    (f"d{name}", f"d{name}*", MEASURES[code].less, MEASURES[code].more)
    for name, code in zip(COORDINATES, VECTOR, strict=True)
)


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of what GET /supplier-comparison answers, suppliers in the order of the answer."""
    grade, suppliers = answer["grade"], answer["suppliers"]
    title = f"Suppliers compared: {grade}" if grade else "Suppliers compared, all grades"
    intro = wrapped(answer["says"], WIDTH - 48)
    biased = [line for line in suppliers if line["bias"]]
    measures = list(dict.fromkeys(spread["measure"] for line in suppliers for spread in line["spread"]))
    top = 64 + leading(13) * len(intro)
    height = top + 70 + ROW * len(suppliers)
    bias_top = height
    height += 76 + _LINE * len(biased) if biased else 0
    spread_top = height
    pairs = -(-len(measures) // 2)
    height += 76 + pairs * (_BLOCK + _LINE * len(suppliers)) if measures else 0
    page = Sheet(WIDTH, height + 34, title, answer["says"])
    page.text((24, 32), title, size=18, bold=True)
    page.lines((24, 56), intro)
    if suppliers:
        _acceptance(page, answer, top)
    if biased:
        _bias(page, biased, bias_top)
    if measures:
        _spread(page, suppliers, measures, spread_top)
    if suppliers and not grade:
        page.text(
            (24, height + 16), "Bias and scatter are shown for one grade at a time: choose one to see them.", size=12
        )
    elif suppliers and not (biased or measures):
        page.text((24, height + 16), "Bias and scatter: no lot of this grade has been measured for them yet.", size=12)
    return str(page)


def _acceptance(page: Sheet, answer: dict[str, Any], top: float) -> None:
    x = Scale(0, 100, LEFT, WIDTH - RIGHT)
    sure = f"{100 * answer['confidence']:g} %"
    page.text(
        (24, top + 12),
        f"Lots accepted the first time, %, with the {sure} interval at one look (Wilson)",
        size=14,
        bold=True,
    )
    for row, line in enumerate(answer["suppliers"]):
        y = top + 42 + row * ROW
        seen, n = line["acceptance"], line["inspected"]
        few = n < FEW
        page.line((LEFT, y), (WIDTH - RIGHT, y), ink=PALE)
        page.text((24, y + 5), short(line["supplier"], 26), ink=SOFT if few else INK, verbatim=True)
        if seen["rate"] is None:
            page.text((WIDTH - RIGHT + 16, y + 5), "none inspected yet", ink=SOFT)
            continue
        page.bar_of_doubt((x(100 * seen["low"]), y), (x(100 * seen["high"]), y), dash="3 3" if few else None)
        page.dot((x(100 * seen["rate"]), y), 5, fill=PAPER if few else INK, ink=SOFT if few else INK, wide=1.5)
        words = f"{seen['accepted']} of {n}"
        page.text((WIDTH - RIGHT + 16, y + 5), words, bold=not few, ink=SOFT if few else INK)
        if few:
            page.text((WIDTH - RIGHT + 66, y + 5), "too few lots", ink=SOFT)
    page.ruler(x, top + 42 + ROW * len(answer["suppliers"]) - 8, unit=" %")


def _bias(page: Sheet, suppliers: list[dict[str, Any]], top: float) -> None:
    most = max(abs(line["bias"][name]) for line in suppliers for name, *_ in _COORDINATES) or 1.0
    page.text((24, top + 12), "Mean colour of the lots, less the reference (CIELAB units)", size=14, bold=True)
    wide = (WIDTH - LEFT - 24) / 3
    for column, (name, label, below, above) in enumerate(_COORDINATES):
        left = LEFT + column * wide
        x = Scale(-most, most, left + 62, left + wide - 62)
        middle = x(0)
        page.text((middle, top + 36), label, anchor="middle", bold=True)
        page.text((left + 16, top + 36), f"← {below}", size=12)
        page.text((left + wide - 12, top + 36), f"{above} →", size=12, anchor="end")
        page.line((middle, top + 44), (middle, top + 50 + _LINE * len(suppliers)))
        for row, line in enumerate(suppliers):
            amount, y = line["bias"][name], top + 54 + row * _LINE
            start, end = sorted((middle, x(amount)))
            page.box((start, y), end - start, 14, fill=INK)
            beside = (end + 5, y + 12) if amount >= 0 else (start - 5, y + 12)
            page.text(beside, f"{amount:+.2f}", size=12, anchor="start" if amount >= 0 else "end")
    for row, line in enumerate(suppliers):
        y = top + 54 + row * _LINE
        page.text((24, y + 6), short(line["supplier"], 26), verbatim=True)
        few = ", too few lots" if line["bias"]["n"] < FEW else ""
        page.text((24, y + 21), f"{counted(line['bias']['n'], 'lot')}{few}", size=11, ink=SOFT)


def _spread(page: Sheet, suppliers: list[dict[str, Any]], measures: list[str], top: float) -> None:
    page.text((24, top + 12), "Scatter, as standard deviations", size=14, bold=True)
    page.box((24, top + 24), 24, 9, fill=INK)
    page.text((54, top + 33), "within a lot, spool to spool", size=12)
    page.hatched((250, top + 24), 24, 9, apart=4)
    page.text((280, top + 33), "between lots", size=12)
    high = _BLOCK + _LINE * len(suppliers)
    half = (WIDTH - 48) / 2
    for number, measure in enumerate(measures):
        _scatter(page, suppliers, measure, 24 + (number % 2) * half, top + 50 + (number // 2) * high, half - 24)


def _scatter(page: Sheet, suppliers: list[dict[str, Any]], measure: str, left: float, top: float, wide: float) -> None:
    about = MEASURES[measure]
    page.text((left, top + 14), about.label + (f" ({about.unit})" if about.unit else ""), bold=True, size=12)
    seen = [next((s for s in line["spread"] if s["measure"] == measure), None) for line in suppliers]
    known = [s[part] for s in seen if s for part in ("within_sd", "between_sd") if s[part] is not None]
    x = Scale(0, max(known, default=0.0) or 1.0, left + 150, left + wide - 100)
    for row, (line, spread) in enumerate(zip(suppliers, seen, strict=True)):
        y = top + 26 + row * _LINE
        page.text((left, y + 8), short(line["supplier"], 20), size=12, verbatim=True)
        if spread is None:
            page.text((x.start, y + 14), "not measured", size=11, ink=SOFT)
            continue
        n = f"{counted(spread['lots'], 'lot')}, {counted(spread['spools'], 'spool')}"
        page.text((left, y + 22), n, size=11, ink=SOFT)
        _deviation(page, x, y, spread["within_sd"], hatched=False)
        _deviation(page, x, y + 13.0, spread["between_sd"], hatched=True)
    page.line((x.start, top + 22), (x.start, top + 24 + _LINE * len(suppliers)))


def _deviation(page: Sheet, x: Scale, y: float, amount: float | None, *, hatched: bool) -> None:
    """A standard deviation as a bar with its figure, or why there is none."""
    if amount is None:
        page.text((x.start, y + 9), "not known: too few to tell", size=11, ink=SOFT)
        return
    if amount == 0:
        page.text((x.start + 6, y + 9), "0, none shown", size=11)
        return
    long = x(amount) - x.start
    if hatched:
        page.hatched((x.start, y), long, 9, apart=4)
    else:
        page.box((x.start, y), long, 9, fill=INK)
    page.text((x.start + long + 6, y + 9), f"{amount:.2g}", size=11)
