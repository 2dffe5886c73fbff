"""Picture of colour matches of lots in stock: a dot for a pair that may share a job, a cross for others, and the result in words."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from lots.api.pictures.canvas import PAPER, Point
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.words import counted, listed

WIDTH, LEFT, CELL = 960.0, 200.0, 48.0
# Maximum number of lots in the table, the oldest first.
MOST = 15
RULE = "Check every pair: if A matches B and B matches C, A may still not match C."


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of an answer of GET /match-table."""
    names = [lot["supplier_lot"] for lot in answer["lots"]]
    pairs = dict(zip(combinations(range(len(names)), 2), answer["pairs"], strict=True))
    shown = names[:MOST]
    says = _says(names, pairs)
    words = [row for line in _in_words(names, pairs) for row in wrapped(line, WIDTH - 48, 12, verbatim=True)]
    if len(names) > MOST:
        words.append(f"The table shows the oldest {MOST} of {len(names)} lots. These lines cover all lots.")
    table = len(shown) > 1
    top = 110.0 if table else 76.0
    foot = top + (CELL * len(shown) + 20 if table else 0)
    page = Sheet(WIDTH, foot + leading(12) * len(words) + 20, "Colour matches of lots in stock", says)
    page.text((24, 30), "Colour matches of lots in stock", size=18, bold=True)
    page.text((24, 54), says)
    if table:
        _key(page, 82)
        _table(page, shown, pairs, top)
    page.lines((24, foot + 10), words, size=12)
    return str(page)


def _says(names: list[str], pairs: dict[tuple[int, int], dict[str, Any]]) -> str:
    if len(names) < 2:
        return f"{counted(len(names), 'lot')} of this grade in stock: no pair to compare."
    good = sum(pair["within"] is True for pair in pairs.values())
    return f"{counted(len(names), 'lot')} in stock: {good} of {counted(len(pairs), 'pair')} may share a job. {RULE}"


def _key(page: Sheet, at: float) -> None:
    for x, within, words in (
        (36, True, "match"),
        (156, False, "no match: not in one job"),
        (396, None, "unknown"),
    ):
        _mark(page, (x, at - 4), within)
        page.text((x + 14, at), words, size=12)
    page.text((WIDTH - 24, at), "Below each mark: colour difference", size=12, anchor="end")


def _mark(page: Sheet, at: Point, within: bool | None) -> None:
    if within is None:
        page.text((at[0], at[1] + 5), "?", size=15, anchor="middle", bold=True)
    elif within:
        page.dot(at, 6)
    else:
        page.cross(at, 6)


def _table(page: Sheet, names: list[str], pairs: dict[tuple[int, int], dict[str, Any]], top: float) -> None:
    for row, name in enumerate(names):
        y = top + row * CELL
        page.text((24, y + 28), f"{row + 1}", size=12, bold=True)
        page.text((50, y + 28), short(name, 18), verbatim=True)
        for column in range(row):
            pair = pairs[column, row]
            left = LEFT + column * CELL
            page.box((left, y), CELL, CELL, fill=PAPER, ink=SOFT)
            _mark(page, (left + CELL / 2, y + 17), pair["within"])
            apart = "no data" if pair["delta_e"] is None else f"{pair['delta_e']:.2f}"
            page.text((left + CELL / 2, y + 41), apart, size=11, anchor="middle")
        page.box((LEFT + row * CELL, y), CELL, CELL, fill=PALE, ink=SOFT)
        page.text((LEFT + (row + 0.5) * CELL, y + 29), f"{row + 1}", size=12, anchor="middle", bold=True)


def _in_words(names: list[str], pairs: dict[tuple[int, int], dict[str, Any]]) -> list[str]:
    """Returns a sentence for each lot with its matches and unknown pairs."""
    if len(names) < 2:
        return []
    lines = []
    for one, name in enumerate(names):
        others: dict[bool | None, list[str]] = {True: [], False: [], None: []}
        for other, theirs in enumerate(names):
            if other != one:
                others[pairs[min(one, other), max(one, other)]["within"]].append(theirs)
        open_end = f" A match with {listed(others[None], 'or')} is unknown." if others[None] else ""
        lines.append(f"{name} matches {listed(others[True]) if others[True] else 'no other lot'}.{open_end}")
    return lines
