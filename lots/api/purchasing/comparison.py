"""Comparison of suppliers, forecast of the next lot, and actions of the week. For purchasing."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.drift.signals import AtSchema, ListingSchema
from lots.api.http.csv_answers import of_list
from lots.api.http.fields import MAX_ID, Instant, OneOrMany, Strict, Text, WrittenWhole
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.purchasing.headline import draw
from lots.api.purchasing.forecast_schemas import ForecastSchema
from lots.api.purchasing.forecast_schemas import number as _number
from lots.api.purchasing.supplier_order import DifferenceCostsSchema, HeadlineSchema, OrderSchema
from lots.api.purchasing.week_schemas import ActSchema
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.domain.purchasing.supplier_comparison import CRITERIA
from lots.services.purchasing import comparison, forecast, week

routes = Routes(
    "comparison", __name__, url_prefix="/v1", description="Comparison of suppliers, forecasts and the week's actions."
)


def _use() -> Text:
    """Returns the field for the use."""
    about = {"label": "Use", "description": "use for acceptance; at least one use by default"}
    return Text(20, one_of=(*USES, GENERAL), metadata=about)


class ComparisonArgs(Strict):
    """A grade, with a span of receipt and a use."""

    grade_id = WrittenWhole(
        1,
        MAX_ID,
        metadata={
            "label": "Grade",
            "description": "number of the grade; all grades by default, compared grade by grade",
        },
    )
    received_from = Instant(data_key="from", metadata={"description": "earliest time of receipt"})
    received_to = Instant(data_key="to", metadata={"description": "latest time of receipt"})
    use = _use()


class AcceptedSchema(Schema):
    """Lots accepted at first inspection, with Wilson's interval for a single look."""

    accepted = fields.Integer(required=True)
    rate = _number()
    low = _number()
    high = _number()
    method = fields.String(required=True)
    says = fields.String(required=True)


class AcceptanceSchema(AcceptedSchema):
    """Lots accepted at first inspection for at least one use, with Wilson's interval for a single look."""

    not_proved_lot_ids = fields.List(
        fields.Integer(),
        required=True,
        metadata={"description": "rejected lots whose nonconformity is not proved (ISO 14253-1)"},
    )


class AxisSchema(Schema):
    """A semi-axis of an ellipsoid in (dL*, da*, db*)."""

    half_length = fields.Float(required=True)
    direction = fields.List(fields.Float(), required=True)


class BiasSchema(Schema):
    """Mean colour difference of the lots, sample minus reference, with the confidence ellipsoid of the mean."""

    dL = fields.Float(required=True)
    da = fields.Float(required=True)
    db = fields.Float(required=True)
    direction = fields.String(required=True)
    n = fields.Integer(required=True, metadata={"description": "number of lots"})
    ellipsoid = fields.List(fields.Nested(AxisSchema), required=True, allow_none=True)
    reference_inside = fields.Boolean(required=True, allow_none=True)
    says = fields.String(required=True)


class SpreadSchema(Schema):
    """Standard deviations within and between lots, with intervals; null with too few data."""

    measure = fields.String(required=True)
    unit = fields.String(required=True)
    read = fields.String(required=True, metadata={"description": "lots measured with the same method"})
    lots = fields.Integer(required=True)
    spools = fields.Integer(required=True)
    within_sd = _number()
    within_low = _number()
    within_high = _number()
    between_sd = _number()
    between_low = _number()
    between_high = _number()


class CapabilitySchema(Schema):
    """Ppk from the total standard deviation, Cpk from that within lots, each with its interval."""

    measure = fields.String(required=True)
    limit = OneOrMany(required=True)
    ppk = fields.Float(required=True)
    ppk_low = fields.Float(required=True)
    ppk_high = fields.Float(required=True)
    cpk = _number()
    cpk_low = _number()
    cpk_high = _number()
    expected_outside = fields.Float(
        required=True, metadata={"description": "expected share of spools outside the limit, for a normal distribution"}
    )


class MovingSchema(Schema):
    """A measure that has left its baseline, listed over all measures and suppliers."""

    measure = fields.String(required=True)
    direction = fields.String(required=True)
    p_value = fields.Float(required=True, metadata={"description": "p value for a stable series"})
    began = fields.Nested(AtSchema, required=True)
    says = fields.String(required=True)


class BondLineSchema(Schema):
    """Mean over lots with Student's interval."""

    measure = fields.String(required=True)
    unit = fields.String(required=True)
    mean = fields.Float(required=True)
    low = _number()
    high = _number()
    sd = _number()
    n = fields.Integer(required=True)


