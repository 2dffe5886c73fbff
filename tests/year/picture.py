"""The year as a bar chart in SVG, readable at 390 pixels, each bar with its figure."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from tests.promises.promise import Rate
from tests.year import assumptions as assumed
from tests.year.counting import tally
from tests.year.tables import PROGRAM, Ways

_WIDTH, _LEFT, _BAR, _ROW = 390, 12, 16, 42
_FONT = "font-family='system-ui, sans-serif'"
_HATCH = (
    "<defs><pattern id='h' width='6' height='6' patternUnits='userSpaceOnUse' patternTransform='rotate(45)'>"
    "<rect width='6' height='6' fill='#f3d9b1'/><rect width='2.5' height='6' fill='#a85b00'/></pattern></defs>"
)
# A way of working, its value with both ends of its interval, and the figure in words.
_Row = tuple[str, float, float, float, str]
_STYLE = "svg{background:#fff}text{fill:#1a1a1a}"


def bar_chart(ways: Ways) -> str:
    """Returns the picture: the loaded share of nonconforming filament, and the good lots not released.

    Each bar has its interval. The full width is the total received, so that both charts show shares.
    """
    counts = {way: tally(outcomes) for way, outcomes in ways.items()}
    came = assumed.SPOOL_G * sum(len(one.lot.bad_on_arrival) for one in ways[PROGRAM]) / 1000
    grams: list[_Row] = []
    lots: list[_Row] = []
    for way, one in counts.items():
        low, high = (end / 1000 for end in one.bad_interval)
        grams.append((way, one.bad_g / 1000, low, high, f"{one.bad_g / 1000:.0f} of {came:.0f} kg"))
        rate = one.good_lots or Rate(0, 1)
        low, high = (rate.of * end for end in rate.interval(assumed.CONFIDENCE))
        lots.append((way, rate.hits, low, high, f"{rate.hits} of {rate.of} lots"))
    good = sum(one.lot.good for one in ways[PROGRAM])
    height = 92 + 2 * (34 + _ROW * len(counts)) + 40
    said = "; ".join(f"{way}: {kg} and {held}" for (way, *_, kg), (*_, held) in zip(grams, lots, strict=True))
    parts = [
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH} {height}' width='{_WIDTH}' height='{height}' role='img' aria-labelledby='t d'>",
        "<title id='t'>A simulated year: what each way of working let through and held back</title>",
        f"<desc id='d'>Nonconforming filament loaded, and good lots not released. {escape(said)}.</desc>",
        f"<style>{_STYLE}</style>",
        _HATCH,
        _text(_LEFT, 24, f"A simulated year of {len(ways[PROGRAM])} lots", 17, bold=True),
        _text(_LEFT, 44, "Full bars: the program. Hatched bars: shops without it.", 13),
        _text(_LEFT, 62, "Lines: 95 % intervals over lots.", 13),
    ]
    top = 92
    for head, rows, whole in (("Nonconforming filament loaded", grams, came), ("Good lots not released", lots, good)):
        parts += _panel(top, head, rows, whole)
        top += 34 + _ROW * len(rows)
    parts += [
        _text(_LEFT, height - 24, "A simulation of assumptions, not evidence about a real shop.", 12),
        _text(_LEFT, height - 8, "A released lot never means a safe part.", 12),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _text(x: float, y: float, words: str, size: int, *, bold: bool = False, anchor: str = "start") -> str:
    weight = " font-weight='600'" if bold else ""
    return f"<text x='{x:.1f}' y='{y:.1f}' font-size='{size}'{weight} text-anchor='{anchor}' {_FONT}>{escape(words)}</text>"


def _panel(top: float, head: str, rows: Sequence[_Row], whole: float) -> list[str]:
    """One chart: a heading, and for each way its name, bar, interval and figure."""
    most = max(whole, *(high for _, _, _, high, _ in rows), 1.0)
    wide = _WIDTH - 2 * _LEFT
    parts = [_text(_LEFT, top, head, 15, bold=True)]
    for nth, (way, value, low, high, figure) in enumerate(rows):
        y = top + 12 + nth * _ROW
        to = [_LEFT + wide * one / most for one in (value, low, high)]
        fill = "#1f5fa8" if way == PROGRAM else "url(#h)"
        middle, ends = y + 17 + _BAR / 2, f"M{to[1]:.1f} {y + 20}v{_BAR - 6}M{to[2]:.1f} {y + 20}v{_BAR - 6}"
        line = f"M{to[1]:.1f} {middle}H{to[2]:.1f}{ends}"
        parts += [
            _text(_LEFT, y + 12, way, 13),
            _text(_WIDTH - _LEFT, y + 12, figure, 13, bold=True, anchor="end"),
            f"<rect x='{_LEFT}' y='{y + 17}' width='{wide}' height='{_BAR}' fill='#f4f4f4'/>",
            f"<rect x='{_LEFT}' y='{y + 17}' width='{max(to[0] - _LEFT, 0.8):.1f}' height='{_BAR}' fill='{fill}' stroke='#1a1a1a' stroke-width='0.8'/>",
            f"<path d='{line}' stroke='#fff' stroke-width='4' fill='none'/>",
            f"<path d='{line}' stroke='#1a1a1a' stroke-width='1.5' fill='none'/>",
        ]
    return parts
