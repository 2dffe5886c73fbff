"""The limits block of colour: fields, checks and words for reports."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, Problem, fewest
from lots.domain.characteristics.declaring.printing import by_test_print
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, DEFAULT_WEIGHTS, WEIGHT_NAMES, checked_weights
from lots.domain.words import counted

# Symbols of colour differences by formula, with the capital delta of ISO/CIE 11664-4.
SYMBOLS = {"CIE76": "ΔE*ab", "CIE94": "ΔE*94", "CMC": "ΔE CMC", "CIEDE2000": "ΔE00"}
COORDINATES = ("L", "a", "b")


def color_limits(block: Mapping[str, Any]) -> ColorLimits:
    """Returns the colour limits of a posted block; without any limit for an empty one."""
    if not block:
        return ColorLimits()
    formula, tint = block.get("formula", DEFAULT_FORMULA), block.get("tint")
    rest = {key: value for key, value in block.items() if key not in ("formula", "weights", "tint")}
    weights = checked_weights(formula, block.get("weights"))
    return ColorLimits(formula, weights, tint=(tint[0], tint[1]) if tint else None, **rest)


def _problems(block: Mapping[str, Any]) -> list[Problem]:
    try:
        checked_weights(block.get("formula", DEFAULT_FORMULA), block.get("weights"))
    except ValueError as wrong:
        return [("/weights", f"{wrong}.", "Leave out weights to use those of the formula.")]
    return []


def _terms(limits: ColorLimits, _: float) -> str:
    weights = limits.weights or DEFAULT_WEIGHTS[limits.formula]
    named = ", ".join(f"{name} {w:g}" for name, w in zip(WEIGHT_NAMES[limits.formula], weights, strict=True))
    weighted = f" with {named}" if named else ""
    least = counted(limits.readings_per_spool_min, "reading")
    return (
        f"Colour differences {SYMBOLS[limits.formula]} by {limits.formula}{weighted}, from at least {least} per spool. "
        "Positive ΔL* is lighter, Δa* redder, Δb* yellower than the reference."
    )


# Common practice for a white, no source.
_PROPOSALS = {"L": 0.8, "a": 0.4, "b": 0.6}
_SPECTRAL = ("metamerism_max", "whiteness_min", "tint", "yellowness_max")
COLOR_LIMITS = LimitsBlock(
    about="Limits on colour. `job_pair_max` limits the difference of two lots in one job; the default is `step_max`.\n\n"
    "Limits on metamerism, whiteness, tint and yellowness need a limit on the colour itself.",
    fields=(
        LimitField(
            "formula",
            "formula of every colour difference in these limits",
            label="Formula",
            type="choice",
            words=tuple(DEFAULT_WEIGHTS),
            default=DEFAULT_FORMULA,
        ),
        LimitField(
            "weights",
            "weights of the formula. CIE94: kL, K1, K2. CMC: l, c. CIEDE2000: kL, kC, kH. Its own weights when left out",
            on_form="Weights with blanks between them. CIE94: kL K1 K2. CMC: l c. CIEDE2000: kL kC kH.",
            label="Weights",
            type="list",
            above=0,
            high=100,
        ),
        LimitField(
            "lot_max",
            "colour difference of the lot's mean from the reference",
            label="Lot mean, at most",
            proposal=1.0,
            asks=True,
            above=0,
            high=100,
            example=1.0,
        ),
        LimitField(
            "spool_max",
            "colour difference of the worst spool from the reference",
            label="Worst spool, at most",
            proposal=1.3,
            asks=True,
            above=0,
            high=100,
            example=1.3,
        ),
        LimitField(
            "spread_max",
            "mean colour difference of the spools from their mean",
            label="Spread within the lot, at most",
            proposal=0.5,
            asks=True,
            above=0,
            high=100,
        ),
        LimitField(
            "spool_pair_max",
            "colour difference between any two spools of the lot, measured or not",
            label="Any two spools, at most",
            asks=True,
            above=0,
            high=100,
        ),
        # Not enough by itself, since a first lot has no step.
        LimitField(
            "step_max",
            "colour difference from the last accepted lot",
            label="Step from the last lot, at most",
            proposal=0.8,
            above=0,
            high=100,
        ),
        LimitField(
            "job_pair_max",
            "colour difference between two lots of one job; the limit on the step when left out",
            label="Two lots of one job, at most",
            proposal=0.5,
            above=0,
            high=100,
        ),
        LimitField(
            "control_max",
            "colour difference between the lot and the control spool, printed in one build",
            label="Difference from the control spool, at most",
            above=0,
            high=100,
        ),
        LimitField(
            "components_max",
            "Largest difference from the reference in each coordinate, either way.",
            label="Per coordinate",
            type="map",
            asks=True,
            schema="Components",
            parts=tuple(
                LimitField(
                    name,
                    f"largest difference in {name}*, either way",
                    label=f"Δ{name}*, at most",
                    proposal=_PROPOSALS[name],
                    above=0,
                    high=100,
                )
                for name in COORDINATES
            ),
        ),
        fewest("readings_per_spool_min", "fewest colours measured on a spool", "Fewest readings per spool", 3),
        by_test_print(),
        LimitField(
            "metamerism_max",
            "metamerism index under A and LED-B3, from spectra of lot and reference",
            label="Metamerism index, at most",
            above=0,
            high=100,
        ),
        LimitField("whiteness_min", "least CIE whiteness of the lot", label="CIE whiteness, at least", low=0, high=300),
        LimitField("tint", "CIE tint, from lowest to highest", label="CIE tint", type="pair", low=-10, high=10),
        LimitField(
            "yellowness_max",
            "largest yellowness index of ASTM E313",
            label="Yellowness index, at most",
            low=-200,
            high=200,
        ),
    ),
    read=color_limits,
    problems=_problems,
    # None of these limits a colour by itself: a pink cast does not change whiteness.
    beside=(
        _SPECTRAL,
        "sets no limit on the colour itself, which limits on metamerism, whiteness, tint and yellowness need",
    ),
    terms=_terms,
)
