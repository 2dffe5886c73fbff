"""Figures of a lot as JSON, or drawn as SVG."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, ordered_page, page_answer, page_schema
from lots.api.pictures import bond, color_map, diameter, shrinkage, use_grid
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.receiving.lots_and_deliveries import LotFilterArgs
from lots.domain.assessment.limits_revision import USES
from lots.domain.assessment.standing_by_hand import STANDINGS
from lots.services.documents import lot_pictures
from lots.services.production import lot_uses

routes = Routes("lot_pictures", __name__, url_prefix="/v1/lots", description="Figures and pictures of lots.")


def _known(text: str = "", **more: Any) -> fields.Float:
    """Returns the field of a value that may be null."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text} if text else {}, **more)


class SeenSchema(Schema):
    """The lot of a picture."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier = fields.String(required=True)
    grade = fields.String(required=True)
    standing = fields.String(required=True)
    says = fields.String(required=True)


class NotedSchema(SeenSchema):
    """The lot of a picture, with notes on omitted data."""

    notes = fields.List(fields.String(), required=True)


class ScreenSchema(Schema):
    """A colour on a screen, as sRGB. Outside the gamut each channel is clipped."""

    hex = fields.String(required=True)
    in_gamut = fields.Boolean(required=True)


class ApartSchema(Schema):
    """The difference sample minus reference; positive is lighter, redder, yellower."""

    dL = fields.Float(required=True)
    da = fields.Float(required=True)
    db = fields.Float(required=True)
    delta_e = fields.Float(required=True, metadata={"description": "colour difference, by `formula`"})
    direction = fields.String(required=True)


class MappedSpoolSchema(ApartSchema):
    """The mean of one spool."""

    spool_code = fields.String(required=True)
    readings = fields.Integer(required=True)


class MappedLotSchema(ApartSchema):
    """The mean of the lot's spools."""

    lab = fields.List(fields.Float(), required=True)
    uncertainty = fields.List(
        fields.Float(),
        required=True,
        allow_none=True,
        metadata={"description": "standard uncertainty of L*, a*, b*; null if unknown"},
    )
    spools = fields.Integer(required=True)
    readings = fields.Integer(required=True)
    screen = fields.Nested(ScreenSchema, required=True)


class MappedReferenceSchema(Schema):
    """The approved colour."""

    name = fields.String(required=True)
    revision = fields.Integer(required=True)
    lab = fields.List(fields.Float(), required=True)
    conditions = fields.String(required=True)
    screen = fields.Nested(ScreenSchema, required=True)


def _outline(text: str) -> fields.List[Any]:
    return fields.List(fields.List(fields.Float()), required=True, metadata={"description": text})


class ColorMapSchema(NotedSchema):
    """The colours of a lot around its reference."""

    formula = fields.String(required=True)
    lot_max = _known("limit of the lot colour difference; null without one")
    coverage_factor = fields.Float(
        required=True, metadata={"description": "coverage factor of the expanded uncertainty shown"}
    )
    reference = fields.Nested(MappedReferenceSchema, required=True, allow_none=True)
    lot = fields.Nested(MappedLotSchema, required=True, allow_none=True)
    spools = fields.List(fields.Nested(MappedSpoolSchema), required=True)
    outline = _outline("points of the limit outline at dL* = 0, [da*, db*]")
    outline_at_lot = _outline("the same at the dL* of the lot; empty if lightness alone exceeds the limit")
    screen_says = fields.String(required=True)


@routes.route(f"/<{NUMBER}:number>/color-map")
class ColorMap(Resource):
    """A lot's colour on a map."""

    who = {"GET": ALL}

    @routes.response(200, ColorMapSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the colour map.

        Shows the colours of a lot and its spools around the reference, with the outline of the limit. Coordinates are
        CIELAB. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.color_map(number), color_map.draw)


class PermissionSchema(Schema):
    """The clearance of a lot for a use. Only `yes` and `concession` permit loading. Single spools may still be refused."""

    use = fields.String(required=True, metadata={"enum": list(USES)})
    answer = fields.String(
        required=True,
        metadata={
            "enum": list(lot_uses.ANSWERS),
            "description": "clearance; not_yet if readings or the end of a hold may decide it, not_judged if the limits do not cover the use",
        },
    )
    says = fields.String(required=True)
    reasons = fields.List(fields.String(), required=True, metadata={"description": "all reasons against the use"})


