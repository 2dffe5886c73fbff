"""Drift of the lots of a supplier and grade."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.drift import drift_rows
from lots.api.drift.signals import AtSchema, ErrorRatesSchema, ListingSchema, PlaceSchema, ReadSchema, SignalSchema
from lots.api.http.fields import MAX_ID, Instant, Strict, Text, WrittenTruth, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.drift import draw
from lots.domain.characteristics.registry import MEASURES
from lots.services.drift import drift
from lots.services.drift.series import MOST_POINTS, MOST_SHOWN

routes = Routes("drift", __name__, url_prefix="/v1/drift", description="Drift of lots over time.")

_KNOWN = [*dict.fromkeys(name.partition(".")[0] for name in MEASURES), *MEASURES]


class DriftArgs(Strict):
    """A supplier and a grade, with a characteristic or measure."""

    supplier_id = WrittenWhole(
        1, MAX_ID, required=True, metadata={"label": "Supplier", "description": "number of the supplier"}
    )
    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade", "description": "number of the grade"})
    characteristic = Text(
        40,
        metadata={
            "label": "Characteristic",
            "description": f"characteristic or measure; all by default, or one of: {', '.join(_KNOWN)}",
        },
    )
    received_from = Instant(data_key="from", metadata={"description": "earliest time of receipt"})
    received_to = Instant(data_key="to", metadata={"description": "latest time of receipt"})
    shown_from = Instant(
        metadata={
            "label": "From",
            "description": "earliest time of receipt of lots shown; charts and signals use all lots of the span",
        }
    )
    shown_to = Instant(
        metadata={
            "label": "To",
            "description": "latest time of receipt of lots shown; charts and signals use all lots of the span",
        }
    )
    limit = WrittenWhole(
        1,
        MOST_SHOWN,
        metadata={
            "description": f"number of newest lots to show; by default at most {MOST_SHOWN} lots and {MOST_POINTS} values. "
            "Charts and signals use all lots of the span"
        },
    )
    before = WrittenWhole(1, MAX_ID, metadata={"description": "number in the series; only earlier lots are shown"})
    run_rules = WrittenTruth(
        load_default=False,
        metadata={
            "description": "true to apply run rules (Nelson, Western Electric) in addition. They give more false signals; false by default"
        },
    )


class SeriesLotSchema(Schema):
    """A lot in the series; `number` counts the supplier's lots of the grade from 1."""

    number = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    received_at = Instant(required=True)
    standing = fields.String(required=True)


class PointSchema(Schema):
    """The value of a lot. `n` is the number of spools. Lots measured with the same method share a `stretch`."""

    number = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    value = fields.Float(required=True)
    uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty of the value"}
    )
    n = fields.Integer(required=True)
    stretch = fields.Integer(required=True)


class SeriesSchema(Schema):
    """One measure over the lots. Colour components are sample minus reference."""

    measure = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    limit = fields.Raw(
        required=True,
        allow_none=True,
        metadata={
            "description": "one number, or [lowest, highest]; null without a limit",
            "oneOf": [
                {"type": "number"},
                {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
                {"type": "null"},
            ],
        },
    )
    points = fields.List(fields.Nested(PointSchema), required=True)


class DriftBaselineSchema(ReadSchema):
    """The baseline of a stretch. Control limits allow for an estimated baseline (self-starting charts)."""

    status = fields.String(required=True, metadata={"enum": ["none", "given", "provisional", "firm"]})
    chosen = fields.Boolean(required=True)
    revision = fields.Integer(required=True, allow_none=True)
    mean = fields.Float(required=True, allow_none=True)
    sigma = fields.Float(required=True, allow_none=True)
    n = fields.Integer(required=True)
    says = fields.String(required=True)


class ChartPointSchema(Schema):
    """A lot on the charts. `z`, `score` and CUSUM are in standard deviations, other values in the unit of the measure."""

    number = fields.Integer(required=True)
    z = fields.Float(required=True, metadata={"description": "departure from the baseline mean, standard deviations"})
    score = fields.Float(
        required=True,
        metadata={"description": "charted value: z, corrected for the uncertainty of an estimated baseline"},
    )
    individuals_low = fields.Float(
        required=True, metadata={"description": "lower control limit of this lot on the individuals chart"}
    )
    individuals_high = fields.Float(required=True)
    ewma = fields.Float(required=True)
    ewma_low = fields.Float(required=True)
    ewma_high = fields.Float(required=True)
    cusum_high = fields.Float(required=True)
    cusum_low = fields.Float(required=True)
    in_baseline = fields.Boolean(
        required=True,
        metadata={"description": "true if the lot is part of the baseline and is left out of EWMA and CUSUM"},
    )
    first_called_by = fields.List(
        fields.String(), required=True, metadata={"description": "charts that first signal at this lot"}
    )


class ChartSchema(ReadSchema):
    """The charts of a stretch: individuals, EWMA, tabular CUSUM. `parameters` has the individuals limits of the latest lot."""

    parameters = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    points = fields.List(fields.Nested(ChartPointSchema), required=True)


class TrendSchema(PlaceSchema):
    """Theil-Sen slope per lot and Mann-Kendall test of the latest stretch; null with too few lots."""

    n = fields.Integer(required=True)
    slope = fields.Float(required=True, allow_none=True)
    slope_low = fields.Float(required=True, allow_none=True)
    slope_high = fields.Float(required=True, allow_none=True)
    method = fields.String(required=True, allow_none=True)
    kendall_s = fields.Integer(required=True, allow_none=True)
    kendall_tau = fields.Float(required=True, allow_none=True)
    p = fields.Float(required=True, allow_none=True)
    says = fields.String(required=True)


class ProjectionSchema(PlaceSchema):
    """The number of the lot that reaches the limit at this slope, between `earliest` and `latest`; null if unknown."""

    slope = fields.Float(required=True, allow_none=True)
    slope_low = fields.Float(required=True, allow_none=True)
    slope_high = fields.Float(required=True, allow_none=True)
    limit = fields.Float(required=True, allow_none=True)
    about = fields.Integer(required=True, allow_none=True)
    earliest = fields.Integer(required=True, allow_none=True)
    latest = fields.Integer(required=True, allow_none=True)
    days_per_lot = fields.Float(
        required=True, allow_none=True, metadata={"description": "mean time between lots of the span, days"}
    )
    about_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "expected receipt of that lot at the present rate"},
    )
    earliest_at = Instant(required=True, allow_none=True)
    latest_at = Instant(required=True, allow_none=True)
    says = fields.String(required=True)