class CostSchema(Schema):
    """The cost per kilogram accepted for a use. A restricted lot is paid in full and accepted for the uses it passes."""

    per_accepted_kg = _number()
    currency = fields.String(required=True, allow_none=True)
    accepted_kg = _number()
    deliveries = fields.Integer(required=True, metadata={"description": "number of deliveries with a recorded cost"})
    without_cost = fields.Integer(
        required=True, metadata={"description": "number of deliveries without a recorded cost, which are omitted"}
    )
    says = fields.String(required=True)


class EveryUseSchema(AcceptedSchema):
    """Lots accepted at first inspection for every use of their limits, with the cost per accepted kilogram."""

    inspected = fields.Integer(required=True)
    cost = fields.Nested(CostSchema, required=True)


class ByUseSchema(EveryUseSchema):
    """Lots accepted at first inspection for one use of their limits, with the cost per accepted kilogram."""

    use = fields.String(required=True)


class LateSchema(Schema):
    """Deliveries after the promised date, with Wilson's interval."""

    deliveries = fields.Integer(required=True)
    with_due_date = fields.Integer(required=True)
    late = fields.Integer(required=True)
    rate = _number()
    low = _number()
    high = _number()


class BasisSchema(Schema):
    """The data behind the figures."""

    lot_ids = fields.List(fields.Integer(), required=True)
    resubmitted_lot_ids = fields.List(
        fields.Integer(), required=True, metadata={"description": "resubmitted lots, which are omitted"}
    )
    not_inspected_lot_ids = fields.List(fields.Integer(), required=True)
    limits_revisions = fields.List(fields.Integer(), required=True)
    shade_revisions = fields.List(fields.Integer(), required=True)
    read_with = fields.List(fields.String(), required=True)
    standings = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    severities = fields.Dict(
        keys=fields.String(),
        values=fields.Integer(),
        required=True,
        metadata={"description": "number of deliveries by inspection severity"},
    )


class RankSchema(Schema):
    """The rank on one criterion, 1 for the best; null without a significant difference."""

    rank = fields.Integer(required=True, allow_none=True)
    why = fields.String(required=True)


class SupplierLineSchema(Schema):
    """One supplier. `acceptance` and `cost` are for at least one use; `by_use` and `every_use` stand beside them.

    `rank` is that of acceptance: for at least one use, or for the use asked about. Lists are empty when several grades are compared at once.
    """

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    grades = fields.List(fields.String(), required=True)
    lots = fields.Integer(required=True)
    inspected = fields.Integer(required=True)
    acceptance = fields.Nested(AcceptanceSchema, required=True)
    by_use = fields.List(fields.Nested(ByUseSchema), required=True)
    every_use = fields.Nested(EveryUseSchema, required=True)
    bias = fields.Nested(BiasSchema, required=True, allow_none=True)
    spread = fields.List(fields.Nested(SpreadSchema), required=True)
    capability = fields.List(fields.Nested(CapabilitySchema), required=True)
    drift = fields.List(fields.Nested(MovingSchema), required=True)
    bond = fields.List(fields.Nested(BondLineSchema), required=True)
    cost = fields.Nested(CostSchema, required=True)
    late = fields.Nested(LateSchema, required=True)
    basis = fields.Nested(BasisSchema, required=True)
    rank = fields.Integer(required=True, allow_none=True)
    rank_why = fields.String(required=True)
    ranks = fields.Dict(
        keys=fields.String(validate=validate.OneOf([*CRITERIA])), values=fields.Nested(RankSchema), required=True
    )
    headline = fields.Nested(HeadlineSchema, required=True)


class TwoSuppliersSchema(Schema):
    """The difference of two suppliers on one criterion, first minus second. The interval allows for all comparisons and looks."""

    criterion = fields.String(required=True)
    first_supplier_id = fields.Integer(required=True)
    second_supplier_id = fields.Integer(required=True)
    difference = _number()
    low = _number()
    high = _number()
    better_supplier_id = fields.Integer(required=True, allow_none=True)
    more_lots = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "further lots from each supplier until they differ significantly; null if unknown"},
    )
    lots_first = fields.Integer(required=True)
    lots_second = fields.Integer(required=True)
    confidence = fields.Float(
        required=True, metadata={"description": "confidence level of the interval, valid for all looks together"}
    )
    interval = fields.String(required=True, metadata={"enum": ["confidence sequence"]})
    says = fields.String(required=True)


