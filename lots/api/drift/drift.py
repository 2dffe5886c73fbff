"""How a supplier's lots of a grade drift."""

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

routes = Routes("drift", __name__, url_prefix="/v1/drift", description="How a supplier's lots move over time.")

_KNOWN = [*dict.fromkeys(name.partition(".")[0] for name in MEASURES), *MEASURES]


class DriftArgs(Strict):
    """Whose lots of what, and which characteristic or single measure."""

    supplier_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Supplier"})
    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade"})
    characteristic = Text(
        40, metadata={"label": "Characteristic", "description": f"all when left out, or one of: {', '.join(_KNOWN)}"}
    )
    received_from = Instant(data_key="from", metadata={"description": "lots received from this moment on"})
    received_to = Instant(data_key="to", metadata={"description": "lots received up to this moment"})
    shown_from = Instant(
        metadata={
            "label": "From",
            "description": "show lots received from this moment on; baselines, charts and signals rest on all lots of the span",
        }
    )
    shown_to = Instant(metadata={"label": "To", "description": "show lots received up to this moment; likewise"})
    limit = WrittenWhole(
        1,
        MOST_SHOWN,
        metadata={
            "description": f"so many of the newest lots are shown; when left out, at most {MOST_SHOWN} lots and {MOST_POINTS} figures. "
            "Charts and signals rest on all lots of the span"
        },
    )
    before = WrittenWhole(1, MAX_ID, metadata={"description": "show lots before this number of a lot in the series"})
    run_rules = WrittenTruth(
        load_default=False,
        metadata={
            "description": "look for run rules (Nelson, Western Electric) beside individuals, EWMA and CUSUM; false by default, since more rules "
            "make more false signals"
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
    """A lot's figure; `n` counts the spools behind it, `stretch` the lots read alike."""

    number = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    value = fields.Float(required=True)
    uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "standard uncertainty"})
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
            "description": "one number, or [lowest, highest]; null without one",
            "oneOf": [
                {"type": "number"},
                {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
                {"type": "null"},
            ],
        },
    )
    points = fields.List(fields.Nested(PointSchema), required=True)


class DriftBaselineSchema(ReadSchema):
    """What a stretch is charted against. Of an estimated baseline, limits allow for the estimate (self-starting charts)."""

    status = fields.String(required=True, metadata={"enum": ["none", "given", "provisional", "firm"]})
    chosen = fields.Boolean(required=True)
    revision = fields.Integer(required=True, allow_none=True)
    mean = fields.Float(required=True, allow_none=True)
    sigma = fields.Float(required=True, allow_none=True)
    n = fields.Integer(required=True)
    says = fields.String(required=True)


class ChartPointSchema(Schema):
    """A lot on the charts. `z`, `score` and the sums are in standard deviations, the other figures in the measure's unit."""

    number = fields.Integer(required=True)
    z = fields.Float(required=True, metadata={"description": "departure from the baseline mean"})
    score = fields.Float(
        required=True,
        metadata={"description": "plotted on the charts: z against a given baseline, else allowing for its estimate"},
    )
    individuals_low = fields.Float(
        required=True, metadata={"description": "limit of this lot on the individuals chart"}
    )
    individuals_high = fields.Float(required=True)
    ewma = fields.Float(required=True)
    ewma_low = fields.Float(required=True)
    ewma_high = fields.Float(required=True)
    cusum_high = fields.Float(required=True)
    cusum_low = fields.Float(required=True)
    in_baseline = fields.Boolean(
        required=True, metadata={"description": "the baseline was made from it, so it moves neither average nor sums"}
    )
    first_called_by = fields.List(
        fields.String(), required=True, metadata={"description": "charts that first call here"}
    )


class ChartSchema(ReadSchema):
    """The charts of a stretch: individuals, EWMA, tabular CUSUM. `parameters` has the individuals limits of the latest lot."""

    parameters = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    points = fields.List(fields.Nested(ChartPointSchema), required=True)


class TrendSchema(PlaceSchema):
    """Theil-Sen slope per lot and Mann-Kendall test of the latest stretch; null where there are too few lots."""

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
    """At this slope, the number of the lot that reaches the limit; `earliest` and `latest` bound it. Null where nothing can be said."""

    slope = fields.Float(required=True, allow_none=True)
    slope_low = fields.Float(required=True, allow_none=True)
    slope_high = fields.Float(required=True, allow_none=True)
    limit = fields.Float(required=True, allow_none=True)
    about = fields.Integer(required=True, allow_none=True)
    earliest = fields.Integer(required=True, allow_none=True)
    latest = fields.Integer(required=True, allow_none=True)
    days_per_lot = fields.Float(
        required=True, allow_none=True, metadata={"description": "mean time between the lots of the span, days"}
    )
    about_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "when that lot would come if lots go on arriving so often"},
    )
    earliest_at = Instant(required=True, allow_none=True)
    latest_at = Instant(required=True, allow_none=True)
    says = fields.String(required=True)


class MarkSchema(Schema):
    """Where the reference revision or an instrument changed, so that a series starts anew, or goes on where retained plaques bridge it."""

    measure = fields.String(required=True)
    before_number = fields.Integer(required=True)
    before_lot_id = fields.Integer(required=True)
    bridged = fields.Boolean(required=True, metadata={"description": "true: the series goes on"})
    study_id = fields.Integer(required=True, allow_none=True, metadata={"description": "of agreement, if one was made"})
    says = fields.String(required=True)


class TogetherPointSchema(Schema):
    """A lot's T2."""

    number = fields.Integer(required=True)
    t2 = fields.Float(required=True)


class TogetherSignalSchema(AtSchema):
    """A lot whose colour is unusual as a whole, with what each coordinate adds to T2."""

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
    """Drift of a characteristic over a supplier's consecutive lots of a grade. All signals of the lots shown are told, listed or not."""

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
            "description": "lots of the span, on which charts, signals and trends rest; `lots`, points and signals show the newest of them"
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
    """How a supplier's lots of a grade drift."""

    who = {"GET": ALL}

    @routes.arguments(DriftArgs, location="query")
    @routes.response(200, DriftSchema, rows=drift_rows.TABLE)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Follow a characteristic over a supplier's consecutive lots of a grade.

        Answers series, baseline, control charts, signals in words, and when a limit will be reached. Each measure names its unit. Also as image/svg+xml.
        Of a long series the newest 500 lots are shown, fewer where there are many measures. `before` leads to earlier ones. `from` and `to` choose the
        lots that charts rest on; `shown_from` and `shown_to` choose only the lots shown.
        404 for an unknown supplier or grade. 422 for a characteristic that is not followed over lots.
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
