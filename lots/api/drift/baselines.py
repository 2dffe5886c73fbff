"""Baselines for the control charts of a supplier and grade."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import MAX_ID, Instant, Strict, StrictFloat, StrictInteger, Text, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.drift import baselines

routes = Routes("baselines", __name__, url_prefix="/v1/baselines", description="Baselines of drift.")


class ExcludedArgs(Strict):
    """A lot excluded from a baseline."""

    lot_id = StrictInteger(1, MAX_ID, required=True)
    reason = Text(2000, lines=True, required=True)


class GivenArgs(Strict):
    """A given baseline, agreed instead of measured."""

    mean = StrictFloat(-1e6, 1e6, required=True, metadata={"description": "mean, in the unit of the measure"})
    sigma = StrictFloat(
        above=0,
        high=1e6,
        required=True,
        metadata={"description": "standard deviation between lots, in the unit of the measure"},
    )


class BaselineArgs(Strict):
    """A baseline from lots, or from given values."""

    example = {
        "supplier_id": 1,
        "grade_id": 1,
        "lot_ids": [1, 2, 3, 4, 5, 6, 7, 8],
        "reason": "The year before the new extruder.",
    }

    supplier_id = StrictInteger(1, MAX_ID)
    supplier_code = Text(40, metadata={"description": "code of the supplier, instead of supplier_id"})
    grade_id = StrictInteger(1, MAX_ID)
    grade_code = Text(40, metadata={"description": "code of the grade, instead of grade_id"})
    lot_ids = fields.List(
        StrictInteger(1, MAX_ID),
        validate=validate.Length(1, 500, error="A baseline names 1 to 500 lots."),
        metadata={"description": "numbers of the lots; provisional from 8 lots, firm from 20"},
    )
    excluded = fields.List(
        fields.Nested(ExcludedArgs),
        validate=validate.Length(0, 100, error="At most 100 lots are excluded."),
        metadata={"description": "unstable lots to exclude, with reasons"},
    )
    given = fields.Dict(
        keys=fields.String(),
        values=fields.Nested(GivenArgs),
        validate=validate.Length(1, 30, error="Give 1 to 30 measures."),
        metadata={"description": "mean and standard deviation by measure, such as color.component_b"},
    )
    reason = Text(2000, lines=True, required=True)


class BaselineFilterArgs(PageArgs):
    """Filters for baselines."""

    supplier_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the supplier"})
    grade_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the grade"})


class FrozenSchema(Schema):
    """One measure of a baseline. `read` names its method, null for any."""

    measure = fields.String(required=True)
    mean = fields.Float(required=True)
    sigma = fields.Float(required=True)
    n = fields.Integer(required=True, metadata={"description": "number of lots; 0 for a given value"})
    read = fields.String(required=True, allow_none=True)


class ExcludedSchema(Schema):
    """An excluded lot, with the reason."""

    lot_id = fields.Integer(required=True)
    reason = fields.String(required=True)


class BaselineSchema(Schema):
    """A frozen baseline."""

    id = fields.Integer(required=True)
    supplier_id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True)
    lot_ids = fields.List(fields.Integer(), required=True)
    excluded = fields.List(fields.Nested(ExcludedSchema), required=True)
    status = fields.String(required=True, validate=validate.OneOf(["given", "provisional", "firm"]))
    measures = fields.List(fields.Nested(FrozenSchema), required=True)
    reason = fields.String(required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ChosenSchema(BaselineSchema):
    """A new baseline, with the measures that it lacks."""

    left_out = fields.List(fields.String(), required=True)


@routes.route("")
class Baselines(Resource):
    """Baselines."""

    who = {"GET": ALL, "POST": ("quality",)}

    @routes.arguments(BaselineFilterArgs, location="query")
    @routes.response(200, page_schema(BaselineSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List baselines.

        They are in the order they were chosen. Drift is measured from the newest baseline of a supplier and grade.
        """
        cursor, limit = args.pop("cursor", None), args.pop("limit")
        return page_answer(baselines.listed(args, cursor, limit))

    @routes.arguments(BaselineArgs)
    @routes.response(201, ChosenSchema)
    def post(self, args: baselines.BaselineBody) -> Any:
        """Choose a baseline.

        The values of the named lots are frozen. List unstable lots in `excluded`. A baseline never changes. 422 for
        lots of another supplier or grade, and for too few lots.
        """
        return baselines.choose(args, person().name)
