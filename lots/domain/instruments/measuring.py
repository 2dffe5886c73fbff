"""Characteristics that an instrument may measure: by its kind, by quality's statement, or by its first readings."""

from __future__ import annotations

from collections.abc import Sequence

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.words import listed


def measures_of_kind(kind: str) -> list[str] | None:
    """Returns the characteristics that a kind of instrument measures, None for an unknown kind.

    Args:
        kind: name of the kind, in any case, such as micrometer.

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
    """Returns whether a reading of a characteristic may name an instrument: it measures the characteristic, or its measures are unknown.

    Args:
        name: of the characteristic.
        measures: of the instrument; None if not stated and without readings.

    Reference:
        ISO 10012:2003, 7.1 (equipment is confirmed for its intended use; from memory).

    Example:
        >>> may_measure("color", ["diameter"]), may_measure("color", None)
        (False, True)
    """
    return measures is None or name in measures


def refusal(declared: Characteristic, code: str, measures: Sequence[str], others: Sequence[str]) -> tuple[str, str]:
    """Returns (detail, hint) for a reading with an instrument that does not measure its characteristic.

    Args:
        declared: characteristic of the reading.
        code: of the instrument.
        measures: characteristics of the instrument.
        others: permitted instruments, by code and number.
    """
    does = (
        f"It measures {listed([said(name) for name in measures])}."
        if measures
        else "It is not used for any measurement."
    )
    detail = f"Instrument {code} does not measure {declared.said}. {does}"
    if not declared.by_instrument:
        return detail, "This is counted by eye. Leave the instrument out."
    if others:
        return detail, f"Name the instrument that was used: {listed(others, 'or')}."
    return detail, "Have quality add the instrument that was used, or leave it out."
