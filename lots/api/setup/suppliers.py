"""Suppliers. For purchasing and quality."""

from __future__ import annotations

from typing import Any

from lots.api.http.fields import NUMBER, Code, Strict, Text, VersionedSchema, answered
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.services.setup import catalog

routes = Routes("suppliers", __name__, url_prefix="/v1/suppliers", description="Suppliers.")


class SupplierArgs(Strict):
    """A new supplier."""

    example = {"code": "NWF", "name": "Northern Wire and Filament", "contact": "orders@example.org"}

    code = Code(
        40, required=True, metadata={"label": "Code", "description": "short name on labels and slips", "example": "QWT"}
    )
    name = Text(200, required=True, metadata={"label": "Name"})
    contact = Text(500, lines=True, metadata={"label": "Contact"})


class SupplierChange(Strict):
    """The fields of a supplier that can change."""

    example = {"contact": "quality@example.org"}

    name = Text(200, metadata={"label": "Name"})
    contact = Text(500, lines=True, allow_none=True, metadata={"label": "Contact"})


class SupplierSchema(VersionedSchema):
    """A supplier."""

    code, name, contact = answered(SupplierArgs)


@routes.route("")
class Suppliers(Resource):
    """All suppliers."""

    who = {"GET": ("purchasing", "quality"), "POST": ("purchasing", "quality")}
    made_at = "/v1/suppliers/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(SupplierSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List suppliers.

        Each has its number, code and contact. They are in the order they were added.
        """
        return page_answer(catalog.listed("supplier", args.get("cursor"), args["limit"]))

    @routes.arguments(SupplierArgs)
    @routes.response(201, SupplierSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a supplier.

        409 if the code is in use. `existing_id` then names the existing supplier.
        """
        made = catalog.add("supplier", args, person().name)
        return made, {**self.location(made), **etag("supplier", made)}


@routes.route(f"/<{NUMBER}:number>")
class OneSupplier(Resource):
    """One supplier."""

    who = {"GET": ("purchasing", "quality"), "PATCH": ("purchasing", "quality")}

    @routes.response(200, SupplierSchema)
    def get(self, number: int) -> Any:
        """Show a supplier.

        Use the ETag to change it. 404 for an unknown supplier.
        """
        found = catalog.get("supplier", number)
        return found, etag("supplier", found)

    @routes.arguments(SupplierChange)
    @routes.response(200, SupplierSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change a supplier.

        Name and contact can change. The code cannot. Needs If-Match. 428 without If-Match, 412 if the supplier has
        changed.
        """
        version = version_to_change("supplier", catalog.get("supplier", number))
        changed = catalog.change("supplier", number, version, args, person().name)
        return changed, etag("supplier", changed)
