"""Repeat readings of a lot: how they scatter, how many more decide, which stand apart; leaving one out for a cause and taking it back in."""

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
    "replicates", __name__, url_prefix="/v1", description="Repeat readings: scatter, how many more, outliers."
)


class StepSchema(Schema):
    """One step of the test: the reading furthest from the mean of its like."""

    reading_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    value = fields.Float(required=True, metadata={"description": "of the figure, in its unit"})
    statistic = fields.Float(required=True, metadata={"description": "distance from that mean, standard deviations"})
    critical = fields.Float(required=True, metadata={"description": "what the statistic exceeds by chance at alpha"})
    flagged = fields.Boolean(required=True, metadata={"description": "true when it stands apart"})


class FlaggedSchema(Schema):
    """A reading that stands apart, with the mean of its like with and without it."""

    reading_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    value = fields.Float(required=True, metadata={"description": "of the figure, in its unit"})
    excluded = fields.Boolean(required=True, metadata={"description": "true when quality has left it out already"})
    mean_with = fields.Float(
        required=True, metadata={"description": "of the readings of its spool, this one among them"}
    )
    mean_without = fields.Float(required=True, metadata={"description": "of the others"})
    shift = fields.Float(required=True, metadata={"description": "mean_without less mean_with"})


class OutliersSchema(Schema):
    """The generalised extreme Studentised deviate test (Rosner 1983), over all readings, excluded ones too."""

    n = fields.Integer(required=True, metadata={"description": "readings tested: spools read three times and more"})
    groups = fields.Integer(required=True, metadata={"description": "spools they came from, each with its own mean"})
    most = fields.Integer(required=True, metadata={"description": "how many outliers were looked for"})
    alpha = fields.Float(required=True, metadata={"description": "risk of flagging anything by chance"})
    trusted = fields.Boolean(required=True, metadata={"description": "false with too few readings: none is flagged"})
    says = fields.String(required=True)
    steps = fields.List(fields.Nested(StepSchema), required=True, metadata={"description": "furthest first"})
    flagged = fields.List(fields.Nested(FlaggedSchema), required=True, metadata={"description": "furthest first"})


class FigureSchema(Schema):
    """One figure of readings, such as L*: how one reading scatters, and which stand apart."""

    figure = fields.String(required=True, metadata={"example": "color.L"})
    label = fields.String(required=True, metadata={"description": "the figure in words"})
    unit = fields.String(required=True, metadata={"description": "of value, sd and means; empty for CIELAB"})
    sd = fields.Float(
        required=True, allow_none=True, metadata={"description": "of one reading about the mean of its spool"}
    )
    df = fields.Integer(
        required=True, allow_none=True, metadata={"description": "degrees of freedom; null where a study tells"}
    )
    source = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "description": "whose readings tell the scatter; null when nothing does",
            "enum": ["lot", "grade", "instrument", None],
        },
    )
    repeatability = fields.Float(
        required=True, allow_none=True, metadata={"description": "of its instruments, by studies: the least believed"}
    )
    instrument_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard; more readings do not reduce it"}
    )
    says = fields.String(required=True)
    outliers = fields.Nested(OutliersSchema, required=True)


class NeededSchema(Schema):
    """How many readings leave no doubt about a finding, if its value stays where it is. It speaks of the spools that were measured."""

    code = fields.String(required=True, metadata={"description": "of the finding"})
    subject = fields.String(
        required=True, allow_none=True, metadata={"description": "what was judged, such as a spool; null for the lot"}
    )
    value = fields.Float(required=True, metadata={"description": "of the finding, in its unit"})
    limit = OneOrMany(required=True, metadata={"description": "one number, or [lowest, highest]"})
    unit = fields.String(required=True, metadata={"description": "of value and limit; empty for a colour difference"})
    spools = fields.Integer(required=True, metadata={"description": "whose means it is a mean of"})
    readings = fields.Integer(required=True, metadata={"description": "there are, of each: the fewest"})
    n = fields.Integer(
        required=True, allow_none=True, metadata={"description": "readings of each in all; null where none is enough"}
    )
    sure = fields.Integer(
        required=True, allow_none=True, metadata={"description": "so many hold though the scatter is an estimate"}
    )
    more = fields.Integer(required=True, allow_none=True, metadata={"description": "n less those there are"})
    noise = fields.Float(
        required=True, allow_none=True, metadata={"description": "scatter of one reading over the room to the limit"}
    )
    says = fields.String(required=True)


class CharacteristicSchema(Schema):
    """What repeat readings of one characteristic say."""

    characteristic = fields.String(required=True)
    readings = fields.Integer(required=True, metadata={"description": "that count"})
    says = fields.String(required=True)
    figures = fields.List(fields.Nested(FigureSchema), required=True)
    decisions = fields.List(
        fields.Nested(NeededSchema), required=True, metadata={"description": "per finding that is a mean of readings"}
    )