class LotUsesSchema(Schema):
    """A lot, with its clearance per use."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier = fields.String(required=True)
    grade = fields.String(required=True)
    received_at = Instant(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    uses = fields.List(fields.Nested(PermissionSchema), required=True)


@routes.route("/uses")
class LotUses(Resource):
    """Permitted uses of lots."""

    who = {"GET": ALL}

    @routes.arguments(LotFilterArgs, location="query")
    @routes.response(200, page_schema(LotUsesSchema))
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """List the permitted uses of lots.

        Takes the filters and orders of GET /v1/lots. Also as image/svg+xml, a grid of lots and uses.
        """
        answer, headers = page_answer(ordered_page(lot_uses.listed, args))
        return pictured(answer, use_grid.draw, headers)


class PositionSchema(Schema):
    """Both diameters at one position. `outside` refers to the limit of a single diameter, `too_oval` to that of ovality."""

    position_m = _known("distance from the free end, m; null if not recorded")
    d1_mm = fields.Float(required=True)
    d2_mm = fields.Float(required=True)
    ovality_mm = fields.Float(required=True)
    outside = fields.Boolean(required=True)
    too_oval = fields.Boolean(required=True)


class SpoolProfileSchema(Schema):
    """The positions of a spool along the filament, or in reading order if not recorded."""

    spool_code = fields.String(required=True)
    positions_noted = fields.Boolean(required=True)
    mean_mm = fields.Float(required=True)
    points = fields.List(fields.Nested(PositionSchema), required=True)
    outside = fields.Integer(required=True, metadata={"description": "number of positions outside a limit"})


def _ends(text: str) -> fields.List[Any]:
    return fields.List(fields.Float(), required=True, allow_none=True, metadata={"description": text})


class DiameterProfileSchema(NotedSchema):
    """A lot's diameters along its spools."""

    nominal_mm = fields.Float(required=True)
    reading_limit_mm = _ends("limits of a single diameter, mm, [lowest, highest]; null without limits")
    mean_limit_mm = _ends("limits of the mean of a spool, mm, [lowest, highest]; null without limits")
    ovality_max_mm = _known()
    spools = fields.List(fields.Nested(SpoolProfileSchema), required=True)


class AxisLotSchema(Schema):
    """The shrinkage of a lot along one axis. Only values with equal `read` are comparable."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    percent = fields.Float(required=True)
    uncertainty = _known("standard uncertainty, %; null if unknown")
    spools = fields.Integer(required=True)
    read = fields.String(required=True)
    this = fields.Boolean(required=True)


class ShrinkAxisSchema(Schema):
    """One axis, with the previous lots of the supplier and grade, oldest first, and this lot last."""

    axis = fields.String(required=True, metadata={"enum": ["x", "y", "z"]})
    limit_percent = _ends("limits, %, [lowest, highest]; null without limits")
    lots = fields.List(fields.Nested(AxisLotSchema), required=True)


class ShrinkagePictureSchema(SeenSchema):
    """The shrinkage of a lot and of earlier lots."""

    axes = fields.List(fields.Nested(ShrinkAxisSchema), required=True)


class BarSchema(Schema):
    """A specimen broken across its layers."""

    spool_code = fields.String(required=True)
    stress_mpa = fields.Float(required=True)
    control = fields.Boolean(required=True)


class BondPictureSchema(NotedSchema):
    """The specimens of a lot, the control specimens and the limits."""

    bars = fields.List(fields.Nested(BarSchema), required=True)
    mean_mpa = _known()
    weakest_mpa = _known()
    control_mean_mpa = _known()
    control_ratio = _known("mean of the specimens divided by mean of the control specimens")
    mean_min_mpa = _known()
    single_min_mpa = _known()
    control_ratio_min = _known()


@routes.route(f"/<{NUMBER}:number>/diameter-profile")
class DiameterProfile(Resource):
    """Diameter along the spools."""

    who = {"GET": ALL}

    @routes.response(200, DiameterProfileSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the diameter profile.

        Shows both diameters at each position of each measured spool, with the limits. Diameters are in mm, positions in
        m. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.diameter_profile(number), diameter.draw)


@routes.route(f"/<{NUMBER}:number>/shrinkage-picture")
class ShrinkagePicture(Resource):
    """Shrinkage of a lot and earlier lots."""

    who = {"GET": ALL}

    @routes.response(200, ShrinkagePictureSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the shrinkage of a lot.

        Compares the shrinkage per axis with the previous lots of the supplier and grade. Shrinkage is in %, positive if
        parts are too short. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.shrinkage_picture(number), shrinkage.draw)


@routes.route(f"/<{NUMBER}:number>/bond-picture")
class BondPicture(Resource):
    """Interlayer strength of a lot."""

    who = {"GET": ALL}

    @routes.response(200, BondPictureSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the interlayer strength.

        Shows the breaking stress of each specimen of a lot and of the control specimens, with the limits. Stresses are
        in MPa. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.bond_picture(number), bond.draw)
