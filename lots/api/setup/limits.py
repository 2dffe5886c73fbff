"""The shape of a limits revision: every block optional, an absent block not required."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, post_load, validate

from lots.api.http.fields import Instant, Number, Numbers, Strict, Text, Truth, Whole
from lots.domain.assessment.limits_revision import CHARACTERISTICS, USES
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS
from lots.domain.receiving.sampling_plans import GREATEST_PERCENT, LEVELS

_DELTA_E = {"description": "colour difference in the formula"}


class SamplingArgs(Strict):
    """How many spools of a delivery to measure: a fixed number, or an attributes plan of MIL-STD-105E."""

    fixed = Whole(1, 1000, metadata={"description": "this many, or all when there are fewer"})
    plan = Text(
        20, one_of=("MIL-STD-105E",), metadata={"description": "the standard whose plans are used, instead of fixed"}
    )
    level = Text(3, one_of=LEVELS, metadata={"description": "inspection level of the plan"})
    aql = Number(above=0, high=GREATEST_PERCENT, metadata={"description": "acceptance quality limit, % nonconforming"})
    reduced_allowed = Truth(metadata={"description": "true lets ten accepted lots lead to reduced inspection"})
    retest_rounds_max = Whole(
        0, 100, metadata={"description": "extra rounds of readings after which quality must decide"}
    )


class ComponentsArgs(Strict):
    """Most |sample - reference| per coordinate."""

    L = Number(above=0, high=100, metadata={"description": "most |dL*|"})
    a = Number(above=0, high=100, metadata={"description": "most |da*|"})
    b = Number(above=0, high=100, metadata={"description": "most |db*|"})


class ColorLimitsArgs(Strict):
    """Limits on colour. `job_pair_max` is the most that two lots of one job may differ; without it `step_max` is.

    Those from `metamerism_max` on stand beside a limit on the colour itself, never in its place.
    """

    formula = Text(
        20,
        one_of=tuple(DEFAULT_WEIGHTS),
        load_default="CIEDE2000",
        metadata={"description": "of every colour difference here"},
    )
    weights = fields.List(
        Number(above=0, high=100), metadata={"description": "CIE94 [kL, K1, K2]; CMC [l, c]; CIEDE2000 [kL, kC, kH]"}
    )
    lot_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    spool_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    spread_max = Number(
        above=0, high=100, metadata={"description": "mean colour difference of the spools from their mean"}
    )
    step_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    job_pair_max = Number(
        above=0,
        high=100,
        metadata={
            "description": "colour difference in the formula between two lots of one job; step_max when left out"
        },
    )
    components_max = fields.Nested(ComponentsArgs)
    readings_per_spool_min = Whole(1, 1000, load_default=1, metadata={"description": "fewest colours read on a spool"})
    metamerism_max = Number(
        above=0,
        high=100,
        metadata={
            "description": "metamerism index in the formula, under A and LED-B3, by spectra of lot and reference"
        },
    )
    whiteness_min = Number(0, 300, metadata={"description": "CIE whiteness"})
    tint = Numbers(2, "lowest and highest CIE tint", -10, 10)
    yellowness_max = Number(-200, 200, metadata={"description": "yellowness index of ASTM E313"})


class DiameterLimitsArgs(Strict):
    """Limits on diameter, in mm."""

    mean_tolerance_mm = Number(
        above=0, high=1, metadata={"description": "most that a spool's mean may differ from nominal, mm"}
    )
    reading_tolerance_mm = Number(
        above=0, high=1, metadata={"description": "most that any single diameter may differ from nominal, mm"}
    )
    ovality_max_mm = Number(above=0, high=1, metadata={"description": "most between the two axes at one position, mm"})
    readings_per_spool_min = Whole(
        1, 1000, load_default=1, metadata={"description": "fewest positions read on a spool"}
    )


class ShrinkageLimitsArgs(Strict):
    """Limits on shrinkage per axis, [lowest, highest] in %, never merged."""

    x_percent = Numbers(2, "lowest and highest in %", -10, 10)
    y_percent = Numbers(2, "lowest and highest in %", -10, 10)
    z_percent = Numbers(2, "lowest and highest in %", -10, 10)
    step_max_percent = Number(
        above=0, high=10, metadata={"description": "most between this lot and the last accepted one per axis, in %"}
    )
    tests_per_axis_min = Whole(1, 1000, load_default=1, metadata={"description": "fewest coupons measured per axis"})
    age_h = Numbers(2, "earliest and latest hours after printing", 0, 10_000)


class BondLimitsArgs(Strict):
    """Floors on bond between layers."""

    mean_min_mpa = Number(above=0, high=500, metadata={"description": "least mean breaking stress, MPa"})
    single_min_mpa = Number(above=0, high=500, metadata={"description": "least breaking stress of any bar, MPa"})
    control_ratio_min = Number(
        above=0, high=10, metadata={"description": "least mean of the bars by that of the control bars"}
    )
    tests_min = Whole(1, 1000, load_default=1, metadata={"description": "fewest bars broken"})


class SurfaceLimitsArgs(Strict):
    """Limit on specks of a first layer."""

    specks_per_dm2_max = Number(
        0, 10_000, required=True, metadata={"description": "most specks per dm2 of first layer"}
    )
    area_dm2_min = Number(0, 1000, load_default=0.0, metadata={"description": "least area looked at, dm2"})


class MoistureLimitsArgs(Strict):
    """Limit on moisture, % by mass."""

    max_percent = Number(above=0, high=100_000, required=True, metadata={"description": "most water, % by mass"})


class GlossLimitsArgs(Strict):
    """Limits on gloss, [lowest, highest] in gloss units, for each angle that is asked for."""

    deg_20_gu = Numbers(2, "lowest and highest in GU at 20 degrees", 0, 2000)
    deg_60_gu = Numbers(2, "lowest and highest in GU at 60 degrees", 0, 1000)
    deg_85_gu = Numbers(2, "lowest and highest in GU at 85 degrees", 0, 200)
    readings_per_spool_min = Whole(
        1, 1000, load_default=1, metadata={"description": "fewest readings of a spool per angle"}
    )


class OpacityLimitsArgs(Strict):
    """Limit on how much of what lies behind a plaque shows."""

    contrast_ratio_min = Number(
        above=0,
        high=1,
        hint="Write 0.98 for 98 %.",
        required=True,
        metadata={"description": "Y over black by Y over white"},
    )


class LimitsArgs(Strict):
    """A limits revision. Without `uses` there is one use, `general`, which requires every block present."""

    decision_rule = Text(
        10,
        one_of=("simple", "guarded"),
        load_default="simple",
        metadata={"description": "simple: the limit itself decides; guarded: it is tightened by the guard band"},
    )
    guard_z = Number(
        above=0, high=10, load_default=1.645, metadata={"description": "guard band in standard uncertainties"}
    )
    sampling = fields.Nested(SamplingArgs)
    color = fields.Nested(ColorLimitsArgs)
    diameter = fields.Nested(DiameterLimitsArgs)
    shrinkage = fields.Nested(ShrinkageLimitsArgs)
    bond = fields.Nested(BondLimitsArgs)
    surface = fields.Nested(SurfaceLimitsArgs)
    moisture = fields.Nested(MoistureLimitsArgs)
    gloss = fields.Nested(GlossLimitsArgs)
    opacity = fields.Nested(OpacityLimitsArgs)
    uses = fields.Dict(
        keys=Text(20, one_of=USES),
        values=fields.List(Text(20, one_of=CHARACTERISTICS), validate=validate.Length(max=len(CHARACTERISTICS))),
        metadata={"description": "use -> characteristics it requires", "example": {"cosmetic": ["color", "diameter"]}},
    )
    note = Text(2000, lines=True)

    @post_load
    def each_once(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """Drops a characteristic that a use names twice."""
        if "uses" in data:
            data["uses"] = {use: list(dict.fromkeys(needs)) for use, needs in data["uses"].items()}
        return data


class LimitsSchema(LimitsArgs):
    """A limits revision as it stands; it never changes."""

    id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "counted from 1 per grade"})
    note = Text(2000, required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
