"""The content of a limits revision and the value read from it. Source: this project's rules."""

import pytest

from lots.domain.assessment.limits_revision import (
    CHARACTERISTICS,
    DEFINING,
    GENERAL,
    USES,
    Limits,
    limits_from,
    problems,
    verdict_on_use,
)
from lots.domain.characteristics.bond.lot_bond import BondLimits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.gloss import GlossLimits
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.characteristics.opacity.lot_opacity import OpacityLimits
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits
from lots.domain.characteristics.surface import SurfaceLimits
from lots.domain.conformity.limits import DecisionRule
from lots.domain.receiving.coverage import Sampling

WHOLE = {
    "decision_rule": "guarded",
    "guard_z": 2.0,
    "sampling": {"fixed": 3},
    "color": {
        "formula": "CMC",
        "weights": [2, 1],
        "lot_max": 1.0,
        "components_max": {"b": 0.6},
        "metamerism_max": 0.5,
        "whiteness_min": 70,
        "tint": [-1, 1.5],
        "yellowness_max": 4,
    },
    "diameter": {"mean_tolerance_mm": 0.03, "ovality_max_mm": 0.05, "readings_per_spool_min": 3},
    "shrinkage": {"x_percent": [0.1, 0.5], "step_max_percent": 0.15, "tests_per_axis_min": 2, "age_h": [24, 48]},
    "bond": {"mean_min_mpa": 20.0, "control_ratio_min": 0.7},
    "surface": {"specks_per_dm2_max": 1.0, "area_dm2_min": 4.0},
    "moisture": {"max_percent": 0.05},
    "uses": {"cosmetic": ["color", "surface"], "load_bearing": ["bond", "diameter"]},
    "gloss": {"deg_60_gu": [30, 50], "deg_85_gu": [0, 8.5], "readings_per_spool_min": 3},
    "opacity": {"contrast_ratio_min": 0.98},
}


def test_a_whole_revision_has_no_problems_and_keeps_every_number():
    """Each block of a complete revision is read into its value without a problem."""
    assert [] == problems(WHOLE)
    assert Limits(
        DecisionRule(guarded=True, z=2.0),
        Sampling(fixed=3),
        color=ColorLimits(
            "CMC",
            (2.0, 1.0),
            lot_max=1.0,
            components_max={"b": 0.6},
            metamerism_max=0.5,
            whiteness_min=70,
            tint=(-1, 1.5),
            yellowness_max=4,
        ),
        diameter=DiameterLimits(0.03, None, 0.05, 3),
        shrinkage=ShrinkageLimits({"x": (0.1, 0.5)}, 0.15, 2, (24, 48)),
        bond=BondLimits(20.0, None, 0.7),
        surface=SurfaceLimits(1.0, 4.0),
        moisture=MoistureLimits(0.05),
        uses={"cosmetic": ("color", "surface"), "load_bearing": ("bond", "diameter")},
        gloss=GlossLimits({60: (30, 50), 85: (0, 8.5)}, 3),
        opacity=OpacityLimits(0.98),
    ) == limits_from(WHOLE)


def test_a_short_revision_takes_the_defaults():
    """A short revision defaults to simple acceptance at 1.645, CIEDE2000 with its own weights, one reading per spool and no fixed sample."""
    found = limits_from({"color": {"lot_max": 1.0}})
    assert (DecisionRule(False, 1.645), None, ("color",)) == (found.rule, found.sampling.fixed, found.blocks)
    assert ("CIEDE2000", (1.0, 1.0, 1.0), 1) == (
        found.color.formula,
        found.color.weights,
        found.color.readings_per_spool_min,
    )


