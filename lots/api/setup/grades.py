"""Grades and their limits. For quality."""

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

routes = Routes("grades", __name__, url_prefix="/v1/grades", description="Grades and their limits.")

_CAUTION = "Advice for production, in sentences. A caution forbids nothing. State prohibitions in forbidden_uses."


def _names(names: Sequence[str], about: str) -> fields.List[str]:
    return fields.List(Text(20, one_of=tuple(names)), validate=validate.Length(max=20), metadata={"description": about})


class GradeChange(Strict):
    """The fields of a grade that can change. Nominal diameter and shade cannot change after the first lot."""

    example = {"cautions": ["Keep dry."]}

    polymer = Text(60, metadata={"example": "PLA"})
    color_name = Text(120)
    finish = Text(60, allow_none=True, metadata={"description": "finish of the filament", "example": "matte"})
    filler = Text(120, allow_none=True, metadata={"description": "filler in the polymer, such as glass fibre"})
    nominal_diameter_mm = StrictFloat(
        metadata={"description": "nominal diameter, mm", "minimum": 1, "maximum": 4, "example": 1.75}
    )
    density_g_cm3 = StrictFloat(0.5, 10, metadata={"description": "density, g/cm3"})
    shade_id = StrictInteger(
        1, MAX_ID, allow_none=True, metadata={"description": "number of the approved shade for its lots"}
    )
    shelf_life_days = StrictInteger(
        1,
        36_500,
        allow_none=True,
        metadata={"description": "shelf life from receipt, days; re-inspection is then required"},
    )
    open_life_days = StrictInteger(
        1, 36_500, allow_none=True, metadata={"description": "time to the next drying after opening or drying, days"}
    )
    dry_c = StrictFloat(
        above=0,
        high=200,
        allow_none=True,
        metadata={"description": "drying temperature, °C, at most softening_c", "example": 45},
    )
    dry_h = StrictFloat(above=0, high=1000, allow_none=True, metadata={"description": "drying time, h", "example": 6})
    softening_c = StrictFloat(
        above=0, high=500, allow_none=True, metadata={"description": "softening temperature, °C", "example": 55}
    )
    dry_for_h = StrictFloat(
        above=0,
        high=100_000,
        allow_none=True,
        metadata={"description": "validity of a moisture reading or conforming drying, h; no rule by default"},
    )
    dry_for_open_h = StrictFloat(
        above=0,
        high=100_000,
        allow_none=True,
        metadata={"description": "validity after opening, h; half of dry_for_h by default"},
    )
    cautions = fields.List(Text(500), validate=validate.Length(max=50), metadata={"description": _CAUTION})
    brightened = StrictBoolean(
        metadata={"description": "true if it contains optical brightener; references and colours must then state uv"}
    )

    filler_kind = Text(
        10,
        one_of=FILLER_KINDS,
        metadata={
            "description": "kind of filler; mineral, fibre, unknown fillers and matte finishes forbid load-bearing and flexing uses"
        },
    )
    forbidden_uses = _names(USES, "uses forbidden by quality, in addition to those forbidden by finish and filler")
    permitted_uses = _names(USES, "forbidden uses that quality permits nevertheless")
    forbidden_shapes = _names(tuple(SHAPES), "forbidden shapes of tabs")
    reason = Text(
        500,
        metadata={
            "description": "Reason; required when forbidden or permitted uses or shapes change. With forbidden_uses it confirms uses carried over from a caution"
        },
    )

    @validates("nominal_diameter_mm")
    def in_millimetres(self, value: float | None, **_: Any) -> None:
        """Refuses an implausible diameter, with a hint for inches."""
        if value is None or 1.0 <= value <= 4.0:
            return
        hint = "Common sizes are 1.75 and 2.85 mm."
        if 1.0 <= value * 25.4 <= 4.0:
            hint = f"This looks like inches: {value:g} in is {value * 25.4:.3f} mm. Enter millimetres."
        raise ValidationError(Said(f"{value:g} mm is not a plausible filament diameter (1 to 4 mm).", hint))


class GradeArgs(GradeChange):
    """A new grade. Its limits are set afterwards."""

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
        required=True, metadata={"description": "nominal diameter, mm", "minimum": 1, "maximum": 4, "example": 1.75}
    )
    density_g_cm3 = StrictFloat(0.5, 10, required=True, metadata={"description": "density, g/cm3", "example": 1.24})
    cautions = fields.List(
        Text(500), validate=validate.Length(max=50), load_default=list, metadata={"description": _CAUTION}
    )


