"""What can be seen of a lot: figures to draw from as JSON, or drawn as SVG where that is asked for."""

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

routes = Routes("lot_pictures", __name__, url_prefix="/v1/lots", description="A lot to look at.")


def _known(text: str = "", **more: Any) -> fields.Float:
    """A figure that may not be known."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text} if text else {}, **more)


class SeenSchema(Schema):
    """Whose picture it is."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier = fields.String(required=True)
    grade = fields.String(required=True)
    standing = fields.String(required=True)
    says = fields.String(required=True)


class NotedSchema(SeenSchema):
    """The same, with what was left out and why."""

    notes = fields.List(fields.String(), required=True)


class ScreenSchema(Schema):
    """A colour on a screen, as sRGB. Outside its gamut the nearest value of each channel stands."""

    hex = fields.String(required=True)
    in_gamut = fields.Boolean(required=True)


class ApartSchema(Schema):
    """Sample minus reference: positive is lighter, redder, yellower."""

    dL = fields.Float(required=True)
    da = fields.Float(required=True)
    db = fields.Float(required=True)
    delta_e = fields.Float(required=True, metadata={"description": "in `formula`"})
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
        metadata={"description": "standard uncertainty of L*, a*, b*; null where nothing tells it"},
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
    """A lot's colour about its reference."""

    formula = fields.String(required=True)
    lot_max = _known("the limit on the lot's colour difference")
    coverage_factor = fields.Float(required=True, metadata={"description": "of the expanded uncertainty that is drawn"})
    reference = fields.Nested(MappedReferenceSchema, required=True, allow_none=True)
    lot = fields.Nested(MappedLotSchema, required=True, allow_none=True)
    spools = fields.List(fields.Nested(MappedSpoolSchema), required=True)
    outline = _outline("[da*, db*] where the difference is exactly lot_max, at dL* = 0, in turn")
    outline_at_lot = _outline("the same at the lot's own dL*; empty where lightness alone uses the limit up")
    screen_says = fields.String(required=True)


@routes.route(f"/<{NUMBER}:number>/color-map")
class ColorMap(Resource):
    """A lot's colour on a map."""

    who = {"GET": ALL}

    @routes.response(200, ColorMapSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the colours of a lot and its spools about the reference, with the contour of the limit.

        Coordinates are CIELAB. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.color_map(number), color_map.draw)


class PermissionSchema(Schema):
    """What a lot may be used for now. Only `yes` and `concession` let anybody load it, and a single spool may be refused all the same."""

    use = fields.String(required=True, metadata={"enum": list(USES)})
    answer = fields.String(
        required=True,
        metadata={
            "enum": list(lot_uses.ANSWERS),
            "description": "not_yet: measuring or lifting a hold may settle it; not_judged: the limits say nothing of this use",
        },
    )
    says = fields.String(required=True)
    reasons = fields.List(fields.String(), required=True, metadata={"description": "every reason against it"})


class LotUsesSchema(Schema):
    """A lot with each use."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier = fields.String(required=True)
    grade = fields.String(required=True)
    received_at = Instant(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    uses = fields.List(fields.Nested(PermissionSchema), required=True)


@routes.route("/uses")
class LotUses(Resource):
    """Lots and what they may be used for."""

    who = {"GET": ALL}

    @routes.arguments(LotFilterArgs, location="query")
    @routes.response(200, page_schema(LotUsesSchema))
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """List lots with their permitted uses.

        Takes the filters and orders of GET /v1/lots. Also as image/svg+xml, a grid of lots and uses.
        """
        answer, headers = page_answer(ordered_page(lot_uses.listed, args))
        return pictured(answer, use_grid.draw, headers)


class PositionSchema(Schema):
    """Both axes at one position; `outside` by a limit on a single diameter, `too_oval` by the limit on ovality."""

    position_m = _known("from the free end; null where nobody noted it")
    d1_mm = fields.Float(required=True)
    d2_mm = fields.Float(required=True)
    ovality_mm = fields.Float(required=True)
    outside = fields.Boolean(required=True)
    too_oval = fields.Boolean(required=True)


class SpoolProfileSchema(Schema):
    """A spool's positions, along the filament, or as they were read where positions were not noted."""

    spool_code = fields.String(required=True)
    positions_noted = fields.Boolean(required=True)
    mean_mm = fields.Float(required=True)
    points = fields.List(fields.Nested(PositionSchema), required=True)
    outside = fields.Integer(required=True, metadata={"description": "positions outside a limit"})


def _ends(text: str) -> fields.List[Any]:
    return fields.List(fields.Float(), required=True, allow_none=True, metadata={"description": text})


class DiameterProfileSchema(NotedSchema):
    """A lot's diameters along its spools."""

    nominal_mm = fields.Float(required=True)
    reading_limit_mm = _ends("[lowest, highest] single diameter; null without one")
    mean_limit_mm = _ends("[lowest, highest] mean of a spool; null without one")
    ovality_max_mm = _known()
    spools = fields.List(fields.Nested(SpoolProfileSchema), required=True)


class AxisLotSchema(Schema):
    """A lot's shrinkage along one axis; `read` says with what it was read, since only like figures compare."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    percent = fields.Float(required=True)
    uncertainty = _known("standard uncertainty, %")
    spools = fields.Integer(required=True)
    read = fields.String(required=True)
    this = fields.Boolean(required=True)


class ShrinkAxisSchema(Schema):
    """One axis: this lot last, the supplier's lots of the grade before it, oldest first."""

    axis = fields.String(required=True, metadata={"enum": ["x", "y", "z"]})
    limit_percent = _ends("[lowest, highest]; null without one")
    lots = fields.List(fields.Nested(AxisLotSchema), required=True)


class ShrinkagePictureSchema(SeenSchema):
    """A lot's shrinkage beside that of lots before it."""

    axes = fields.List(fields.Nested(ShrinkAxisSchema), required=True)


class BarSchema(Schema):
    """A bar broken across its layers."""

    spool_code = fields.String(required=True)
    stress_mpa = fields.Float(required=True)
    control = fields.Boolean(required=True)


class BondPictureSchema(NotedSchema):
    """A lot's bars, the control bars beside them, and the floors."""

    bars = fields.List(fields.Nested(BarSchema), required=True)
    mean_mpa = _known()
    weakest_mpa = _known()
    control_mean_mpa = _known()
    control_ratio = _known("mean of the lot's bars over mean of the control bars")
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
        """Show both diameters at each position of each measured spool, with the limits.

        Diameters are in mm, positions in m. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.diameter_profile(number), diameter.draw)


@routes.route(f"/<{NUMBER}:number>/shrinkage-picture")
class ShrinkagePicture(Resource):
    """Shrinkage beside earlier lots."""

    who = {"GET": ALL}

    @routes.response(200, ShrinkagePictureSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show a lot's shrinkage per axis beside that of the supplier's last lots of the grade.

        Shrinkage is in %, positive when parts come out short. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.shrinkage_picture(number), shrinkage.draw)


@routes.route(f"/<{NUMBER}:number>/bond-picture")
class BondPicture(Resource):
    """Bars across the layers."""

    who = {"GET": ALL}

    @routes.response(200, BondPictureSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """Show the breaking stress of every bar of a lot and of the control bars, with the limits.

        Stresses are in MPa. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured(lot_pictures.bond_picture(number), bond.draw)
