"""Shades and their revisions, kept by quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from lots.api.fields import Instant, Numbers, Said, Strict, Text, Whole
from lots.api.http import Desk, PageArgs, Resource, page_answer, page_schema, person
from lots.api.impact import LossSchema
from lots.api.purchasing import NUMBER
from lots.desks import catalog, impact

desk = Desk("shades", __name__, url_prefix="/v1/shades", description="Approved colours, each with numbered revisions.")

LAB = "L*, a*, b*"


class Lit(fields.Field[str]):
    """A condition with two states: a word, or true for included and false for excluded."""

    def __init__(self, **kw: Any) -> None:
        kw.setdefault("metadata", {}).update(type="string", enum=["included", "excluded"])
        kw.setdefault("error_messages", {}).update(required="This is needed.")
        super().__init__(**kw)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> str:
        known = {
            "included": "included",
            "sci": "included",
            "excluded": "excluded",
            "sce": "excluded",
            "cut": "excluded",
        }
        if isinstance(value, bool):
            return "included" if value else "excluded"
        if isinstance(value, str) and value.strip().lower() in known:
            return known[value.strip().lower()]
        raise ValidationError(Said("This must be included or excluded."))


class ConditionsArgs(Strict):
    """How a colour is measured. Readings are comparable only under the same conditions."""

    illuminant = Text(20, required=True, metadata={"description": "CIE illuminant", "example": "D65"})
    observer_deg = Whole(2, 10, required=True, metadata={"enum": [2, 10], "description": "CIE standard observer"})
    geometry = Text(20, required=True, metadata={"description": "such as d/8 or 45/0", "example": "d/8"})
    specular = Lit(required=True, metadata={"description": "specular component"})
    uv = Lit(metadata={"description": "ultraviolet in the beam; state it for brightened whites"})
    backing = Text(60, metadata={"description": "what lies behind the plaque", "example": "white"})


class RevisionArgs(Strict):
    """A reference colour to approve: `lab`, or `readings` to be averaged."""

    lab = Numbers(3, LAB, metadata={"example": [95.0, -0.8, 1.5]})
    readings = fields.List(
        Numbers(3, LAB),
        validate=validate.Length(1, 1000, error="Give 1 to 1000 readings."),
        metadata={"description": "averaged in CIELAB"},
    )
    conditions = fields.Nested(ConditionsArgs, required=True, error_messages={"required": "This is needed."})
    approved_by = Text(120, required=True)
    note = Text(2000, lines=True)


class ConditionsSchema(Schema):
    """How a colour was measured."""

    illuminant = fields.String(required=True)
    observer_deg = fields.Integer(required=True)
    geometry = fields.String(required=True)
    specular = fields.String(required=True)
    uv = fields.String()
    backing = fields.String()


class RevisionSchema(Schema):
    """An approved reference colour; it never changes."""

    id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True)
    lab = fields.List(fields.Float(), required=True)
    readings = fields.List(fields.List(fields.Float()), required=True, allow_none=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    approved_by = fields.String(required=True)
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ApprovedSchema(RevisionSchema):
    """A revision as approved, with the lots in stock that would lose a use under it."""

    would_fail = fields.List(fields.Nested(LossSchema), required=True)


class ShadeArgs(Strict):
    """A new shade; approve a revision next."""

    code = Text(40, required=True, metadata={"example": "HW"})
    name = Text(200, required=True, metadata={"example": "Harbour White"})


class ShadeSchema(Schema):
    """A shade."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    name = fields.String(required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


@desk.route("")
class Shades(Resource):
    """All shades."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @desk.arguments(PageArgs, location="query")
    @desk.response(200, page_schema(ShadeSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List shades."""
        return page_answer(catalog.listed("shade", args.get("cursor"), args["limit"]))

    @desk.arguments(ShadeArgs)
    @desk.response(201, ShadeSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a shade. 409 when the code is taken."""
        made = catalog.add("shade", args, person().name)
        return made, {"Location": f"/v1/shades/{made['id']}"}


@desk.route(f"/<{NUMBER}:number>")
class OneShade(Resource):
    """One shade."""

    who = {"GET": ("quality",)}

    @desk.response(200, ShadeSchema)
    def get(self, number: int) -> Any:
        """Show a shade."""
        return catalog.get("shade", number)


@desk.route(f"/<{NUMBER}:number>/revisions")
class Revisions(Resource):
    """Revisions of a shade."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @desk.arguments(PageArgs, location="query")
    @desk.response(200, page_schema(RevisionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a shade's revisions, oldest first."""
        return page_answer(catalog.shade_revisions(number, args.get("cursor"), args["limit"]))

    @desk.arguments(RevisionArgs)
    @desk.response(201, ApprovedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Approve a reference colour as the next revision.

        Lots already judged keep theirs until somebody asks to judge them again; `would_fail` lists those in stock that would lose a use.
        """
        made = catalog.add_shade_revision(number, args, person().name)
        return {**made, "would_fail": impact.of_shade_revision(number, made["revision"])}
