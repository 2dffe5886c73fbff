"""The rules by which version 1 derived forbidden uses from a grade's cautions, frozen. Since version 2 forbidden uses are a field."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
# Spellings of a use in a caution: "load-bearing", "load bearing" and "load_bearing" are equal.
_SAID = {use: re.compile(r"\b" + use.replace("_", r"[-_ ]?") + r"\b") for use in USES}
_BETWEEN_USES = {"and", "or", "nor", "for", "use", "uses", "part", "parts", "job", "jobs"}


def forbidden_uses(cautions: Sequence[str]) -> dict[str, str]:
    """Returns each use that a caution forbids, with that caution.

    A caution with "never", "not" or "no" forbids the uses it names ("never load-bearing or flexing"). A caution with "only" forbids the
    uses it does not name ("cosmetic only"). Any other caution, or one that names no use, forbids nothing.

    Args:
        cautions: sentences from the grade.

    Example:
        >>> forbidden_uses(["never load-bearing", "keep dry"])
        {'load_bearing': 'never load-bearing'}
    """
    found: dict[str, str] = {}
    for caution in cautions:
        for use in _forbidden_by(caution):
            found.setdefault(use, caution)
    return found


# Grades share few sentences.
@lru_cache(maxsize=1024)
def _forbidden_by(caution: str) -> tuple[str, ...]:
    found: list[str] = []
    for clause in _clauses(caution.lower()):
        named = [use for use, said in _SAID.items() if said.search(clause)]
        if not named:
            continue
        if re.search(r"\b(never|not|no)\b", clause):
            found += named
        elif re.search(r"\bonly\b", clause):
            found += [use for use in USES if use not in named]
    return tuple(found)


def _clauses(text: str) -> list[str]:
    """Splits a caution into independent parts: "cosmetic only, never load-bearing" has two.

    A part that only lists uses belongs to the "never" before it ("never load-bearing, flexing") or to the part after it
    ("cosmetic, hidden only").
    """
    found: list[str] = []
    for part in re.split(r"[,;.:]", text):
        if found and (
            ("never" in found[-1] and _only_lists_uses(part)) or (_only_lists_uses(found[-1]) and "never" not in part)
        ):
            found[-1] += " and " + part
        else:
            found.append(part)
    return found


def _only_lists_uses(part: str) -> bool:
    rest = part
    for said in _SAID.values():
        rest = said.sub(" ", rest)
    return rest != part and set(rest.replace("/", " ").split()) <= _BETWEEN_USES
