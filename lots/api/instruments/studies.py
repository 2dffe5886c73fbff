"""Studies of instruments: repeatability, linearity, agreement with another instrument."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import MAX_ID, NUMBER, Instant, Numbers, Strict, StrictFloat, StrictInteger, Text
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LotChangedSchema
from lots.api.setup.shades import LAB
from lots.domain.characteristics.registry import STUDIED
from lots.services.instruments import studies
from lots.services.instruments.study_checks import Posted

routes = Routes(
    "studies", __name__, url_prefix="/v1", description="Studies of instruments: repeatability, linearity, agreement."
)

# Maximum reading of any instrument.
_MOST = 2000


def _several(inner: Any, most: int, what: str, least: int = 1, **kw: Any) -> fields.List[Any]:
    """Returns a list field with a minimum and a maximum length."""
    refusal = f"Give {least} to {most} {what}."
    return fields.List(inner, validate=validate.Length(least, most, error=refusal), **kw)


class TrialArgs(Strict):
    """One reading of a study of repeatability."""

    part = Text(120, required=True, metadata={"example": "plaque 3", "description": "measured part"})
    operator = Text(120, required=True, metadata={"example": "Ansel", "description": "person or device that measured"})
    value = StrictFloat(-_MOST, _MOST, required=True)


class ArtefactArgs(Strict):
    """An artefact of known value, with readings."""

    code = Text(120, required=True, metadata={"example": "pin 1.75"})
    reference = StrictFloat(-_MOST, _MOST, required=True)
    readings = _several(StrictFloat(-_MOST, _MOST), 200, "readings", 2, required=True)


class PlaqueArgs(Strict):
    """A tile or retained plaque measured on both instruments under the same conditions."""

    code = Text(120, required=True, metadata={"example": "retained plaque Q-71"})
    first = _several(
        Numbers(3, LAB),
        50,
        "readings",
        required=True,
        metadata={"description": "readings on this instrument, L*, a*, b*"},
    )
    second = _several(
        Numbers(3, LAB),
        50,
        "readings",
        required=True,
        metadata={"description": "readings on the other instrument, L*, a*, b*"},
    )


# Part, operator and diameter, mm.
_TRIALS = (
    ("pin 1", "Ann", 1.75),
    ("pin 1", "Ann", 1.752),
    ("pin 1", "Bo", 1.751),
    ("pin 1", "Bo", 1.749),
    ("pin 2", "Ann", 1.76),
    ("pin 2", "Ann", 1.762),
    ("pin 2", "Bo", 1.761),
    ("pin 2", "Bo", 1.759),
)


class StudyArgs(Strict):
    """A study: `measure` and `trials` for repeatability, `measure` and `artefacts` for linearity, `plaques` for agreement."""

    example = {
        "kind": "repeatability",
        "measure": "diameter",
        "studied_at": "2026-11-25T14:00:00+01:00",
        "trials": [{"part": part, "operator": who, "value": value} for part, who, value in _TRIALS],
    }

    kind = Text(
        14,
        one_of=tuple(studies.NEEDS),
        required=True,
        metadata={
            "description": "repeatability uses measure, trials and optionally tolerance_width. linearity uses measure and artefacts. agreement uses other_instrument_id, plaques and optionally grade_id"
        },
    )
    measure = Text(
        20, one_of=tuple(STUDIED), metadata={"description": "measured quantity; for shrinkage a length in mm"}
    )
    studied_at = Instant(required=True)
    trials = _several(
        fields.Nested(TrialArgs),
        2000,
        "trials",
        metadata={"description": "readings of every part by every operator, equally often and at least twice"},
    )
    tolerance_width = StrictFloat(
        1e-6, _MOST, metadata={"description": "upper limit minus lower limit, in the unit of the readings"}
    )
    artefacts = _several(
        fields.Nested(ArtefactArgs),
        100,
        "artefacts",
        metadata={
            "description": "artefacts with at least two known values; five with ten readings each is common practice, no source"
        },
    )
    other_instrument_id = StrictInteger(1, MAX_ID, metadata={"description": "number of the other instrument"})
    plaques = _several(
        fields.Nested(PlaqueArgs),
        200,
        "plaques",
        metadata={"description": "plaques measured on both instruments; at least 3 to continue a series"},
    )
    grade_id = StrictInteger(
        1, MAX_ID, metadata={"description": "number of the grade whose colour limit decides if a series continues"}
    )
    note = Text(2000, lines=True)


class IntervalSchema(Schema):
    """The limits of an interval; null if not estimable."""

    low = fields.Float(required=True, allow_none=True)
    high = fields.Float(required=True, allow_none=True)


class EstimateSchema(IntervalSchema):
    """An estimate with Student's t test against 0. `t` and `p` are null without spread."""

    value = fields.Float(required=True)
    standard_error = fields.Float(required=True)
    df = fields.Integer(required=True)
    t = fields.Float(required=True, allow_none=True)
    p = fields.Float(required=True, allow_none=True)


