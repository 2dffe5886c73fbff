"""Suppliers compared, the next lot foretold, and where to act: for purchasing."""

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

routes = Routes("comparison", __name__, url_prefix="/v1", description="Suppliers side by side, and what comes next.")


def _use() -> Text:
    """The use that an answer is about."""
    about = {"label": "Use", "description": "that lots are accepted for; at least one use when left out"}
    return Text(20, one_of=(*USES, GENERAL), metadata=about)


class ComparisonArgs(Strict):
    """Of which grade, over which lots."""

    grade_id = WrittenWhole(
        1, MAX_ID, metadata={"label": "Grade", "description": "all grades when left out, compared grade by grade"}
    )
    received_from = Instant(data_key="from", metadata={"description": "lots received from this moment on"})
    received_to = Instant(data_key="to", metadata={"description": "lots received up to this moment"})
    use = _use()


class AcceptedSchema(Schema):
    """Lots accepted the first time, with Wilson's interval, which holds at one look."""

    accepted = fields.Integer(required=True)
    rate = _number()
    low = _number()
    high = _number()
    method = fields.String(required=True)
    says = fields.String(required=True)


class AcceptanceSchema(AcceptedSchema):
    """Lots accepted the first time for at least one use, with Wilson's interval, which holds at one look."""

    not_proved_lot_ids = fields.List(
        fields.Integer(),
        required=True,
        metadata={"description": "refused lots whose nonconformity is not proved by our uncertainty (ISO 14253-1)"},
    )


class AxisSchema(Schema):
    """A half axis of an ellipsoid in (dL*, da*, db*)."""

    half_length = fields.Float(required=True)
    direction = fields.List(fields.Float(), required=True)


class BiasSchema(Schema):
    """Mean colour of the supplier's lots, sample minus reference, with the ellipsoid its true mean lies in."""

    dL = fields.Float(required=True)
    da = fields.Float(required=True)
    db = fields.Float(required=True)
    direction = fields.String(required=True)
    n = fields.Integer(required=True, metadata={"description": "lots"})
    ellipsoid = fields.List(fields.Nested(AxisSchema), required=True, allow_none=True)
    reference_inside = fields.Boolean(required=True, allow_none=True)
    says = fields.String(required=True)


class SpreadSchema(Schema):
    """Standard deviations within and between lots, with their intervals; null where too few tell."""

    measure = fields.String(required=True)
    unit = fields.String(required=True)
    read = fields.String(required=True, metadata={"description": "the lots read alike that it comes from"})
    lots = fields.Integer(required=True)
    spools = fields.Integer(required=True)
    within_sd = _number()
    within_low = _number()
    within_high = _number()
    between_sd = _number()
    between_low = _number()
    between_high = _number()


class CapabilitySchema(Schema):
    """Ppk over lots and spools together, Cpk from the scatter within lots alone, each with its interval."""

    measure = fields.String(required=True)
    limit = OneOrMany(required=True)
    ppk = fields.Float(required=True)
    ppk_low = fields.Float(required=True)
    ppk_high = fields.Float(required=True)
    cpk = _number()
    cpk_low = _number()
    cpk_high = _number()
    expected_outside = fields.Float(
        required=True, metadata={"description": "share of spools outside, were they normal"}
    )


class MovingSchema(Schema):
    """A measure that has left its baseline, from the list over all measures and suppliers compared here."""

    measure = fields.String(required=True)
    direction = fields.String(required=True)
    p_value = fields.Float(required=True, metadata={"description": "how likely a steady series ends as far off"})
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
    """What a kilogram cost that is accepted for a use. A restricted lot is paid in full, and accepted for what it passes."""

    per_accepted_kg = _number()
    currency = fields.String(required=True, allow_none=True)
    accepted_kg = _number()
    deliveries = fields.Integer(required=True, metadata={"description": "with a recorded cost"})
    without_cost = fields.Integer(
        required=True, metadata={"description": "deliveries left out, because their cost is not recorded"}
    )
    says = fields.String(required=True)


class EveryUseSchema(AcceptedSchema):
    """Lots accepted the first time for every use that their limits name, and what a kilogram cost that passes for every use now."""

    inspected = fields.Integer(required=True)
    cost = fields.Nested(CostSchema, required=True)


class ByUseSchema(EveryUseSchema):
    """Lots accepted the first time for one use, and what a kilogram cost that passes for it now. A lot counts for the uses that its limits name."""

    use = fields.String(required=True)


class LateSchema(Schema):
    """Deliveries that came after the day they were promised for, with Wilson's interval."""

    deliveries = fields.Integer(required=True)
    with_due_date = fields.Integer(required=True)
    late = fields.Integer(required=True)
    rate = _number()
    low = _number()
    high = _number()


class BasisSchema(Schema):
    """What the figures rest on."""

    lot_ids = fields.List(fields.Integer(), required=True)
    resubmitted_lot_ids = fields.List(fields.Integer(), required=True, metadata={"description": "left out"})
    not_inspected_lot_ids = fields.List(fields.Integer(), required=True)
    limits_revisions = fields.List(fields.Integer(), required=True)
    shade_revisions = fields.List(fields.Integer(), required=True)
    read_with = fields.List(fields.String(), required=True)
    standings = fields.Dict(keys=fields.String(), values=fields.Integer(), required=True)
    severities = fields.Dict(
        keys=fields.String(),
        values=fields.Integer(),
        required=True,
        metadata={"description": "deliveries per severity"},
    )


