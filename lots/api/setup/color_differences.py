"""A calculator for colour differences."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import Numbers, Strict, StrictFloat, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.api.setup.shades import LAB
from lots.domain.colorimetry.color_difference import DEFAULT_FORMULA, DEFAULT_WEIGHTS
from lots.services.setup import color_differences

routes = Routes("colors", __name__, url_prefix="/v1", description="Colour differences.")


class PairArgs(Strict):
    """Two colours."""

    reference = Numbers(3, LAB, required=True, metadata={"example": [95.0, -0.8, 1.5]})
    sample = Numbers(3, LAB, required=True, metadata={"example": [94.7, -0.7, 2.2]})


class DifferencesArgs(Strict):
    """Pairs of colours, with formula and weights."""

    example = {"pairs": [{"reference": [95.0, -0.8, 1.5], "sample": [94.6, -0.7, 1.9]}], "formula": DEFAULT_FORMULA}

    pairs = fields.List(
        fields.Nested(PairArgs),
        required=True,
        validate=validate.Length(1, 5000, error="Give 1 to 5000 pairs."),
        error_messages={"required": "This is required."},
    )
    formula = Text(20, one_of=tuple(DEFAULT_WEIGHTS), load_default=DEFAULT_FORMULA)
    weights = fields.List(
        StrictFloat(above=0, high=100),
        allow_none=True,
        metadata={"description": "Weights of the formula. CIE94: kL, K1, K2. CMC: l, c. CIEDE2000: kL, kC, kH."},
    )


class ComponentsSchema(Schema):
    """Sample minus reference."""

    dL = fields.Float(required=True)
    da = fields.Float(required=True)
    db = fields.Float(required=True)
    dC = fields.Float(required=True)
    dH = fields.Float(required=True)


class DifferenceSchema(Schema):
    """One colour difference."""

    delta_e = fields.Float(required=True)
    components = fields.Nested(ComponentsSchema, required=True)
    direction = fields.String(required=True, metadata={"example": "darker, yellower"})


class DifferencesSchema(Schema):
    """Colour differences, in the order of the pairs."""

    formula = fields.String(required=True)
    weights = fields.List(fields.Float(), required=True)
    differences = fields.List(fields.Nested(DifferenceSchema), required=True)


@routes.route("/color-differences")
class ColorDifferences(Resource):
    """Colour differences."""

    who = {"POST": ALL}

    @routes.arguments(DifferencesArgs)
    @routes.response(200, DifferencesSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Compute colour differences.

        Differences are sample minus reference. Colours are CIELAB. CIE94 and CMC are asymmetric in sample and
        reference. Nothing is stored. 422 for weights that do not belong to the formula.
        """
        return color_differences.differences(args["pairs"], args["formula"], args.get("weights"))