@pytest.mark.parametrize(
    ("body", "pointer", "says"),
    [
        ({"color": {"whiteness_min": 70, "metamerism_max": 0.5}}, "/color", "sets no limit on the colour itself"),
        ({"color": {"lot_max": 1.0, "tint": [1, -1]}}, "/color/tint", "above the upper"),
        ({"gloss": {"readings_per_spool_min": 3}}, "/gloss", "sets no limit"),
        ({"gloss": {"deg_60_gu": [50, 30]}}, "/gloss/deg_60_gu", "above the upper"),
        ({}, "", "These limits are empty"),
        ({"color": None}, "", "These limits are empty"),
        ({"color": {"formula": "CIE76"}}, "/color", "sets no limit"),
        ({"color": {"components_max": {}}}, "/color", "sets no limit"),
        ({"diameter": {"readings_per_spool_min": 3}}, "/diameter", "sets no limit"),
        ({"shrinkage": {"step_max_percent": 0.1}}, "/shrinkage", "sets no limit"),
        ({"color": {"step_max": 0.5}}, "/color", "sets no limit"),
        ({"bond": {"tests_min": 3}}, "/bond", "sets no limit"),
        ({"color": {"lot_max": 1, "weights": [1]}}, "/color/weights", "takes 3 weights"),
        ({"color": {"lot_max": 1, "formula": "CIE94", "weights": [1, 0, 1]}}, "/color/weights", "positive"),
        ({"shrinkage": {"x_percent": [0.5, 0.1]}}, "/shrinkage/x_percent", "above the upper"),
        ({"shrinkage": {"z_percent": [0.001, 0.005]}}, "/shrinkage/z_percent", "looks like a fraction"),
        ({"shrinkage": {"x_percent": [0, 1], "age_h": [48, 24]}}, "/shrinkage/age_h", "above the latest"),
        ({"moisture": {"max_percent": 5.01}}, "/moisture/max_percent", "not a plausible"),
        ({"moisture": {"max_percent": 250}}, "/moisture/max_percent", "not a plausible"),
        ({"moisture": {"max_percent": 0.0004}}, "/moisture/max_percent", "not a plausible"),
        ({"moisture": {"max_percent": 1}, "uses": {}}, "/uses", "The map of uses is empty"),
        ({"moisture": {"max_percent": 1}, "uses": {"fit": []}}, "/uses/fit", "requires no characteristic"),
        ({"moisture": {"max_percent": 1}, "uses": {"fit": ["shrinkage"]}}, "/uses/fit", "have no shrinkage block"),
    ],
    ids=[
        "whites-alone",
        "crossed-tint",
        "gloss-without-angle",
        "crossed-gloss",
        "nothing",
        "null-block",
        "colour-without-limit",
        "empty-components",
        "diameter-without-limit",
        "shrinkage-without-axis",
        "colour-step-alone",
        "bond-without-floor",
        "weights-count",
        "weights-zero",
        "crossed-ends",
        "fraction-for-percent",
        "crossed-ages",
        "too-much-water",
        "water-in-ppm",
        "water-as-a-fraction",
        "no-uses",
        "use-without-needs",
        "use-needs-absent-block",
    ],
)
def test_limits_that_would_pass_by_omission_are_refused(body, pointer, says):
    """Each error in a revision is reported once, with its place, the problem and the remedy."""
    ((where, what, remedy),) = problems(body)
    assert pointer == where
    assert says in what
    assert remedy


def test_every_problem_is_reported_at_once():
    """Three errors in one revision are three problems."""
    body = {
        "color": {"formula": "CIE76"},
        "shrinkage": {"x_percent": [0.5, 0.1], "y_percent": [0.3, 0.2]},
        "uses": {"cosmetic": ["color", "bond"]},
    }
    assert {"/color", "/shrinkage/x_percent", "/shrinkage/y_percent", "/uses/cosmetic"} == {
        p for p, _, _ in problems(body)
    }


@pytest.mark.parametrize(
    "body",
    [
        {"surface": {"specks_per_dm2_max": 0}},
        {"color": {"lot_max": 0}},
        {"shrinkage": {"x_percent": [0, 0]}},
        {"shrinkage": {"x_percent": [-0.1, 0.1]}},
    ],
    ids=["no-specks", "no-difference", "no-shrinkage", "about-zero"],
)
def test_a_limit_of_zero_is_a_limit(body):
    """A limit of zero differs from no limit."""
    assert [] == problems(body)


def test_without_named_uses_everything_is_required_in_general():
    """Limits without named uses require every block for the general use."""
    limits = Limits(color=ColorLimits(lot_max=1.0), moisture=MoistureLimits(0.05))
    assert {GENERAL: ("color", "moisture")} == limits.required()
    assert (GENERAL,) == limits.used_by("moisture")
    assert () == limits.used_by("bond")


def test_a_characteristic_knows_which_uses_require_it():
    """With named uses, only uses that list a characteristic require it."""
    limits = limits_from(WHOLE)
    assert ("cosmetic",) == limits.used_by("surface")
    assert () == limits.used_by("moisture")


@pytest.mark.parametrize("verdict", ["pass", "near", "missing", "fail"])
@pytest.mark.parametrize("use", USES)
def test_a_named_use_has_its_own_verdict(use, verdict):
    """A use named by the limits has its own verdict, whatever the general verdict."""
    assert verdict == verdict_on_use({use: verdict, GENERAL: "pass"}, (), use)


@pytest.mark.parametrize("use", USES)
def test_a_general_verdict_needs_the_defining_characteristic(use):
    """Without named uses, a use has the general verdict only if its defining characteristic has limits."""
    defining = DEFINING.get(use)
    rest = tuple(name for name in CHARACTERISTICS if name != defining)
    assert "pass" == verdict_on_use({GENERAL: "pass"}, CHARACTERISTICS, use)
    assert verdict_on_use({GENERAL: "pass"}, rest, use) == ("pass" if defining is None else None)


@pytest.mark.parametrize("uses", [{}, {GENERAL: "pass"}, {"cosmetic": "pass"}], ids=["none", "general", "another"])
def test_an_unknown_use_has_no_verdict(uses):
    """An unknown use has no verdict, even with a general pass."""
    assert verdict_on_use(uses, CHARACTERISTICS, "medical") is None
