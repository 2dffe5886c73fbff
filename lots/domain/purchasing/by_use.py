"""Uses in purchasing: order, names, and the combination of a lot's verdicts over several uses."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.domain.words import hyphenated

AT_LEAST_ONE, EVERY = "at least one use", "every use"
# Names of several uses together.
SEVERAL = {"every_use": EVERY, "at_least_one_use": AT_LEAST_ONE}
_ORDER = (*USES, GENERAL)


def in_order(uses: Iterable[str]) -> list[str]:
    """Returns uses without duplicates, in the order in which limits list them; any other last, by name.

    Example:
        >>> in_order(["general", "fit", "cosmetic", "fit"])
        ['cosmetic', 'fit', 'general']
    """
    return sorted(set(uses), key=lambda use: (_ORDER.index(use) if use in _ORDER else len(_ORDER), use))


def for_words(use: str) -> str:
    """Returns the name of a use, or of one of SEVERAL, for a sentence after "for".

    Example:
        >>> for_words("load_bearing"), for_words("general"), for_words("every_use")
        ('load-bearing', 'general use', 'every use')
    """
    return SEVERAL.get(use) or ("general use" if use == GENERAL else hyphenated(use))


def ask_for_general(use: str | None, known: Collection[str]) -> str:
    """Returns the hint to ask for general use, with a leading space; "" where no use was asked for, or the use is known.

    Args:
        use: use asked for.
        known: uses that the limits name.

    Example:
        >>> ask_for_general("fit", ["general"]), ask_for_general("fit", ["fit"])
        (' The limits name no use. Ask for general use.', '')
    """
    return " The limits name no use. Ask for general use." if use and use not in known and GENERAL in known else ""


def on_every_use(verdicts: Mapping[str, bool], uses: Iterable[str] | None = None) -> bool | None:
    """Returns whether a lot was accepted for all of these uses; None where unknown. One rejection makes it False.

    Args:
        verdicts: use -> whether the lot was accepted for it.
        uses: the uses; None for all uses with a verdict.

    Example:
        >>> on_every_use({"cosmetic": False, "fit": True}), on_every_use({"fit": True}, ("cosmetic", "fit")), on_every_use({})
        (False, None, None)
    """
    asked = [verdicts.get(use) for use in (verdicts if uses is None else uses)]
    if False in asked:
        return False
    return True if asked and None not in asked else None