class SourceSchema(Schema):
    """A row of the analysis of variance."""

    source = fields.String(
        required=True,
        metadata={"enum": ["part", "operator", "interaction", "error"], "description": "source of variation"},
    )
    ss = fields.Float(required=True, metadata={"description": "sum of squares"})
    df = fields.Integer(required=True, metadata={"description": "degrees of freedom"})
    ms = fields.Float(required=True, metadata={"description": "mean square, ss / df"})


class RepeatabilitySchema(Schema):
    """Standard deviations of repeatability, operators, gauge, parts and total, in the unit of the readings."""

    parts = fields.Integer(required=True)
    operators = fields.Integer(required=True)
    repeats = fields.Integer(required=True)
    pooled = fields.Boolean(required=True, metadata={"description": "true if the interaction was pooled with error"})
    anova = fields.List(fields.Nested(SourceSchema), required=True)
    f_interaction = fields.Float(required=True, allow_none=True)
    p_interaction = fields.Float(required=True)
    variances = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    sd = fields.Dict(keys=fields.String(), values=fields.Float(), required=True)
    gauge_sd_low = fields.Float(required=True)
    gauge_sd_high = fields.Float(required=True)
    repeatability_sd_low = fields.Float(required=True)
    repeatability_sd_high = fields.Float(required=True)
    confidence = fields.Float(required=True)
    percent_of_total = fields.Float(required=True, allow_none=True)
    percent_of_tolerance = fields.Float(required=True, allow_none=True)
    categories = fields.Integer(required=True, allow_none=True)


class ArtefactBiasSchema(EstimateSchema):
    """The bias on one artefact, from its readings and from the line. Positive if the instrument reads too high."""

    code = fields.String(required=True)
    reference = fields.Float(required=True)
    line = fields.Nested(EstimateSchema, required=True)


class LinearitySchema(Schema):
    """The regression line of bias over reference values."""

    slope = fields.Nested(EstimateSchema, required=True)
    intercept = fields.Nested(EstimateSchema, required=True)
    average = fields.Nested(EstimateSchema, required=True)
    residual_sd = fields.Float(required=True)
    r_squared = fields.Float(required=True, allow_none=True)
    lack_of_fit_p = fields.Float(required=True, allow_none=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    n = fields.Integer(required=True)
    confidence = fields.Float(required=True)
    biases = fields.List(fields.Nested(ArtefactBiasSchema), required=True)


class ReadApartSchema(Schema):
    """The colour difference of two instruments on a plaque."""

    code = fields.String(required=True, metadata={"description": "code of the plaque"})
    delta_e = fields.Float(
        required=True, metadata={"description": "colour difference of the mean colours, with this instrument first"}
    )


class OffsetSchema(IntervalSchema):
    """The mean offset of the other instrument over plaques. It is reported but not applied."""

    component = fields.String(required=True, metadata={"enum": ["L", "a", "b"]})
    mean = fields.Float(required=True, metadata={"description": "mean over plaques"})
    sd = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard deviation over plaques; null for one plaque"}
    )
    n = fields.Integer(required=True, metadata={"description": "number of plaques"})


_MCDM = "mean colour difference of repeat readings from their mean on {}; null without repeats"


