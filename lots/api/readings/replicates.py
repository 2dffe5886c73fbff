"""Repeat readings of a lot: standard deviation, required number, outliers, exclusion and inclusion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import Schema, ValidationError, fields

from lots.api.http.fields import NUMBER, OneOrMany, Said, Strict, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.api.lot_schemas import LotAfterSchema
from lots.api.readings.readings import ExclusionLineSchema, ReadingSchema
from lots.domain.replicates.repeats import CAUSES
from lots.services.assessment import exclusions, repeats

routes = Routes(
    "replicates",
    __name__,
    url_prefix="/v1",
    description="Repeat readings: standard deviation, required number, outliers.",
)


class StepSchema(Schema):
    """One step of the outlier test: the reading with the largest deviation."""

    reading_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    value = fields.Float(required=True, metadata={"description": "value of the reading, in the unit of the quantity"})
    statistic = fields.Float(required=True, metadata={"description": "distance from the mean, standard deviations"})
    critical = fields.Float(required=True, metadata={"description": "critical value of the statistic at alpha"})
    flagged = fields.Boolean(required=True, metadata={"description": "true for an outlier"})


class FlaggedSchema(Schema):
    """An outlier, with the mean of its spool with and without it."""

    reading_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    value = fields.Float(required=True, metadata={"description": "value of the reading, in the unit of the quantity"})
    excluded = fields.Boolean(required=True, metadata={"description": "true if quality has excluded it"})
    mean_with = fields.Float(required=True, metadata={"description": "mean of its spool, with this reading"})
    mean_without = fields.Float(required=True, metadata={"description": "mean of its spool, without this reading"})
    shift = fields.Float(required=True, metadata={"description": "mean_without minus mean_with"})


class OutliersSchema(Schema):
    """The generalised extreme Studentised deviate test (Rosner 1983), over all readings including excluded ones."""

    n = fields.Integer(
        required=True, metadata={"description": "number of readings tested, from spools with at least three"}
    )
    groups = fields.Integer(required=True, metadata={"description": "number of spools, each with its own mean"})
    most = fields.Integer(required=True, metadata={"description": "maximum number of outliers tested for"})
    alpha = fields.Float(required=True, metadata={"description": "significance level"})
    trusted = fields.Boolean(
        required=True, metadata={"description": "false with too few readings; none is flagged then"}
    )
    says = fields.String(required=True)
    steps = fields.List(fields.Nested(StepSchema), required=True, metadata={"description": "most extreme first"})
    flagged = fields.List(fields.Nested(FlaggedSchema), required=True, metadata={"description": "most extreme first"})


class FigureSchema(Schema):
    """One measured quantity, such as L*, with its standard deviation and outliers."""

    figure = fields.String(required=True, metadata={"example": "color.L"})
    label = fields.String(required=True, metadata={"description": "name of the quantity"})
    unit = fields.String(required=True, metadata={"description": "unit of value, sd and means; empty for CIELAB"})
    sd = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard deviation of one reading from the mean of its spool"},
    )
    df = fields.Integer(
        required=True, allow_none=True, metadata={"description": "degrees of freedom; null if sd is from a study"}
    )
    source = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "description": "source of sd; null without one",
            "enum": ["lot", "grade", "instrument", None],
        },
    )
    repeatability = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "largest repeatability of its instruments, from studies; null without a study"},
    )
    instrument_uncertainty = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard uncertainty of the instrument, which more readings do not reduce"},
    )
    says = fields.String(required=True)
    outliers = fields.Nested(OutliersSchema, required=True)


class NeededSchema(Schema):
    """The number of readings that decide a finding at its present value, for the measured spools."""

    code = fields.String(required=True, metadata={"description": "code of the finding"})
    subject = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "subject of the finding, such as a spool; null for the lot"},
    )
    value = fields.Float(required=True, metadata={"description": "value of the finding, in `unit`"})
    limit = OneOrMany(required=True, metadata={"description": "one number, or [lowest, highest]"})
    unit = fields.String(
        required=True, metadata={"description": "unit of value and limit; empty for a colour difference"}
    )
    spools = fields.Integer(required=True, metadata={"description": "number of spools whose means are averaged"})
    readings = fields.Integer(
        required=True, metadata={"description": "present number of readings per spool, the minimum"}
    )
    n = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "required readings per spool; null if no number is sufficient"},
    )
    sure = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "required readings per spool, allowing for the uncertainty of sd"},
    )
    more = fields.Integer(
        required=True, allow_none=True, metadata={"description": "further readings per spool: n minus readings"}
    )
    noise = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard deviation of one reading divided by the distance to the limit"},
    )
    says = fields.String(required=True)


class CharacteristicSchema(Schema):
    """Repeat readings of one characteristic."""

    characteristic = fields.String(required=True)
    readings = fields.Integer(required=True, metadata={"description": "number of readings that count"})
    says = fields.String(required=True)
    figures = fields.List(fields.Nested(FigureSchema), required=True)
    decisions = fields.List(
        fields.Nested(NeededSchema),
        required=True,
        metadata={"description": "one entry per finding that is a mean of readings"},
    )


class ShownBySchema(Schema):
    """The step of the outlier test at the time of exclusion."""

    figure = fields.String(required=True, metadata={"description": "quantity tested"})
    statistic = fields.Float(
        required=True, metadata={"description": "distance from the mean of its spool, standard deviations"}
    )
    critical = fields.Float(required=True, metadata={"description": "critical value of the statistic at alpha"})
    n = fields.Integer(required=True, metadata={"description": "number of readings tested"})
    alpha = fields.Float(required=True, metadata={"description": "significance level"})


class ExcludedLineSchema(ExclusionLineSchema):
    """An excluded reading, with author, reason and tests."""

    reading_id = fields.Integer(required=True)
    kind = fields.String(required=True)
    spool_code = fields.String(required=True)
    shown_by = fields.List(
        fields.Nested(ShownBySchema), required=True, metadata={"description": "tests that flagged it as an outlier"}
    )


class ReplicatesSchema(Schema):
    """Repeat readings of a lot."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    confidence = fields.Float(required=True, metadata={"description": "two-sided confidence level of n and sure"})
    characteristics = fields.List(fields.Nested(CharacteristicSchema), required=True)
    excluded = fields.List(
        fields.Nested(ExcludedLineSchema), required=True, metadata={"description": "excluded readings"}
    )
    notes = fields.List(
        fields.String(), required=True, metadata={"description": "readings that do not count, with reasons"}
    )


