"""Test prints and their recipes. For quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, ValidationError, fields, validates

from lots.api.http.fields import NUMBER, Code, Instant, Said, Strict, StrictFloat, Text, answered
from lots.api.http.roles import ALL
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.setup import test_prints
from lots.services.setup.test_prints import NewTestPrint

routes = Routes("test_prints", __name__, url_prefix="/v1/test-prints", description="Test prints and their recipes.")


class TestPrintArgs(Strict):
    """A test print, such as a coupon. Its recipe is added afterwards, as a revision."""

    example = {"code": "BAR", "name": "Upright bar"}

    code = Code(40, required=True, metadata={"label": "Code", "example": "COUPON"})
    name = Text(200, required=True, metadata={"label": "Name", "example": "Stepped shrink coupon"})

    @validates("code")
    def without_the_mark(self, value: str, **_: Any) -> None:
        """Refuses the separator between code and revision."""
        if test_prints.MARK in value:
            raise ValidationError(Said("A code cannot contain /.", "Write COUPON-A."))


class TestPrintSchema(Schema):
    """A test print."""

    id = fields.Integer(required=True)
    code, name = answered(TestPrintArgs)
    newest_revision = fields.Integer(
        required=True, allow_none=True, metadata={"description": "newest revision of its recipe; null without a recipe"}
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class RecipeArgs(Strict):
    """A recipe. It never changes, and another setting is another revision."""

    example = {
        "nozzle_c": 215,
        "bed_c": 60,
        "layer_height_mm": 0.2,
        "speed_mm_s": 60,
        "cooling_percent": 40,
        "orientation": "upright",
        "geometry": "Bar 10 x 4 mm, 80 mm tall.",
    }

    nozzle_c = StrictFloat(
        above=0,
        high=600,
        required=True,
        metadata={"label": "Nozzle, °C", "description": "nozzle temperature, °C", "example": 215},
    )
    bed_c = StrictFloat(
        0, 300, required=True, metadata={"label": "Bed, °C", "description": "bed temperature, °C", "example": 60}
    )
    layer_height_mm = StrictFloat(
        above=0,
        high=5,
        required=True,
        metadata={"label": "Layer height, mm", "description": "layer height, mm", "example": 0.2},
    )
    speed_mm_s = StrictFloat(
        above=0,
        high=2000,
        required=True,
        metadata={"label": "Print speed, mm/s", "description": "print speed, mm/s", "example": 60},
    )
    cooling_percent = StrictFloat(
        0, 100, required=True, metadata={"label": "Cooling, %", "description": "part cooling, % of the fan"}
    )
    orientation = Text(
        120,
        required=True,
        metadata={"label": "Orientation", "description": "orientation on the bed", "example": "upright"},
    )
    geometry = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Geometry", "description": "shape and dimensions of the print"},
    )
    note = Text(2000, lines=True, metadata={"label": "Note"})


class RecipeSchema(Schema):
    """A recipe."""

    id = fields.Integer(required=True)
    test_print_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "revision number within the test print, from 1"})
    test_print = fields.String(
        required=True,
        metadata={"description": "code and revision, as used in readings and limits", "example": "COUPON/2"},
    )
    nozzle_c, bed_c, layer_height_mm, speed_mm_s, cooling_percent, orientation, geometry, note = answered(RecipeArgs)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


@routes.route("")
class TestPrints(Resource):
    """All test prints."""

    who = {"GET": ALL, "POST": ("quality",)}
    made_at = "/v1/test-prints/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(TestPrintSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List test prints.

        A test print is a specimen with numbered recipes. They are in the order they were added.
        """
        return page_answer(test_prints.listed(args.get("cursor"), args["limit"]))

    @routes.arguments(TestPrintArgs)
    @routes.response(201, TestPrintSchema)
    def post(self, args: NewTestPrint) -> Any:
        """Add a test print.

        Add its recipe afterwards, as a revision. 409 if the code is in use.
        """
        made = test_prints.add(args, person().name)
        return made, self.location(made)


@routes.route(f"/<{NUMBER}:number>")
class OneTestPrint(Resource):
    """One test print."""

    who = {"GET": ALL}

    @routes.response(200, TestPrintSchema)
    def get(self, number: int) -> Any:
        """Show a test print.

        404 for an unknown test print.
        """
        return test_prints.get(number)


@routes.route(f"/<{NUMBER}:number>/revisions")
class Recipes(Resource):
    """Recipes of a test print."""

    who = {"GET": ALL, "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RecipeSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the recipes of a test print.

        The oldest come first. Temperatures are in °C, lengths in mm, speeds in mm/s. 404 for an unknown test print.
        """
        return page_answer(test_prints.revisions(number, args.get("cursor"), args["limit"]))

    @routes.arguments(RecipeArgs)
    @routes.response(201, RecipeSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Add a recipe.

        It becomes the next revision of the test print. If limits name it, prints by older recipes no longer count.
        Temperatures are in °C, lengths in mm, speeds in mm/s. 404 for an unknown test print.
        """
        return test_prints.add_revision(number, args, person().name)