class MarkSchema(Schema):
    """A change of reference revision or instrument. It starts a new series unless retained plaques bridge it."""

    measure = fields.String(required=True)
    before_number = fields.Integer(required=True)
    before_lot_id = fields.Integer(required=True)
    bridged = fields.Boolean(required=True, metadata={"description": "true if the series continues"})
    study_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the agreement study; null without one"}
    )
    says = fields.String(required=True)


class TogetherPointSchema(Schema):
    """A lot's T2."""

    number = fields.Integer(required=True)
    t2 = fields.Float(required=True)


class TogetherSignalSchema(AtSchema):
    """A lot with an unusual colour, and the contribution of each coordinate to T2."""

    contributions = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    driven_by = fields.List(fields.String(), required=True)
    says = fields.String(required=True)


class TogetherSchema(Schema):
    """Hotelling's T2 of (dL*, da*, db*) over a stretch."""

    stretch = fields.Integer(required=True)
    limit = fields.Float(required=True)
    baseline_n = fields.Integer(required=True)
    points = fields.List(fields.Nested(TogetherPointSchema), required=True)
    signals = fields.List(fields.Nested(TogetherSignalSchema), required=True)


class DriftSchema(ListingSchema):
    """Drift of a characteristic over consecutive lots of a supplier and grade. All signals are included, listed or not."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    characteristic = fields.String(required=True, allow_none=True)
    limits_revision = fields.Integer(required=True, allow_none=True)
    baseline_revision = fields.Integer(required=True, allow_none=True)
    run_rules = fields.Boolean(required=True)
    error_rates = fields.Nested(ErrorRatesSchema, required=True)
    says = fields.String(required=True)
    lots_in_all = fields.Integer(
        required=True,
        metadata={
            "description": "number of lots in the span, all used for charts, signals and trends; only the newest are shown"
        },
    )
    lots = fields.List(fields.Nested(SeriesLotSchema), required=True)
    series = fields.List(fields.Nested(SeriesSchema), required=True)
    baseline = fields.List(fields.Nested(DriftBaselineSchema), required=True)
    charts = fields.List(fields.Nested(ChartSchema), required=True)
    signals = fields.List(fields.Nested(SignalSchema), required=True)
    trend = fields.List(fields.Nested(TrendSchema), required=True)
    projection = fields.List(fields.Nested(ProjectionSchema), required=True)
    marks = fields.List(fields.Nested(MarkSchema), required=True)
    together = fields.List(fields.Nested(TogetherSchema), required=True)


@routes.route("")
class Drift(Resource):
    """Drift of the lots of a supplier and grade."""

    who = {"GET": ALL}

    @routes.arguments(DriftArgs, location="query")
    @routes.response(200, DriftSchema, rows=drift_rows.TABLE)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Show the drift of a characteristic.

        Follows consecutive lots of a supplier and grade. Answers the series, baseline, control charts, signals and the
        projection to the limit. Each measure names its unit. Also as image/svg+xml. At most the newest 500 lots are
        shown, fewer with many measures. Use `before` for earlier lots. `from` and `to` select the lots for the charts.
        `shown_from` and `shown_to` select only the lots shown. 404 for an unknown supplier or grade. 422 for a
        characteristic without drift data.
        """
        whose = args["supplier_id"], args["grade_id"], args.get("characteristic")
        span = drift.LotSpan(
            args.get("received_from"),
            args.get("received_to"),
            args.get("limit"),
            args.get("before"),
            args.get("shown_from"),
            args.get("shown_to"),
        )
        return pictured(drift.drift_of(*whose, span, rules=args["run_rules"]), draw)