class AgreementSchema(Schema):
    """The agreement of two instruments."""

    formula = fields.String(required=True, metadata={"description": "colour difference formula"})
    differences = fields.List(
        fields.Nested(ReadApartSchema), required=True, metadata={"description": "colour difference by plaque"}
    )
    mean_delta_e = fields.Float(required=True, metadata={"description": "mean colour difference over plaques"})
    worst = fields.Nested(
        ReadApartSchema, required=True, metadata={"description": "plaque with the largest difference"}
    )
    offsets = fields.List(
        fields.Nested(OffsetSchema),
        required=True,
        metadata={"description": "offsets in L*, a*, b*; positive if the other instrument reads higher"},
    )
    repeatability_first = fields.Float(
        required=True, allow_none=True, metadata={"description": _MCDM.format("this instrument")}
    )
    repeatability_second = fields.Float(
        required=True, allow_none=True, metadata={"description": _MCDM.format("the other instrument")}
    )


class TrialSchema(Schema):
    """A reading as recorded."""

    part = fields.String(required=True)
    operator = fields.String(required=True)
    value = fields.Float(required=True)


class ArtefactSchema(Schema):
    """An artefact as recorded."""

    code = fields.String(required=True)
    reference = fields.Float(required=True)
    readings = fields.List(fields.Float(), required=True)


class PlaqueSchema(Schema):
    """A plaque as recorded."""

    code = fields.String(required=True)
    first = fields.List(fields.List(fields.Float()), required=True)
    second = fields.List(fields.List(fields.Float()), required=True)


class StudyVoidedSchema(Schema):
    """The void of a study."""

    reason = fields.String(required=True)
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)


class StudySchema(Schema):
    """A study with its readings and results. Fields of other kinds of study are null."""

    id = fields.Integer(required=True)
    instrument_id = fields.Integer(required=True)
    other_instrument_id = fields.Integer(required=True, allow_none=True)
    kind = fields.String(required=True, metadata={"enum": list(studies.NEEDS)})
    measure = fields.String(required=True, allow_none=True)
    studied_at = Instant(required=True)
    trials = fields.List(fields.Nested(TrialSchema), required=True, allow_none=True)
    tolerance_width = fields.Float(required=True, allow_none=True)
    artefacts = fields.List(fields.Nested(ArtefactSchema), required=True, allow_none=True)
    plaques = fields.List(fields.Nested(PlaqueSchema), required=True, allow_none=True)
    grade_id = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "number of the grade whose limit is used; null without one"},
    )
    note = fields.String(required=True, allow_none=True)
    repeatability = fields.Nested(RepeatabilitySchema, required=True, allow_none=True)
    linearity = fields.Nested(LinearitySchema, required=True, allow_none=True)
    agreement = fields.Nested(AgreementSchema, required=True, allow_none=True)
    says = fields.List(fields.String(), required=True)
    voided = fields.Nested(StudyVoidedSchema, required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class StudiedSchema(StudySchema):
    """A study, with the lots whose status changed."""

    lots = fields.List(fields.Nested(LotChangedSchema), required=True)


class StudyVoidArgs(Strict):
    """The reason for voiding a study."""

    example = {"reason": "The pins were mixed up."}

    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason"})


@routes.route(f"/instruments/<{NUMBER}:number>/studies")
class Studies(Resource):
    """Studies of an instrument."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/studies/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(StudySchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the studies of an instrument.

        Voided studies are included. They are in the order they were stored. 404 for an unknown instrument.
        """
        return page_answer(studies.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(StudyArgs)
    @routes.response(201, StudiedSchema)
    def post(self, args: Posted, number: int) -> Any:
        """Store an instrument study.

        Answers the results. A standard deviation of a repeatability study above the stated standard uncertainty
        replaces that uncertainty for later readings. Affected lots are reassessed. `lots` lists those whose status changed. 422
        for too few readings.
        """
        made = studies.add(number, args, person().name)
        return made, self.location(made)


@routes.route(f"/studies/<{NUMBER}:number>")
class OneStudy(Resource):
    """One study."""

    who = {"GET": ("quality",)}

    @routes.response(200, StudySchema)
    def get(self, number: int) -> Any:
        """Show an instrument study.

        Readings and results are included. 404 for an unknown study.
        """
        return studies.get(number)


@routes.route(f"/studies/<{NUMBER}:number>/void")
class StudyVoid(Resource):
    """The void of a study."""

    who = {"POST": ("quality",)}

    @routes.arguments(StudyVoidArgs)
    @routes.response(201, StudiedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Void an instrument study.

        The study stays visible. Affected lots are reassessed. 409 if it is already void.
        """
        return studies.void(number, args["reason"], person().name)