class InferenceSchema(Schema):
    """The method of comparison. The confidence level is valid for the whole answer and for any number of looks since `since`."""

    method = fields.String(required=True, metadata={"enum": ["confidence sequences"]})
    confidence = fields.Float(required=True)
    comparisons = fields.Integer(
        required=True, metadata={"description": "number of comparisons: pairs of suppliers times criteria"}
    )
    confidence_of_each = _number()
    valid_at_any_time = fields.Boolean(required=True)
    since = Instant(
        required=True, allow_none=True, metadata={"description": "receipt of the first lot in the comparison"}
    )
    says = fields.String(required=True)


class ComparedSchema(Schema):
    """Suppliers of a grade, compared."""

    grade_id = fields.Integer(required=True, allow_none=True)
    grade = fields.String(required=True, allow_none=True)
    received_from = Instant(data_key="from", attribute="from", required=True, allow_none=True)
    received_to = Instant(data_key="to", attribute="to", required=True, allow_none=True)
    use = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "use for acceptance and rank; null for at least one use"},
    )
    confidence = fields.Float(required=True)
    criteria = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    says = fields.String(required=True)
    suppliers = fields.List(fields.Nested(SupplierLineSchema), required=True)
    order = fields.Dict(
        keys=fields.String(validate=validate.OneOf([*CRITERIA])),
        values=fields.Nested(OrderSchema),
        required=True,
        metadata={"description": "significant differences by criterion, without newcomers"},
    )
    costs_of_difference = fields.Nested(DifferenceCostsSchema, required=True)
    comparisons = fields.List(fields.Nested(TwoSuppliersSchema), required=True)
    drift = fields.Nested(
        ListingSchema,
        required=True,
        metadata={"description": "number of drift series tested and listed, over all suppliers here"},
    )
    inference = fields.Nested(InferenceSchema, required=True)


class ForecastArgs(Strict):
    """A supplier, a grade and a use."""

    supplier_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the supplier"})
    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the grade"})
    use = _use()


class WeekSchema(ListingSchema):
    """Actions, the most urgent first."""

    as_of = Instant(required=True)
    says = fields.String(required=True)
    items = fields.List(fields.Nested(ActSchema), required=True)


@routes.route("/supplier-comparison")
class SupplierComparison(Resource):
    """Comparison of suppliers."""

    who = {"GET": ("purchasing",)}

    @routes.arguments(ComparisonArgs, location="query")
    @routes.response(200, ComparedSchema, rows="suppliers")
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Compare suppliers.

        Answers acceptance with confidence interval, bias, spread and capability for a grade. A supplier is ranked only
        if it differs significantly from all others. `acceptance` and `cost` are for at least one use. With `use`,
        acceptance is compared for that use. `order` says which suppliers differ significantly, without newcomers.
        `headline` sums up each supplier in a sentence. `costs_of_difference` states rejected kilograms, days on hold
        and inspection time. Also as image/svg+xml. 404 for an unknown grade.
        """
        names = ("grade_id", "received_from", "received_to", "use")
        compared = comparison.compare(*(args.get(name) for name in names))
        return pictured(compared, draw)


@routes.route("/forecast")
class NextLot(Resource):
    """Forecast of the next lot."""

    who = {"GET": ("purchasing", "quality")}

    @routes.arguments(ForecastArgs, location="query")
    @routes.response(200, ForecastSchema, rows=of_list(ForecastSchema(), "next_values", beside=True))
    def get(self, args: dict[str, Any]) -> Any:
        """Forecast the next lot.

        Estimates the probability that the next lot of a supplier and grade is accepted at first inspection. Names the
        model and the characteristics that are most likely to fail. `use` selects a use. `by_use` covers each use. 404
        for an unknown supplier or grade.
        """
        return forecast.forecast(args["supplier_id"], args["grade_id"], args.get("use"))


@routes.route("/purchasing-summary")
class PurchasingSummary(Resource):
    """Actions of the week."""

    who = {"GET": ("purchasing",)}

    @routes.response(200, WeekSchema, rows="items")
    def get(self) -> Any:
        """List this week's actions.

        Covers all suppliers and grades. Actions are overdue answers, limits soon reached, rejected, restricted and
        waiting lots, short stock, and drift towards a limit. Urgent ones come first. They are late answers, limits
        within three lots, short stock, and series whose next lot will probably fail. Next are series that reach their
        limit within 20 lots, then all others. Each group is in order of expected kilograms at risk.
        """
        return week.act_this_week()
