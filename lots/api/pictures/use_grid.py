"""Picture of permitted uses: a grid of lots and uses, with a word and a mark in each cell."""

from __future__ import annotations

from typing import Any

from lots.api.pictures.canvas import PAPER
from lots.api.pictures.sheet import PALE, SOFT, Sheet, leading, short, wrapped
from lots.domain.words import counted, hyphenated, status_said

WIDTH, LEFT, STANDING, CELL, ROW = 960.0, 340.0, 226.0, 119.0, 42.0
TITLE = "Permitted uses of lots"
WORDS = {"yes": "yes", "concession": "concession", "not_yet": "not yet", "not_judged": "not assessed", "no": "no"}
_KEY = (
    ("yes", "may be loaded", 24.0),
    ("concession", "under concession only", 140.0),
    ("not_yet", "not yet: in quarantine or on hold", 318.0),
    ("not_judged", "not assessed for this use", 548.0),
    ("no", "must not be loaded", 758.0),
)
_FOOT = "This overview is per lot. Check each spool before loading, since a single spool may still be refused, by itself or for its job."


def draw(answer: dict[str, Any]) -> str:
    """Returns the picture of a page of GET /lots/uses."""
    rows = answer["items"]
    says = _says(rows) + (" More lots follow on the next page." if answer["next"] else "")
    intro = wrapped(says, WIDTH - 48)
    top = 122 + leading(13) * len(intro)
    told = " ".join([says, *(_in_words(row) for row in rows)])
    page = Sheet(WIDTH, (top + ROW * len(rows) if rows else top - 60) + 40, TITLE, told)
    page.text((24, 30), TITLE, size=18, bold=True)
    page.lines((24, 54), intro)
    if rows:
        _key(page, top - 62)
        _head(page, rows[0], top)
        for number, row in enumerate(rows):
            _row(page, row, top + number * ROW)
        page.line((24, top + ROW * len(rows)), (LEFT, top + ROW * len(rows)), ink=SOFT)
        page.text((24, top + ROW * len(rows) + 22), _FOOT, size=12)
    return str(page)


def _says(rows: list[dict[str, Any]]) -> str:
    if not rows:
        return "No lots match these filters."
    free = sum(any(_of(row, use) in ("yes", "concession") for use in _uses(row)) for row in rows)
    return f"{counted(len(rows), 'lot')}: {free} may be loaded for at least one use, {len(rows) - free} for no use."


def _uses(row: dict[str, Any]) -> list[str]:
    return [part["use"] for part in row["uses"]]


def _of(row: dict[str, Any], use: str) -> str:
    return next(str(part["answer"]) for part in row["uses"] if part["use"] == use)


def _in_words(row: dict[str, Any]) -> str:
    """Returns the row of a lot in words, for people who cannot see the picture."""
    told = ", ".join(f"{hyphenated(part['use'])} {WORDS[part['answer']]}" for part in row["uses"])
    return f"Lot {row['supplier_lot']}, {status_said(row['standing'])}: {told}."


def _key(page: Sheet, at: float) -> None:
    for answer, words, x in _KEY:
        _mark(page, x + 6, at - 4, answer)
        page.text((x + 18, at), words, size=11)


def _head(page: Sheet, row: dict[str, Any], top: float) -> None:
    for x, words in ((24.0, "Lot"), (STANDING, "Status")):
        page.text((x, top - 10), words, size=12, bold=True)
    for column, use in enumerate(_uses(row)):
        page.text((LEFT + (column + 0.5) * CELL, top - 10), hyphenated(use), size=12, anchor="middle", bold=True)


def _row(page: Sheet, row: dict[str, Any], y: float) -> None:
    page.line((24, y), (LEFT, y), ink=SOFT)
    page.text((24, y + 18), short(row["supplier_lot"], 24), bold=True, verbatim=True)
    page.text((24, y + 34), short(f"{row['supplier']}, {row['grade']}", 34), size=10, ink=SOFT, verbatim=True)
    page.text((STANDING, y + 18), status_said(row["standing"]), size=12)
    page.text((STANDING, y + 34), f"received {page.place.day(row['received_at'])}", size=10, ink=SOFT)
    for column, part in enumerate(row["uses"]):
        left, bold = LEFT + column * CELL, part["answer"] in ("yes", "concession")
        page.box((left, y), CELL, ROW, fill=PAPER if bold else PALE, ink=SOFT)
        _mark(page, left + 16, y + 21, part["answer"])
        page.text((left + 32, y + 25), WORDS[part["answer"]], size=12, bold=bold)


def _mark(page: Sheet, x: float, y: float, answer: str) -> None:
    """Draws a full dot, a ring with a dot, three dots, a stroke or a cross."""
    if answer == "yes":
        page.dot((x, y), 6)
    elif answer == "concession":
        page.dot((x, y), 6, fill="none", wide=1.5)
        page.dot((x, y), 2.5)
    elif answer == "not_yet":
        for step in (-5.0, 0.0, 5.0):
            page.dot((x + step, y), 1.5)
    elif answer == "not_judged":
        page.line((x - 6, y), (x + 6, y), wide=2)
    else:
        page.cross((x, y), 5)
