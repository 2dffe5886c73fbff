"""Picture of the effect of draft limits on lots: a row per lot and use, with present and new verdict in words and marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lots.api.pictures.canvas import PAPER
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.words import counted, hyphenated, listed

# Narrow enough for a phone.
WIDTH, NOW, THEN, ROW = 480.0, 170.0, 330.0, 30.0
CELL = 134.0
TITLE = "Effect of these limits"
# Maximum number of rows drawn. The table on the page has all lots.
MOST_ROWS = 40
_WORDS = {"pass": "pass", "fail": "fail", "near": "undecided", "missing": "not measured", "": "not assessed"}


def draw(lots: Sequence[Mapping[str, Any]]) -> str:
    """Returns the picture of present and new verdicts, changed ones first."""
    rows = rows_of(lots)
    says = in_a_sentence(lots)
    left = len(rows) - MOST_ROWS
    intro = wrapped(f"{says} {counted(left, 'row')} more in the table." if left > 0 else says, WIDTH - 32)
    rows = rows[:MOST_ROWS]
    top = 80 + leading(13) * len(intro)
    told = " ".join([says, *(_in_words(*row) for row in rows)])
    page = Sheet(WIDTH, top + ROW * len(rows) + 16, TITLE, told)
    page.text((16, 28), TITLE, size=17, bold=True)
    page.lines((16, 50), intro)
    for x, words in ((16.0, "Lot and use"), (NOW, "now"), (THEN, "would be")):
        page.text((x, top - 8), words, size=13, bold=True)
    for number, row in enumerate(rows):
        _row(page, top + number * ROW, *row)
    return str(page)


def rows_of(lots: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, str, str]]:
    """Returns lot, use, present and new verdict, changed ones first; "" if a use is not assessed.

    Example:
        >>> rows_of([{"supplier_lot": "A", "uses": {"fit": "pass"}, "would_uses": {"fit": "pass", "hidden": "fail"}}])
        [('A', 'hidden', '', 'fail'), ('A', 'fit', 'pass', 'pass')]
    """
    found = [
        (lot["supplier_lot"], use, lot["uses"].get(use, ""), lot["would_uses"].get(use, ""))
        for lot in lots
        for use in dict.fromkeys([*lot["uses"], *lot["would_uses"]])
    ]
    return sorted(found, key=lambda row: row[2] == row[3])


def in_a_sentence(lots: Sequence[Mapping[str, Any]]) -> str:
    """Returns the numbers of lots checked and changed, as a sentence."""
    if not lots:
        return "No lots of this grade were received yet."
    changed = sum(bool(lot["changed"]) for lot in lots)
    return f"{counted(len(lots), 'lot')} checked: {changed} would change, {len(lots) - changed} would not."


def moves_of(lot: Mapping[str, Any]) -> list[str]:
    """Returns the changes of a lot as sentences, with equal changes of several uses combined.

    Example:
        >>> moves_of({"uses": {"fit": "pass", "hidden": "pass", "flexing": "fail"}, "would_uses": {"fit": "fail", "hidden": "fail"}})
        ['fit and hidden: pass, would be fail.', 'flexing: fail, would no longer be assessed.']
    """
    alike: dict[tuple[str, str], list[str]] = {}
    for use in dict.fromkeys([*lot["would_uses"], *lot["uses"]]):
        move = (lot["uses"].get(use, ""), lot["would_uses"].get(use, ""))
        if move[0] != move[1]:
            alike.setdefault(move, []).append(hyphenated(use))
    return [
        f"{listed(uses)}: {word_of(now)}, {f'would be {word_of(then)}' if then else 'would no longer be assessed'}."
        for (now, then), uses in alike.items()
    ]


def word_of(verdict: str) -> str:
    """Returns the word for a verdict; "" means not assessed."""
    return _WORDS.get(verdict, verdict)


def _in_words(lot: str, use: str, now: str, then: str) -> str:
    if now == then:
        return f"Lot {lot}, {hyphenated(use)}: {word_of(now)}, unchanged."
    return f"Lot {lot}, {hyphenated(use)}: {word_of(now)} now, would be {word_of(then)}."


def _row(page: Sheet, y: float, lot: str, use: str, now: str, then: str) -> None:
    page.line((16, y), (WIDTH - 16, y), ink=SOFT)
    page.text((16, y + 13), short(lot, 18), size=13, bold=now != then)
    page.text((16, y + 26), hyphenated(use), size=11, ink=SOFT)
    for x, verdict in ((NOW, now), (THEN, then)):
        page.box((x - 4, y + 3), CELL, ROW - 6, fill=PALE if verdict == "fail" else PAPER, ink=SOFT)
        _mark(page, x + 8, y + ROW / 2, verdict)
        page.text((x + 20, y + 20), word_of(verdict), size=13, bold=now != then and verdict in ("pass", "fail"))
    if now != then:
        page.text((NOW + CELL - 1, y + 20), "→", size=15, bold=True)


def _mark(page: Sheet, x: float, y: float, verdict: str) -> None:
    """Draws a full dot for pass, a cross for fail, a ring for undecided, three dots for not measured, a stroke for not assessed."""
    if verdict == "pass":
        page.dot((x, y), 5)
    elif verdict == "fail":
        page.cross((x, y), 5)
    elif verdict == "near":
        page.dot((x, y), 5, fill="none", wide=1.5)
    elif verdict == "missing":
        for step in (-5.0, 0.0, 5.0):
            page.dot((x + step, y), 1.5)
    else:
        page.line((x - 5, y), (x + 5, y), wide=2)
