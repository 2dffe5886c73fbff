"""Deliveries and lots, for the receiving clerk; lots are for everybody to read."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Code,
    Instant,
    LabelCode,
    Strict,
    StrictBoolean,
    StrictFloat,
    StrictInteger,
    Text,
    VersionedSchema,
    WrittenWhole,
)
from lots.api.http.roles import ALL
from lots.api.http.routes import PageArgs, Resource, Routes, etag, ordered_page, page_answer, page_schema, person
from lots.api.lot_schemas import LotLineSchema, NamedSchema
from lots.domain.assessment.standing_by_hand import STANDINGS
from lots.services.receiving import deliveries as delivery_desk
from lots.services.receiving import receiving
from lots.services.receiving.bodies import NewDelivery

deliveries = Routes(
    "deliveries", __name__, url_prefix="/v1/deliveries", description="Filament in: lot, spools, sample."
)
routes = Routes("lots", __name__, url_prefix="/v1/lots", description="Lots, and where they stand.")


class NewSpoolArgs(Strict):
    """One reel of a delivery."""

    code = LabelCode(60, metadata={"description": "as on its label; made up when left out"})
    net_mass_g = StrictFloat(metadata={"minimum": 20, "maximum": 60000, "description": "filament without the reel, g"})


class DeliveryArgs(Strict):
    """A delivery: what came, and on which spools. Give `spools`, or `spool_count` with `net_mass_g`."""

    example = {
        "supplier_id": 1,
        "grade_id": 1,
        "supplier_lot": "Q-71",
        "order_ref": "PO 7",
        "received_at": "2026-11-25T14:00:00+01:00",
        "spools": [{"code": "A-1", "net_mass_g": 1000}, {"code": "A-2", "net_mass_g": 1000}],
    }

    supplier_id = StrictInteger(1, MAX_ID)
    supplier_code = Text(40, metadata={"description": "instead of supplier_id"})
    grade_id = StrictInteger(1, MAX_ID)
    grade_code = Text(40, metadata={"description": "instead of grade_id"})
    supplier_lot = Code(120, required=True, metadata={"description": "the supplier's lot number as printed"})
    order_ref = Text(120, metadata={"description": "the shop's order"})
    received_at = Instant(required=True, metadata={"description": "when it came"})
    ordered_at = Instant(metadata={"description": "when it was ordered; lead times count from here"})
    due_at = Instant(metadata={"description": "when it was promised; later than this is late"})
    cost = StrictFloat(0, 1e9, metadata={"description": "of the whole delivery, in `currency`"})
    currency = Text(3, metadata={"description": "ISO 4217, such as EUR; needed with cost", "pattern": "^[A-Z]{3}$"})
    spools = fields.List(
        fields.Nested(NewSpoolArgs),
        validate=validate.Length(1, 1000, error="A delivery has 1 to 1000 spools."),
        metadata={"description": "each reel that came"},
    )
    spool_count = StrictInteger(1, 1000, metadata={"description": "reels that came, instead of spools"})
    net_mass_g = StrictFloat(metadata={"minimum": 20, "maximum": 60000, "description": "of each spool, g"})
    confirm_new_lot = StrictBoolean(
        load_default=False,
        metadata={"description": "true when a lot number that looks like a known one is another lot"},
    )
    confirm_spool_count = StrictBoolean(
        load_default=False,
        metadata={"description": "true when more than 200 spools, or 10 times the supplier's usual number, came"},
    )
    resubmission_of = StrictInteger(1, MAX_ID, metadata={"description": "the refused lot that comes again, sorted"})
    note = Text(2000, lines=True)


class SampleSchema(Schema):
    """Which spools to measure; `seed` repeats the draw."""

    size = fields.Integer(required=True, metadata={"description": "spools to measure"})
    spool_codes = fields.List(fields.String(), required=True, metadata={"description": "which they are"})
    seed = fields.Integer(required=True, metadata={"description": "of the draw: it repeats it"})
    rule = fields.String(required=True, metadata={"description": "how size and spools were chosen"})
    says = fields.String(required=True)
    code_letter = fields.String(metadata={"description": "under a plan"})
    accept = fields.Integer(metadata={"description": "under a plan: most nonconforming spools that accept the lot"})
    reject = fields.Integer(metadata={"description": "under a plan: fewest that refuse it"})
    severity = fields.String(metadata={"description": "under a plan: normal, tightened, reduced or discontinued"})


class FurtherDrawSchema(Schema):
    """Spools drawn beyond the first sample, next in the order of its seed."""

    spool_codes = fields.List(fields.String(), required=True)
    reason = fields.String(required=True, metadata={"description": "what wanted more spools"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class SubstituteSchema(Schema):
    """A spool that is measured in place of a drawn one, by quality's word."""

    drawn = fields.String(required=True, metadata={"description": "code of the spool that was drawn"})
    substitute = fields.String(required=True, metadata={"description": "code of the spool in its place"})
    reason = fields.String(required=True, metadata={"description": "why, in words"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class SpoolLineSchema(Schema):
    """A spool among others."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    net_mass_g = fields.Float(required=True, metadata={"description": "filament when it came, without the reel, g"})
    remaining_mass_g = fields.Float(required=True, metadata={"description": "filament now, without the reel, g"})
    machine = fields.String(required=True, allow_none=True, metadata={"description": "where it is loaded now"})
    nonconforming = fields.List(fields.String(), required=True, metadata={"description": "what it fails by itself"})
    opened_at = Instant(required=True, allow_none=True)
    dried_at = Instant(required=True, allow_none=True)
    dried_by_rule_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "when a drying ended that kept to the grade's rule"},
    )
    spliced = fields.Boolean(required=True, metadata={"description": "true when it was wound from several spools"})
    withdrawn_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "when it was found not to have come; it counts for nothing"},
    )


class ByHandSchema(Schema):
    """A decision by hand that is in force."""

    action = fields.String(required=True)
    reason = fields.String(required=True, metadata={"description": "in words"})


class LotConcessionSchema(Schema):
    """An approved concession with what loads have taken of it."""

    id = fields.Integer(required=True)
    uses = fields.List(fields.String(), required=True, metadata={"description": "that it permits"})
    max_mass_g = fields.Float(required=True, metadata={"description": "most that may be taken, g"})
    taken_g = fields.Float(required=True, metadata={"description": "what loads have taken, g"})
    valid_until = fields.String(required=True, metadata={"format": "date-time"})
    finish_running = fields.Boolean(
        required=True, metadata={"description": "true when a job begun in time may run on after valid_until"}
    )
    requested_by = fields.String(required=True)
    approved_by = fields.String(required=True)


class LotSchema(LotLineSchema):
    """A lot: where it stands, what its readings alone would make it (`assessed`), and what is still to be measured."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.Nested(NamedSchema, required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.Nested(NamedSchema, required=True)
    received_at = Instant(required=True)
    recorded_at = Instant(required=True)
    assessed = fields.String(required=True, metadata={"description": "standing by the readings alone"})
    by_hand = fields.Nested(
        ByHandSchema, required=True, allow_none=True, metadata={"description": "the decision by hand in force"}
    )
    to_measure = fields.List(
        fields.String(), required=True, metadata={"description": "what is still to be measured, in words"}
    )
    closed = fields.Boolean(
        required=True, metadata={"description": "true when every delivery of it is closed: it is never released"}
    )
    lab = fields.List(fields.Float(), required=True, allow_none=True, metadata={"description": "mean colour"})
    shrinkage_percent = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        required=True,
        metadata={"description": "axis -> mean shrinkage, %; positive when parts come out short"},
    )
    flow_factor = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "nominal over measured cross-section; null when not measured"},
    )
    limits_revision = fields.Integer(required=True, allow_none=True, metadata={"description": "judged under it"})
    shade_revision = fields.Integer(required=True, allow_none=True, metadata={"description": "judged under it"})
    resubmission_of = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the refused lot that came again"}
    )
    concessions = fields.List(
        fields.Nested(LotConcessionSchema), required=True, metadata={"description": "approved ones"}
    )
    reinspected_until = Instant(
        required=True,
        allow_none=True,
        metadata={
            "description": "the date that a re-inspection extends the shelf life to; null without a complete one"
        },
    )
    version = fields.Integer(required=True, metadata={"description": "rises with each change; the ETag follows it"})


