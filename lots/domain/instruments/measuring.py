"""What an instrument may measure: by what its kind is called, by what quality stated, or by what it measured first."""

from __future__ import annotations

from collections.abc import Sequence

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.words import listed


def measures_of_kind(kind: str) -> list[str] | None:
    """Returns the characteristics that instruments of a kind measure, None where its name does not tell.

    Args:
        kind: what it is called, in any case, such as micrometer.

    Notes:
        Counts, such as of specks, are made by eye: no kind of instrument measures them.

    Reference:
        Common practice, no source: the words are those of the declarations.

    Example:
        >>> measures_of_kind("Laser micrometer"), measures_of_kind("glossmeter"), measures_of_kind("gauge")
        (['diameter', 'shrinkage'], ['gloss'], None)
    """
    called = kind.lower()
    return [name for name, one in DECLARED.items() if any(word in called for word in one.instruments)] or None


def may_measure(name: str, measures: Sequence[str] | None) -> bool:
    """Returns whether a reading of a characteristic may name an instrument: one that measures it, or of which nobody stated what it measures.

    Args:
        name: of the characteristic.
        measures: of the instrument; None where nobody stated them and it has measured nothing yet.

    Reference:
        ISO 10012:2003, 7.1 (equipment is confirmed for its intended use; from memory).

    Example:
        >>> may_measure("color", ["diameter"]), may_measure("color", None)
        (False, True)
    """
    return measures is None or name in measures


def refusal(declared: Characteristic, code: str, measures: Sequence[str], others: Sequence[str]) -> tuple[str, str]:
    """Returns in words why an instrument may not be named with a reading, and what to do.

    Args:
        declared: what was measured.
        code: of the instrument.
        measures: what it measures.
        others: instruments that may be named, by code and number.
    """
    does = f"It measures {listed([said(name) for name in measures])}." if measures else "It measures nothing any more."
    detail = f"Instrument {code} does not measure {declared.said}. {does}"
    if not declared.by_instrument:
        return detail, "This is counted by eye. Leave the instrument out."
    if others:
        return detail, f"Name the instrument that was used: {listed(others, 'or')}."
    return detail, "Have quality add the instrument that was used, or leave it out."