class ShownBySchema(Schema):
    """The step of the test that showed a reading to stand apart, when it was excluded."""

    figure = fields.String(required=True, metadata={"description": "that the test was on"})
    statistic = fields.Float(
        required=True, metadata={"description": "distance from the mean of its like, standard deviations"}
    )
    critical = fields.Float(required=True, metadata={"description": "what the statistic exceeds by chance at alpha"})
    n = fields.Integer(required=True, metadata={"description": "readings tested"})
    alpha = fields.Float(required=True, metadata={"description": "risk of flagging anything by chance"})


class ExcludedLineSchema(ExclusionLineSchema):
    """A reading that was left out, by whom, why, and which test showed it."""

    reading_id = fields.Integer(required=True)
    kind = fields.String(required=True)
    spool_code = fields.String(required=True)
    shown_by = fields.List(
        fields.Nested(ShownBySchema), required=True, metadata={"description": "the tests that flagged it"}
    )


class ReplicatesSchema(Schema):
    """Repeat readings of a lot."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    confidence = fields.Float(required=True, metadata={"description": "of n and sure, two-sided"})
    characteristics = fields.List(fields.Nested(CharacteristicSchema), required=True)
    excluded = fields.List(
        fields.Nested(ExcludedLineSchema), required=True, metadata={"description": "readings that were left out"}
    )
    notes = fields.List(fields.String(), required=True, metadata={"description": "readings that do not count, and why"})


_CAUSES = "; ".join(f"{cause}: {words}" for cause, words in CAUSES.items())
_SLIPS = ("typo", "typing", "slip", "mistyped", "transcription")


class _Cause(Text):
    """A cause from the list. A slip of typing is none of them, and whoever names one is told what to do about it."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kw: Any) -> str:
        if isinstance(value, str) and value.strip().lower() in _SLIPS:
            hint = "A slip of typing is voided: POST /v1/readings/{id}/void with the reason, then measure again."
            raise ValidationError(Said(f'"{value.strip()}" is no cause to exclude a reading that was measured.', hint))
        return super()._deserialize(value, attr, data, **kw)


class ExcludeArgs(Strict):
    """What made a reading stand apart."""

    example = {"cause": "instrument", "reason": "The jaw of the micrometer was dirty."}

    cause = _Cause(12, one_of=tuple(CAUSES), required=True, metadata={"description": _CAUSES})
    reason = Text(2000, lines=True, required=True, metadata={"description": "what was found out, in words"})


class IncludeArgs(Strict):
    """Why a reading counts again."""

    example = {"reason": "The jaw of the micrometer was clean."}

    reason = Text(2000, lines=True, required=True, metadata={"description": "why it counts again, in words"})


class StoodSchema(Schema):
    """Where the lot stood before."""

    standing = fields.String(required=True)
    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)


class ReadingExcludedSchema(ReadingSchema):
    """The reading as it stands, the tests that showed it, and where its lot stood before and stands now."""

    shown_by = fields.List(fields.Nested(ShownBySchema), required=True)
    before = fields.Nested(StoodSchema, required=True)
    lot = fields.Nested(LotAfterSchema, required=True)


@routes.route(f"/lots/<{NUMBER}:number>/replicates")
class Replicates(Resource):
    """Repeat readings of a lot."""

    who = {"GET": ALL}

    @routes.response(200, ReplicatesSchema)
    def get(self, number: int) -> Any:
        """Show how a lot's repeat readings scatter, which are outliers, and how many more readings a finding needs.

        Scatter is that of readings of one spool with one instrument, pooled over spools. A lot with few repeats borrows those of the grade's other
        lots. More readings do not help an instrument that is too coarse. The answer then says so. 404 for an unknown lot.
        """
        return repeats.of_lot(number)


@routes.route(f"/readings/<{NUMBER}:number>/exclude")
class Exclude(Resource):
    """Leaving out a reading that stands apart."""

    who = {"POST": ("quality",)}

    @routes.arguments(ExcludeArgs)
    @routes.response(201, ReadingExcludedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Exclude an outlier for a named cause.

        Its lot is judged without it. The reading stays visible, and the assessment says what it would change. Void a mistyped reading instead. 409 unless
        the test of GET /v1/lots/{number}/replicates flags the reading.
        """
        return exclusions.exclude(number, args["cause"], args["reason"], person().name)


@routes.route(f"/readings/<{NUMBER}:number>/include")
class Include(Resource):
    """Taking back in a reading that was left out."""

    who = {"POST": ("quality",)}

    @routes.arguments(IncludeArgs)
    @routes.response(201, ReadingExcludedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Include an excluded reading again.

        Its lot is judged again with the reading. 409 when the reading is not excluded.
        """
        return exclusions.include(number, args["reason"], person().name)
