"""Hypothesis strategies: colours, readings around their limits, and whole lots of evidence."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from lots.domain.assessment.assessment import Evidence
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.stringing import StringingCheck
from lots.domain.characteristics.surface import SurfaceCheck
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import DecisionRule
from tests.domain.builders import EVERY_LIMIT, bar, color, control, coupon, gauge, plaque, shiny, wet


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite numbers between two ends."""
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def steps(low: float, high: float, by: float) -> st.SearchStrategy[float]:
    """Numbers in an instrument's steps, so that values on a limit are drawn too."""
    first, last = round(low / by), round(high / by)
    return st.integers(first, last).map(lambda i: round(i * by, 10))


ANY_LAB = st.builds(Lab, numbers(0, 100), numbers(-128, 128), numbers(-128, 128))
NEAR_WHITE = st.builds(Lab, steps(93.5, 96.5, 0.1), steps(-1.6, 0.0, 0.1), steps(0.3, 2.7, 0.1))
SPOOLS = st.sampled_from(("A", "B", "C"))
KNOWN = st.sampled_from((0.01, 0.05, 0.2))
MAYBE = st.one_of(st.none(), KNOWN)
RULES = st.sampled_from((DecisionRule(), DecisionRule(guarded=True), DecisionRule(guarded=True, z=0.5)))

COLORS = st.builds(lambda s, lab, u: color(s, *lab.as_list(), u=u), SPOOLS, NEAR_WHITE, MAYBE)
DIAMETERS = st.builds(
    lambda s, d1, d2, u: gauge(s, d1, d2, u=None if u is None else u / 10),
    SPOOLS,
    steps(1.68, 1.82, 0.01),
    steps(1.68, 1.82, 0.01),
    MAYBE,
)
COUPONS = st.builds(
    lambda s, p, d, f, u: replace(coupon(p, "x", d, f, u=u), spool=s),
    SPOOLS,
    steps(0.0, 0.7, 0.05),
    st.sampled_from((40.0, 100.0)),
    st.sampled_from(("outside", "inside")),
    MAYBE,
)
BARS = st.builds(lambda s, stress, u: replace(bar(stress, u), spool=s), SPOOLS, steps(12, 28, 0.5), MAYBE)
CONTROLS = st.builds(control, steps(24, 34, 0.5), MAYBE)
CHECKS = st.builds(SurfaceCheck, SPOOLS, st.integers(0, 12), st.sampled_from((1.0, 2.5, 5.0)))
WETS = st.builds(wet, SPOOLS, steps(0.0, 0.09, 0.005), st.sampled_from((0.0, 1.0, 2.0)), MAYBE)
GLOSSES = st.builds(shiny, SPOOLS, steps(25, 55, 0.5), st.sampled_from((60, 60, 85)), MAYBE)
HAIRS = st.builds(StringingCheck, SPOOLS, st.integers(0, 12), st.integers(1, 20))
# All of them opaque, so that no colour is left out; a plaque that is not has laws of its own.
PLAQUES = st.builds(plaque, SPOOLS, steps(94.8, 95.2, 0.1), st.just(95.0), st.sampled_from((0.0, 1.0, 2.0)), MAYBE)


def some(readings: st.SearchStrategy) -> st.SearchStrategy[tuple]:
    """No to a few elements."""
    return st.lists(readings, max_size=5).map(tuple)


LOTS = st.builds(
    Evidence,
    color=some(COLORS),
    diameter=some(DIAMETERS),
    shrinkage=some(COUPONS),
    bond=some(st.one_of(BARS, CONTROLS)),
    surface=some(CHECKS),
    moisture=some(WETS),
    gloss=some(GLOSSES),
    opacity=some(PLAQUES),
    stringing=some(HAIRS),
)

USES = st.sampled_from(
    (
        {},
        {"cosmetic": ("color", "surface"), "load_bearing": ("bond", "diameter")},
        {"fit": ("shrinkage", "diameter"), "hidden": ("diameter", "moisture")},
    )
)
# Every limit of a kind where a larger number allows more; floors the other way round.
CEILINGS = {
    "color": ("lot_max", "spool_max", "spread_max", "step_max"),
    "diameter": ("mean_tolerance_mm", "reading_tolerance_mm", "ovality_max_mm"),
    "shrinkage": ("step_max_percent",),
    "surface": ("specks_per_dm2_max",),
    "stringing": ("hairs_per_gap_max",),
    "moisture": ("max_percent",),
}
FLOORS = {"bond": ("mean_min_mpa", "single_min_mpa", "control_ratio_min"), "opacity": ("contrast_ratio_min",)}
EVERY_END = [f"{block}.{name}" for table in (CEILINGS, FLOORS) for block, names in table.items() for name in names] + [
    "color.components_max.L",
    "color.components_max.a",
    "color.components_max.b",
    "shrinkage.percent.low",
    "shrinkage.percent.high",
    "gloss.gu.low",
    "gloss.gu.high",
]


@st.composite
def limits(draw: st.DrawFn) -> Limits:
    """Limits of every kind, tight or loose, under either rule, for one general use or several."""
    scaled = EVERY_LIMIT
    for end in EVERY_END:
        if draw(st.booleans()):
            scaled = widened(scaled, end, draw(st.sampled_from((-0.3, 0.5))))
    return replace(scaled, rule=draw(RULES), uses=draw(USES))


def widened(agreed: Limits, end: str, by: float) -> Limits:
    """The same limits with one end moved outwards by a fraction of itself (inwards when negative)."""
    block_name, name, *part = end.split(".")
    block = getattr(agreed, block_name)
    if name == "percent":
        low, high = block.percent["x"]
        moved = (low - by * 0.1, high) if part == ["low"] else (low, high + by * 0.1)
        changed = replace(block, percent={"x": moved})
    elif name == "gu":
        moved = {
            angle: (max(0.0, low - by * 5), high) if part == ["low"] else (low, high + by * 5)
            for angle, (low, high) in block.gu.items()
        }
        changed = replace(block, gu=moved)
    elif name == "components_max":
        most = dict(block.components_max)
        most[part[0]] *= 1 + by
        changed = replace(block, components_max=most)
    elif block_name in FLOORS:
        changed = replace(block, **{name: getattr(block, name) * (1 - by)})
    else:
        changed = replace(block, **{name: getattr(block, name) * (1 + by)})
    return replace(agreed, **{block_name: changed})


def shuffled(evidence: Evidence, draw: st.DrawFn) -> Evidence:
    """The same readings in another order."""
    return Evidence(**{name: tuple(draw(st.permutations(some))) for name, some in evidence.readings.items()})