_CAUSES = "; ".join(f"{cause}: {words}" for cause, words in CAUSES.items())
_SLIPS = ("typo", "typing", "slip", "mistyped", "transcription")


class _Cause(Text):
    """A cause from the list. A typing error is refused with a hint to void the reading."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> str:
        if isinstance(value, str) and value.strip().lower() in _SLIPS:
            hint = "Void a typing error with POST /v1/readings/{id}/void, then measure again."
            raise ValidationError(Said(f'"{value.strip()}" is not a cause for exclusion.', hint))
        return super()._deserialize(value, attr, data, **kw)


class ExcludeArgs(Strict):
    """The cause of an outlier."""

    example = {"cause": "instrument", "reason": "The jaw of the micrometer was dirty."}

    cause = _Cause(12, one_of=tuple(CAUSES), required=True, metadata={"description": _CAUSES})
    reason = Text(2000, lines=True, required=True, metadata={"description": "result of the investigation"})


class IncludeArgs(Strict):
    """The reason for including a reading again."""

    example = {"reason": "The jaw of the micrometer was clean."}

    reason = Text(2000, lines=True, required=True, metadata={"description": "reason why it counts again"})


class StoodSchema(Schema):
    """The previous state of the lot."""

    standing = fields.String(required=True)
    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)


class ReadingExcludedSchema(ReadingSchema):
    """The reading, the outlier tests, and the state of its lot before and after."""

    shown_by = fields.List(fields.Nested(ShownBySchema), required=True)
    before = fields.Nested(StoodSchema, required=True)
    lot = fields.Nested(LotAfterSchema, required=True)


@routes.route(f"/lots/<{NUMBER}:number>/replicates")
class Replicates(Resource):
    """Repeat readings of a lot."""

    who = {"GET": ALL}

    @routes.response(200, ReplicatesSchema)
    def get(self, number: int) -> Any:
        """Analyse repeat readings of a lot.

        Answers their standard deviation, the outliers, and the number of further readings that each finding needs. The
        standard deviation is pooled over spools, from readings of one spool with one instrument. A lot with few repeats
        uses repeats of other lots of the grade. The answer says if the instrument is too coarse for more readings to
        help. 404 for an unknown lot.
        """
        return repeats.of_lot(number)


@routes.route(f"/readings/<{NUMBER}:number>/exclude")
class Exclude(Resource):
    """The exclusion of an outlier."""

    who = {"POST": ("quality",)}

    @routes.arguments(ExcludeArgs)
    @routes.response(201, ReadingExcludedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Exclude an outlier.

        A cause is required. The lot is reassessed without the reading. The reading stays visible, and the assessment
        states its effect. Void a mistyped reading instead. 409 unless GET /v1/lots/{number}/replicates flags the
        reading as an outlier.
        """
        return exclusions.exclude(number, args["cause"], args["reason"], person().name)


@routes.route(f"/readings/<{NUMBER}:number>/include")
class Include(Resource):
    """The inclusion of an excluded reading."""

    who = {"POST": ("quality",)}

    @routes.arguments(IncludeArgs)
    @routes.response(201, ReadingExcludedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Include an excluded reading.

        The lot is reassessed with the reading. 409 if the reading is not excluded.
        """
        return exclusions.include(number, args["reason"], person().name)
