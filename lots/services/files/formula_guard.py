"""Formulas in files: text that a spreadsheet would run gets an apostrophe in front on its way out, and loses it on its way in."""

from __future__ import annotations

import re

# What an export puts before text that a spreadsheet would take for a formula, and what it puts it before.
GUARD = "'"
_FORMULA = re.compile(r"'*[=+\-@\t\r\n]")


def guarded(text: str) -> str:
    """Returns text as a spreadsheet can be given it: what looks like a formula gets an apostrophe in front.

    Text that begins with apostrophes and then looks like a formula gets one more, so that `unguarded` always gives back what went in.

    Example:
        >>> guarded("=1+1"), guarded("plain"), unguarded(guarded("'=1+1"))
        ("'=1+1", 'plain', "'=1+1")
    """
    return GUARD + text if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """Returns text without the apostrophe that `guarded` put in front."""
    return text[1:] if text.startswith(GUARD) and _FORMULA.match(text) else text
