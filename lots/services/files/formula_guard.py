"""Protection against formulas in CSV files: an export puts an apostrophe before such text, and an import removes it."""

from __future__ import annotations

import re

# The apostrophe, and the texts that a spreadsheet would take for a formula.
GUARD = "'"
_FORMULA = re.compile(r"'*[=+\-@\t\r\n]")


def guarded(text: str) -> str:
    """Returns text for a spreadsheet. Text that looks like a formula gets an apostrophe in front.

    Apostrophes followed by a formula get one more, so that `unguarded` always restores the text.

    Example:
        >>> guarded("=1+1"), guarded("plain"), unguarded(guarded("'=1+1"))
        ("'=1+1", 'plain', "'=1+1")
    """
    return GUARD + text if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """Returns text without the apostrophe that `guarded` put in front."""
    return text[1:] if text.startswith(GUARD) and _FORMULA.match(text) else text