class RankSchema(Schema):
    """A place on one criterion, 1 the best, null without a significant difference."""

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
    """Two suppliers on one criterion: first minus second, with an interval that allows for all comparisons made here, at every look together."""

    criterion = fields.String(required=True)
    first_supplier_id = fields.Integer(required=True)
    second_supplier_id = fields.Integer(required=True)
    difference = _number()
    low = _number()
    high = _number()
    better_supplier_id = fields.Integer(required=True, allow_none=True)
    more_lots = fields.Integer(
        required=True, allow_none=True, metadata={"description": "of each until they differ significantly"}
    )
    lots_first = fields.Integer(required=True)
    lots_second = fields.Integer(required=True)
    confidence = fields.Float(required=True, metadata={"description": "of this interval, at every look together"})
    interval = fields.String(required=True, metadata={"enum": ["confidence sequence"]})
    says = fields.String(required=True)


class InferenceSchema(Schema):
    """How suppliers are told apart: the promise holds for the answer as a whole, from `since` on, whenever and however often it is looked at."""

    method = fields.String(required=True, metadata={"enum": ["confidence sequences"]})
    confidence = fields.Float(required=True)
    comparisons = fields.Integer(required=True, metadata={"description": "pairs of suppliers times criteria"})
    confidence_of_each = _number()
    valid_at_any_time = fields.Boolean(required=True)
    since = Instant(required=True, allow_none=True, metadata={"description": "receipt of the first lot that counts"})
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
        metadata={"description": "that acceptance is compared and ranked for; null: at least one"},
    )
    confidence = fields.Float(required=True)
    criteria = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    says = fields.String(required=True)
    suppliers = fields.List(fields.Nested(SupplierLineSchema), required=True)
    order = fields.Dict(
        keys=fields.String(validate=validate.OneOf([*CRITERIA])),
        values=fields.Nested(OrderSchema),
        required=True,
        metadata={"description": "by criterion: who differs significantly from whom, and newcomers set aside"},
    )
    costs_of_difference = fields.Nested(DifferenceCostsSchema, required=True)
    comparisons = fields.List(fields.Nested(TwoSuppliersSchema), required=True)
    drift = fields.Nested(ListingSchema, required=True, metadata={"description": "of the drift of all suppliers here"})
    inference = fields.Nested(InferenceSchema, required=True)


class ForecastArgs(Strict):
    """Whose next lot of what."""

    supplier_id = WrittenWhole(1, MAX_ID, required=True)
    grade_id = WrittenWhole(1, MAX_ID, required=True)
    use = _use()


class WeekSchema(ListingSchema):
    """Where to act, most urgent first."""

    as_of = Instant(required=True)
    says = fields.String(required=True)
    items = fields.List(fields.Nested(ActSchema), required=True)


@routes.route("/supplier-comparison")
class SupplierComparison(Resource):
    """Suppliers side by side."""

    who = {"GET": ("purchasing",)}

    @routes.arguments(ComparisonArgs, location="query")
    @routes.response(200, ComparedSchema, rows="suppliers")
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Compare the suppliers of a grade.

        Answers acceptance with confidence interval, bias, spread and capability. A supplier gets a rank only when it differs significantly from every
        other. `acceptance` and `cost` are for at least one use. With `use`, acceptance is compared and ranked for that use. `order` says
        which suppliers differ significantly, newcomers set aside. `headline` tells each in a sentence. `costs_of_difference` tells rejected kilograms, days on
        hold and bench time. Also as image/svg+xml. 404 for an unknown grade.
        """
        names = ("grade_id", "received_from", "received_to", "use")
        compared = comparison.compare(*(args.get(name) for name in names))
        return pictured(compared, draw)


@routes.route("/forecast")
class NextLot(Resource):
    """The next lot."""

    who = {"GET": ("purchasing", "quality")}

    @routes.arguments(ForecastArgs, location="query")
    @routes.response(200, ForecastSchema, rows=of_list(ForecastSchema(), "next_values", beside=True))
    def get(self, args: dict[str, Any]) -> Any:
        """Estimate the probability that a supplier's next lot of a grade is accepted the first time.

        Names the model, and the characteristics that are most likely to fail. With `use`, for that use; `by_use` has each. 404 for an unknown supplier
        or grade.
        """
        return forecast.forecast(args["supplier_id"], args["grade_id"], args.get("use"))


@routes.route("/purchasing-summary")
class PurchasingSummary(Resource):
    """The week's list."""

    who = {"GET": ("purchasing",)}

    @routes.response(200, WeekSchema, rows="items")
    def get(self) -> Any:
        """List what needs action this week, over all suppliers and grades.

        Covers answers that are overdue, limits about to be reached, rejected, restricted and waiting lots, stock that runs out, and drift towards a limit.
        First comes what must be acted on now: late answers, limits within three lots, short stock, and series whose next lot rather fails than passes. Then come series that reach
        their limit within 20 lots, then all others. Within each, the order is by expected kilograms at risk.
        """
        return week.act_this_week()