class LotWithSpoolsSchema(LotSchema):
    """A lot with its spools."""

    spools = fields.List(fields.Nested(SpoolLineSchema), required=True)


class DeliverySchema(VersionedSchema):
    """A delivery, as corrected."""

    lot_id = fields.Integer(required=True)
    lot = fields.Nested(LotLineSchema, required=True)
    supplier_id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    order_ref = fields.String(required=True, allow_none=True)
    received_at = Instant(required=True)
    ordered_at = Instant(required=True, allow_none=True, metadata={"description": "when it was ordered"})
    due_at = Instant(required=True, allow_none=True, metadata={"description": "when it was promised"})
    cost = fields.Float(required=True, allow_none=True, metadata={"description": "of the whole delivery"})
    currency = fields.String(required=True, allow_none=True, metadata={"description": "ISO 4217, of cost"})
    sample = fields.Nested(SampleSchema, required=True, metadata={"description": "as it was drawn at first"})
    further_draws = fields.List(fields.Nested(FurtherDrawSchema), required=True)
    substitutes = fields.List(fields.Nested(SubstituteSchema), required=True)
    note = fields.String(required=True, allow_none=True)
    closed = fields.String(
        required=True, allow_none=True, metadata={"description": "why it was closed; null while it counts"}
    )


class ReceivedSchema(DeliverySchema):
    """A delivery as logged: its lot, its spools with their codes, and the sample to measure."""

    lot = fields.Nested(LotSchema, required=True)
    new_lot = fields.Boolean(required=True, metadata={"description": "false when it joined a lot already known"})
    says = fields.String(required=True)
    spools = fields.List(fields.Nested(SpoolLineSchema), required=True)


