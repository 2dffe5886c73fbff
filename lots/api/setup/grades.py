"""Grades with their limits, kept by quality."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate, validates

from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Code,
    Instant,
    Said,
    Strict,
    StrictBoolean,
    StrictFloat,
    StrictInteger,
    Text,
    VersionedSchema,
    WrittenTruth,
    answered,
)
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.api.lot_schemas import LossSchema
from lots.api.setup.limits import LimitsArgs, LimitsSchema
from lots.domain.assessment.limits_revision import USES
from lots.domain.assessment.prohibitions import FILLER_KINDS, SHAPES
from lots.services.assessment import impact
from lots.services.setup import catalog

routes = Routes(
    "grades", __name__, url_prefix="/v1/grades", description="What is bought, and the limits it is held to."
)

_CAUTION = "Advice for production, in sentences. A caution forbids nothing: state what is forbidden in forbidden_uses."


def _names(names: Sequence[str], about: str) -> fields.List[str]:
    return fields.List(Text(20, one_of=tuple(names)), validate=validate.Length(max=20), metadata={"description": about})


class GradeChange(Strict):
    """What may change about a grade. Nominal diameter and shade are settled once lots were received."""

    example = {"cautions": ["Keep dry."]}

    polymer = Text(60, metadata={"example": "PLA"})
    color_name = Text(120)
    finish = Text(60, allow_none=True, metadata={"description": "of the filament", "example": "matte"})
    filler = Text(120, allow_none=True, metadata={"description": "what is mixed in, such as glass fibre"})
    nominal_diameter_mm = StrictFloat(metadata={"description": "mm", "minimum": 1, "maximum": 4, "example": 1.75})
    density_g_cm3 = StrictFloat(0.5, 10, metadata={"description": "g/cm3"})
    shade_id = StrictInteger(
        1, MAX_ID, allow_none=True, metadata={"description": "the approved shade that its lots are judged against"}
    )
    shelf_life_days = StrictInteger(
        1, 36_500, allow_none=True, metadata={"description": "after receipt; then quality looks again"}
    )
    open_life_days = StrictInteger(
        1, 36_500, allow_none=True, metadata={"description": "after opening or drying; then dry again"}
    )
    dry_c = StrictFloat(
        above=0,
        high=200,
        allow_none=True,
        metadata={"description": "drying temperature, °C; at most softening_c", "example": 45},
    )
    dry_h = StrictFloat(above=0, high=1000, allow_none=True, metadata={"description": "drying time, h", "example": 6})
    softening_c = StrictFloat(
        above=0, high=500, allow_none=True, metadata={"description": "where the filament softens, °C", "example": 55}
    )
    dry_for_h = StrictFloat(
        above=0,
        high=100_000,
        allow_none=True,
        metadata={
            "description": "how long a moisture reading or a drying by the rule holds, h; nothing is asked without it"
        },
    )
    dry_for_open_h = StrictFloat(
        above=0,
        high=100_000,
        allow_none=True,
        metadata={"description": "the same once opened, h; half of dry_for_h when left out"},
    )
    cautions = fields.List(Text(500), validate=validate.Length(max=50), metadata={"description": _CAUTION})
    brightened = StrictBoolean(
        metadata={"description": "true: it holds optical brightener, so references and colours must state uv"}
    )

    filler_kind = Text(
        10,
        one_of=FILLER_KINDS,
        metadata={
            "description": "mineral, fibre and a matte finish forbid load-bearing and flexing uses; so does a filler without a kind"
        },
    )
    forbidden_uses = _names(USES, "the uses quality forbids, beside those forbidden by finish and filler")
    permitted_uses = _names(USES, "forbidden uses that quality permits all the same")
    forbidden_shapes = _names(tuple(SHAPES), "shapes that a tab of this grade must not have")
    reason = Text(
        500,
        metadata={
            "description": "why; required when forbidden or permitted uses or shapes change, and when a prohibition is lifted. "
            "With forbidden_uses it confirms those carried over from a caution"
        },
    )

    @validates("nominal_diameter_mm")
    def in_millimetres(self, value: float | None, **_: Any) -> None:
        """Refuses what is no filament, with a hint at inches."""
        if value is None or 1.0 <= value <= 4.0:
            return
        hint = "Common sizes are 1.75 and 2.85 mm."
        if 1.0 <= value * 25.4 <= 4.0:
            hint = f"This looks like inches: {value:g} in is {value * 25.4:.3f} mm. Enter millimetres."
        raise ValidationError(Said(f"{value:g} mm is not a plausible filament diameter (1 to 4 mm).", hint))


class GradeArgs(GradeChange):
    """A new grade; set its limits next."""

    example = {
        "code": "PETG-SG-175",
        "polymer": "PETG",
        "color_name": "Signal Green",
        "finish": "plain",
        "filler": "none",
        "nominal_diameter_mm": 1.75,
        "density_g_cm3": 1.27,
        "shade_id": 1,
    }

    code = Code(40, required=True, metadata={"example": "PLA-HW-175"})
    polymer = Text(60, required=True)
    color_name = Text(120, required=True)
    nominal_diameter_mm = StrictFloat(
        required=True, metadata={"description": "mm", "minimum": 1, "maximum": 4, "example": 1.75}
    )
    density_g_cm3 = StrictFloat(0.5, 10, required=True, metadata={"description": "g/cm3", "example": 1.24})
    cautions = fields.List(
        Text(500), validate=validate.Length(max=50), load_default=list, metadata={"description": _CAUTION}
    )


class GradePermissionSchema(Schema):
    """Quality's permission for a use that the grade would be forbidden for."""

    use = fields.String(required=True)
    reason = fields.String(required=True)
    by = fields.String(required=True)
    at = Instant(required=True)