class GradePermissionSchema(Schema):
    """A permission of quality for a use that is otherwise forbidden."""

    use = fields.String(required=True)
    reason = fields.String(required=True)
    by = fields.String(required=True)
    at = Instant(required=True)


class ProhibitionSchema(Schema):
    """A prohibition of a use or a shape."""

    use = fields.String(required=True, allow_none=True)
    shape = fields.String(required=True, allow_none=True)
    source = fields.String(
        required=True,
        metadata={
            "description": "source of the prohibition: quality, caution (carried over, not confirmed), finish or filler"
        },
    )
    reason = fields.String(required=True)
    by = fields.String(required=True, allow_none=True, metadata={"description": "author; null for finish and filler"})
    at = Instant(required=True, allow_none=True)
    permitted = fields.Boolean(required=True, metadata={"description": "true if quality lifted it with a permission"})
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
        fields.String(), required=True, metadata={"description": "uses forbidden for every lot of the grade"}
    )
    permitted_uses, forbidden_shapes = answered(GradeArgs, "permitted_uses", "forbidden_shapes", null=False)
    forbidden = fields.List(
        fields.Nested(ProhibitionSchema),
        required=True,
        metadata={"description": "all prohibitions of uses and shapes, with reasons"},
    )
    permitted = fields.List(fields.Nested(GradePermissionSchema), required=True)
    added_cautions = fields.List(
        fields.String(), required=True, metadata={"description": "cautions derived from its colour"}
    )
    to_review = fields.List(
        fields.String(), required=True, metadata={"description": "entries that quality has to state or confirm"}
    )


class LimitsWarningSchema(Schema):
    """A limit that the reference itself does not meet. The limits were set nevertheless."""

    pointer = fields.String(required=True, metadata={"description": "JSON pointer into the limits"})
    detail = fields.String(required=True)
    hint = fields.String(required=True)


class LimitsSetSchema(LimitsSchema):
    """New limits, with the lots in stock that would lose a use, and the limits that the reference fails."""

    warnings = fields.List(fields.Nested(LimitsWarningSchema), required=True)
    would_fail = fields.List(
        fields.Nested(LossSchema),
        required=True,
        metadata={"description": "lots in stock that would lose a use under this revision"},
    )


class GradeFilterArgs(PageArgs):
    """Filters for grades."""

    to_review = WrittenTruth(
        metadata={"description": "true for grades with entries that quality has to state or confirm"}
    )


@routes.route("")
class Grades(Resource):
    """All grades."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/grades/{id}"

    @routes.arguments(GradeFilterArgs, location="query")
    @routes.response(200, page_schema(GradeSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List grades.

        `to_review=true` lists only grades for which quality has something to state or confirm.
        """
        if args.get("to_review"):
            return page_answer(catalog.grades_to_review(args.get("cursor"), args["limit"]))
        return page_answer(catalog.listed("grade", args.get("cursor"), args["limit"]))

    @routes.arguments(GradeArgs)
    @routes.response(201, GradeSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a grade.

        Diameter is in mm, density in g/cm³. 409 if the code is in use.
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

        Diameter is in mm, density in g/cm³, temperatures in °C. Use the ETag to change it. 404 for an unknown grade.
        """
        found = catalog.get("grade", number)
        return found, etag("grade", found)

    @routes.arguments(GradeChange)
    @routes.response(200, GradeSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change a grade.

        Needs If-Match. 428 without If-Match, 412 if the grade has changed. 409 for a property on which existing lots
        depend.
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
        """List the limits of a grade.

        Lists all revisions, the oldest first. Each limit has its unit in its field name. 404 for an unknown grade.
        """
        return page_answer(catalog.limits_revisions(number, args.get("cursor"), args["limit"]))

    @routes.arguments(LimitsArgs)
    @routes.response(201, LimitsSetSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Set the limits of a grade.

        They become the next revision. Each limit has its unit in its field name. Lots with readings keep their revision
        until they are reassessed. `would_fail` lists lots in stock that would lose a use. `warnings` names limits that
        the reference itself does not meet. 404 for an unknown grade.
        """
        made: dict[str, Any] = catalog.add_limits(number, args, person().name)
        return {**made, "would_fail": impact.of_limits_revision(number, made["revision"])}
