"""The shape of a limits revision: every block optional, an absent block not required."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, post_load, validate

from lots.api.fields import Instant, Number, Numbers, Strict, Text, Truth, Whole
from lots.domain.agreed import CHARACTERISTICS, USES
from lots.domain.color import DEFAULT_WEIGHTS
from lots.domain.plans import GREATEST_PERCENT, LEVELS

_DELTA_E = {"description": "colour difference in the formula"}


class SamplingArgs(Strict):
    """How many spools of a delivery to measure: a fixed number, or an attributes plan of MIL-STD-105E."""

    fixed = Whole(1, 1000, metadata={"description": "this many, or all when there are fewer"})
    plan = Text(20, one_of=("MIL-STD-105E",))
    level = Text(3, one_of=LEVELS)
    aql = Number(above=0, high=GREATEST_PERCENT, metadata={"description": "acceptance quality limit, % nonconforming"})
    reduced_allowed = Truth(metadata={"description": "true lets ten accepted lots lead to reduced inspection"})
    retest_rounds_max = Whole(
        0, 100, metadata={"description": "extra rounds of readings after which quality must decide"}
    )


class ComponentsArgs(Strict):
    """Most |sample - reference| per coordinate."""

    L = Number(above=0, high=100)
    a = Number(above=0, high=100)
    b = Number(above=0, high=100)


class ColorLimitsArgs(Strict):
    """Limits on colour. `step_max` is also the most two lots of one job may differ.

    Those from `metamerism_max` on stand beside a limit on the colour itself, never in its place.
    """

    formula = Text(20, one_of=tuple(DEFAULT_WEIGHTS), load_default="CIEDE2000")
    weights = fields.List(
        Number(above=0, high=100), metadata={"description": "CIE94 [kL, K1, K2]; CMC [l, c]; CIEDE2000 [kL, kC, kH]"}
    )
    lot_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    spool_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    spread_max = Number(
        above=0, high=100, metadata={"description": "mean colour difference of the spools from their mean"}
    )
    step_max = Number(above=0, high=100, metadata=dict(_DELTA_E))
    components_max = fields.Nested(ComponentsArgs)
    readings_per_spool_min = Whole(1, 1000, load_default=1)
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

    mean_tolerance_mm = Number(above=0, high=1)
    reading_tolerance_mm = Number(above=0, high=1)
    ovality_max_mm = Number(above=0, high=1)
    readings_per_spool_min = Whole(1, 1000, load_default=1)


class ShrinkageLimitsArgs(Strict):
    """Limits on shrinkage per axis, [lowest, highest] in %, never merged."""

    x_percent = Numbers(2, "lowest and highest in %", -10, 10)
    y_percent = Numbers(2, "lowest and highest in %", -10, 10)
    z_percent = Numbers(2, "lowest and highest in %", -10, 10)
    step_max_percent = Number(above=0, high=10)
    tests_per_axis_min = Whole(1, 1000, load_default=1)
    age_h = Numbers(2, "earliest and latest hours after printing", 0, 10_000)


class BondLimitsArgs(Strict):
    """Floors on bond between layers."""

    mean_min_mpa = Number(above=0, high=500)
    single_min_mpa = Number(above=0, high=500)
    control_ratio_min = Number(above=0, high=10)
    tests_min = Whole(1, 1000, load_default=1)


class SurfaceLimitsArgs(Strict):
    """Limit on specks of a first layer."""

    specks_per_dm2_max = Number(0, 10_000, required=True)
    area_dm2_min = Number(0, 1000, load_default=0.0)


class MoistureLimitsArgs(Strict):
    """Limit on moisture, % by mass."""

    max_percent = Number(above=0, high=100_000, required=True)


class GlossLimitsArgs(Strict):
    """Limits on gloss, [lowest, highest] in gloss units, for each angle that is asked for."""

    deg_20_gu = Numbers(2, "lowest and highest in GU at 20 degrees", 0, 2000)
    deg_60_gu = Numbers(2, "lowest and highest in GU at 60 degrees", 0, 1000)
    deg_85_gu = Numbers(2, "lowest and highest in GU at 85 degrees", 0, 200)
    readings_per_spool_min = Whole(1, 1000, load_default=1)


class OpacityLimitsArgs(Strict):
    """Limit on how much of what lies behind a plaque shows."""

    contrast_ratio_min = Number(
        above=0, high=1, required=True, metadata={"description": "Y over black by Y over white"}
    )


class LimitsArgs(Strict):
    """A limits revision. Without `uses` there is one use, `general`, which requires every block present."""

    decision_rule = Text(10, one_of=("simple", "guarded"), load_default="simple")
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
    revision = fields.Integer(required=True)
    note = Text(2000, required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