class ProhibitionSchema(Schema):
    """One reason against a use or a shape."""

    use = fields.String(required=True, allow_none=True)
    shape = fields.String(required=True, allow_none=True)
    source = fields.String(
        required=True,
        metadata={"description": "quality; caution: carried over, not confirmed; finish; filler"},
    )
    reason = fields.String(required=True)
    by = fields.String(required=True, allow_none=True, metadata={"description": "null for finish and filler"})
    at = Instant(required=True, allow_none=True)
    permitted = fields.Boolean(required=True, metadata={"description": "true when a permission of quality lifts it"})
    says = fields.String(required=True)


_FIELDS = (
    *("code", "polymer", "color_name", "finish", "filler"),
    *("nominal_diameter_mm", "density_g_cm3", "shade_id", "shelf_life_days", "open_life_days"),
    *("dry_c", "dry_h", "softening_c", "dry_for_h", "dry_for_open_h"),
)


class GradeSchema(VersionedSchema):
    """A grade."""

    code, polymer, color_name, finish, filler = answered(GradeArgs, *_FIELDS[:5])
    nominal_diameter_mm, density_g_cm3, shade_id, shelf_life_days, open_life_days = answered(GradeArgs, *_FIELDS[5:10])
    dry_c, dry_h, softening_c, dry_for_h, dry_for_open_h = answered(GradeArgs, *_FIELDS[10:])
    cautions, brightened = answered(GradeArgs, "cautions", "brightened", null=False)
    (filler_kind,) = answered(GradeArgs, "filler_kind")
    forbidden_uses = fields.List(
        fields.String(), required=True, metadata={"description": "uses it is forbidden for, whatever a lot measures"}
    )
    permitted_uses, forbidden_shapes = answered(GradeArgs, "permitted_uses", "forbidden_shapes", null=False)
    forbidden = fields.List(
        fields.Nested(ProhibitionSchema),
        required=True,
        metadata={"description": "each reason against a use or a shape"},
    )
    permitted = fields.List(fields.Nested(GradePermissionSchema), required=True)
    added_cautions = fields.List(
        fields.String(), required=True, metadata={"description": "cautions that follow from its colour"}
    )
    to_review = fields.List(
        fields.String(), required=True, metadata={"description": "what quality has to state or confirm"}
    )


class LimitsWarningSchema(Schema):
    """Something in limits that the grade's reference does not pass itself; they were set as they stand."""

    pointer = fields.String(required=True, metadata={"description": "JSON pointer into the limits"})
    detail = fields.String(required=True)
    hint = fields.String(required=True)


class LimitsSetSchema(LimitsSchema):
    """Limits as set, with the lots in stock that would lose a use under them, and what the reference itself does not pass."""

    warnings = fields.List(fields.Nested(LimitsWarningSchema), required=True)
    would_fail = fields.List(
        fields.Nested(LossSchema),
        required=True,
        metadata={"description": "lots in stock that would lose a use under it"},
    )


class GradeFilterArgs(PageArgs):
    """Which grades."""

    to_review = WrittenTruth(
        metadata={"description": "true: only those with something for quality to state or confirm"}
    )


@routes.route("")
class Grades(Resource):
    """All grades."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/grades/{id}"

    @routes.arguments(GradeFilterArgs, location="query")
    @routes.response(200, page_schema(GradeSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List grades, or those that wait for quality.

        `to_review=true` lists grades for which quality has something to state or confirm.
        """
        if args.get("to_review"):
            return page_answer(catalog.grades_to_review(args.get("cursor"), args["limit"]))
        return page_answer(catalog.listed("grade", args.get("cursor"), args["limit"]))

    @routes.arguments(GradeArgs)
    @routes.response(201, GradeSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a grade.

        Diameter is in mm, density in g/cm³. 409 when the code is taken.
        """
        made = catalog.add("grade", args, person().name)
        return made, {**self.location(made), **etag("grade", made)}


@routes.route(f"/<{NUMBER}:number>")
class OneGrade(Resource):
    """One grade."""

    who = {"GET": ("quality",), "PATCH": ("quality",)}

    @routes.response(200, GradeSchema)
    def get(self, number: int) -> Any:
        """Show a grade.

        Diameter is in mm, density in g/cm³, temperatures in °C. The ETag is the version that a change needs. 404 for an unknown number.
        """
        found = catalog.get("grade", number)
        return found, etag("grade", found)

    @routes.arguments(GradeChange)
    @routes.response(200, GradeSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change a grade.

        Needs If-Match. 428 without it, 412 when the grade has changed since. 409 for a property that lots of the grade already depend on.
        """
        version = version_to_change("grade", catalog.get("grade", number))
        changed = catalog.change("grade", number, version, args, person().name)
        return changed, etag("grade", changed)


@routes.route(f"/<{NUMBER}:number>/limits")
class GradeLimits(Resource):
    """Limits of a grade."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(LimitsSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a grade's limits revisions, oldest first.

        The unit of a limit stands in the name of its field. 404 for an unknown grade.
        """
        return page_answer(catalog.limits_revisions(number, args.get("cursor"), args["limit"]))

    @routes.arguments(LimitsArgs)
    @routes.response(201, LimitsSetSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Set limits as a grade's next revision.

        The unit of a limit stands in the name of its field. Lots that are already being measured keep their revision until somebody asks to judge them
        again. `would_fail` lists lots in stock that would lose a use. `warnings` names limits that the reference itself does not meet. 404 for an
        unknown grade.
        """
        made: dict[str, Any] = catalog.add_limits(number, args, person().name)
        return {**made, "would_fail": impact.of_limits_revision(number, made["revision"])}