class OrderedPageArgs(PageArgs):
    """Which page of a list that can be read from either end."""

    order = Text(
        6,
        one_of=("oldest", "newest"),
        load_default="oldest",
        metadata={"description": "what comes first, by when it was logged; a cursor belongs to its order"},
    )


class DeliveryFilterArgs(OrderedPageArgs):
    """Which deliveries."""

    lot_id = WrittenWhole(1, MAX_ID)
    received_from = Instant(metadata={"description": "received then or later"})
    received_to = Instant(metadata={"description": "received then or earlier"})


class LotFilterArgs(OrderedPageArgs):
    """Which lots."""

    standing = Text(20, one_of=STANDINGS, metadata={"label": "Status"})
    supplier_id = WrittenWhole(1, MAX_ID, metadata={"label": "Supplier"})
    grade_id = WrittenWhole(1, MAX_ID, metadata={"label": "Grade"})
    supplier_lot = Text(
        120,
        metadata={
            "label": "Lot number",
            "description": "as printed; upper or lower case, blanks and kinds of dash do not matter",
        },
    )
    received_from = Instant(metadata={"description": "received then or later"})
    received_to = Instant(metadata={"description": "received then or earlier"})


@deliveries.route("")
class Deliveries(Resource):
    """All deliveries."""

    who = {"GET": ("receiving", "quality", "purchasing"), "POST": ("receiving",)}
    made_at = "/v1/deliveries/{id}"

    @deliveries.arguments(DeliveryFilterArgs, location="query")
    @deliveries.response(200, page_schema(DeliverySchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List deliveries in the order they were logged, or with `order=newest` the newest first.

        Each line has the supplier, the grade, the lot and the number of spools. 422 for a cursor of another list or order.
        """
        return page_answer(ordered_page(delivery_desk.listed, args))

    @deliveries.arguments(DeliveryArgs)
    @deliveries.response(201, ReceivedSchema)
    def post(self, args: NewDelivery) -> Any:
        """Log a delivery, and answer its lot, the spool codes and the spools to measure.

        Give each reel in `spools`, or `spool_count` with `net_mass_g`. Masses are in g. 409 with `candidates` when the lot number may be a known one
        misread. 409 too for far more spools than usual, unless `confirm_spool_count` is true.
        """
        made = receiving.receive(args, person().name)
        return made, {**self.location(made), **etag("delivery", made)}


@routes.route("")
class Lots(Resource):
    """All lots."""

    who = {"GET": ALL}

    @routes.arguments(LotFilterArgs, location="query")
    @routes.response(200, page_schema(LotSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List lots in the order they were first logged, or with `order=newest` the newest first.

        Each lot has its standing and its verdict per use. The filters combine. 422 for a cursor of another list or order.
        """
        return page_answer(ordered_page(receiving.listed, args))


@routes.route(f"/<{NUMBER}:number>")
class OneLot(Resource):
    """One lot."""

    who = {"GET": ALL}

    @routes.response(200, LotWithSpoolsSchema)
    def get(self, number: int) -> Any:
        """Show a lot with its spools.

        Answers standing, verdict per use, what is still to be measured, and the settings from its readings. Masses are in g, shrinkage is in %.
        404 for an unknown number.
        """
        return receiving.get_lot(number)
