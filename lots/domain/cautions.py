"""What a grade's cautions forbid."""

from __future__ import annotations

import re
from collections.abc import Sequence

from lots.domain.agreed import USES

# How a use is said in a caution: "load-bearing", "load bearing" and "load_bearing" are one word here.
_SAID = {use: re.compile(r"\b" + use.replace("_", r"[-_ ]?") + r"\b") for use in USES}


def forbidden_uses(cautions: Sequence[str]) -> dict[str, str]:
    """Returns each use that a caution forbids, with that caution.

    A caution that says "never" forbids the uses it names ("never load-bearing or flexing"). One that says "only" forbids the
    uses it does not name ("cosmetic only"). Any other caution is advice. A caution that names no use forbids nothing.

    Args:
        cautions: sentences from the grade.

    Example:
        >>> forbidden_uses(["never load-bearing", "keep dry"])
        {'load_bearing': 'never load-bearing'}
    """
    found: dict[str, str] = {}
    for caution in cautions:
        text = caution.lower()
        # "Cosmetic only, never load-bearing": each clause speaks for itself.
        for clause in re.split(r"[,;.:]", text):
            named = [use for use, said in _SAID.items() if said.search(clause)]
            if not named:
                continue
            if re.search(r"\bnever\b", clause):
                forbidden = named
            elif re.search(r"\bonly\b", clause):
                forbidden = [use for use in USES if use not in named]
            else:
                continue
            for use in forbidden:
                found.setdefault(use, caution)
    return found
