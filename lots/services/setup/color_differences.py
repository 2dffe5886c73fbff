"""Colour differences between given colours, without a lot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TypedDict

from lots.domain.characteristics.declaring.plausibility import doubt_lab
from lots.domain.colorimetry.color_difference import checked_weights, components, delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.services.errors import Fault, Invalid
from lots.services.views import View


class Pair(TypedDict):
    """Two colours as L*, a*, b*."""

    reference: list[float]
    sample: list[float]


def differences(pairs: Sequence[Pair], formula: str, weights: Sequence[float] | None) -> View:
    """Returns the difference of each sample from its reference: value, signed components and direction in words.

    Raises:
        Invalid: a colour is not plausible, or the weights are not valid.
    """
    faults = [
        Fault(f"/pairs/{index}/{side}", doubt.detail, doubt.hint)
        for index, pair in enumerate(pairs)
        for side, lab in (("reference", pair["reference"]), ("sample", pair["sample"]))
        if (doubt := doubt_lab(lab, "included"))
    ]
    try:
        chosen = checked_weights(formula, weights)
    except ValueError as wrong:
        faults.append(Fault("/weights", f"{wrong}.", "Omit weights to use the default weights of the formula."))
    if faults:
        raise Invalid(*faults)
    found = []
    for pair in pairs:
        reference, sample = Lab(*pair["reference"]), Lab(*pair["sample"])
        parts = components(reference, sample)
        found.append(
            {
                "delta_e": delta_e(reference, sample, formula, chosen),
                "components": asdict(parts),
                "direction": parts.direction,
            }
        )
    return {"formula": formula, "weights": list(chosen), "differences": found}
