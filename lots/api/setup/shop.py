"""The details of the shop: name, addresses, time zone, number format and labels."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, validate

from lots.api.http.fields import SITE, Instant, Strict, StrictFloat, StrictInteger, Text, VersionedSchema, answered
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, etag, person, version_to_change
from lots.services.setup import shop
from lots.services.setup.place import DATE_FORMS, DECIMAL_SIGNS

routes = Routes("shop", __name__, url_prefix="/v1/shop", description="Details of the shop.")


def _mm(label: str, says: str, low: float, high: float) -> StrictFloat:
    """Returns the field of a length on a label or sheet, mm."""
    return StrictFloat(low, high, metadata={"label": label, "description": f"{says}, mm"})


class ShopChange(Strict):
    """The details of the shop to change."""

    example = {"name": "Saltmarsh Yard Prints", "time_zone": "Europe/Berlin", "decimal_sign": "comma"}

    name = Text(200, allow_none=True, metadata={"label": "Name", "description": "as printed on documents"})
    address = Text(
        500, lines=True, allow_none=True, metadata={"label": "Address", "description": "as printed on documents"}
    )
    site = Text(
        200,
        allow_none=True,
        validate=validate.Regexp(SITE, error="Write it like https://lots.example.org:8080."),
        metadata={"label": "Web address", "description": "address for phones; labels link to it"},
    )
    time_zone = Text(60, metadata={"label": "Time zone", "description": "IANA time zone name, such as Europe/Berlin"})
    date_form = Text(
        10, one_of=tuple(DATE_FORMS), metadata={"label": "Dates", "description": "format on pages and documents"}
    )
    decimal_sign = Text(
        5,
        one_of=tuple(DECIMAL_SIGNS),
        metadata={"label": "Decimal sign", "description": "format on pages and documents"},
    )
    label_width_mm = _mm("Label width, mm", "width of a label", 20, 210)
    label_height_mm = _mm("Label height, mm", "height of a label", 15, 297)
    label_margin_mm = _mm("Margin on a label, mm", "margin at each edge of a label", 0, 20)
    sheet_top_mm = _mm("Top margin of a sheet, mm", "distance from the top of an A4 sheet to the first label", 0, 100)
    sheet_left_mm = _mm(
        "Left margin of a sheet, mm", "distance from the left of an A4 sheet to the first label", 0, 100
    )
    label_paper = Text(
        5,
        one_of=("sheet", "roll"),
        metadata={"label": "Label paper", "description": "A4 sheets, or a roll with one label per page"},
    )
    usual_quarantine_days = StrictInteger(
        1,
        365,
        metadata={
            "label": "Usual days in quarantine",
            "description": "days in quarantine after which purchasing is notified",
        },
    )
    bench_cost_per_h = StrictFloat(
        0,
        10_000,
        allow_none=True,
        metadata={
            "label": "Cost of an hour at the bench",
            "description": "cost of measuring, per hour in `bench_currency`",
        },
    )
    bench_currency = Text(
        3,
        allow_none=True,
        validate=validate.Regexp(r"[A-Z]{3}\Z", error="Write three capital letters, such as EUR (ISO 4217)."),
        metadata={
            "label": "Currency of that cost",
            "description": "currency code (ISO 4217), such as EUR",
            "pattern": "^[A-Z]{3}$",
        },
    )
    minutes_per_reading = StrictFloat(
        0.1, 600, metadata={"label": "Minutes per reading", "description": "measuring time per reading, min"}
    )


class ShopSchema(VersionedSchema):
    """The details of the shop. Until they are first stated, `version` is 0 and the defaults apply."""

    name, address, site = answered(ShopChange, "name", "address", "site")
    time_zone, date_form, decimal_sign = answered(ShopChange, "time_zone", "date_form", "decimal_sign", null=False)
    label_width_mm, label_height_mm, label_margin_mm = answered(
        ShopChange, "label_width_mm", "label_height_mm", "label_margin_mm", null=False
    )
    sheet_top_mm, sheet_left_mm, label_paper = answered(
        ShopChange, "sheet_top_mm", "sheet_left_mm", "label_paper", null=False
    )
    usual_quarantine_days, minutes_per_reading = answered(
        ShopChange, "usual_quarantine_days", "minutes_per_reading", null=False
    )
    bench_cost_per_h, bench_currency = answered(ShopChange, "bench_cost_per_h", "bench_currency")
    recorded_at = Instant(required=True, allow_none=True)
    recorded_by = fields.String(required=True, allow_none=True)


@routes.route("")
class Shop(Resource):
    """The shop."""

    who = {"GET": ALL, "PATCH": ()}

    @routes.response(200, ShopSchema)
    def get(self) -> Any:
        """Show the shop details.

        Use the ETag to change them.
        """
        found = shop.view()
        return found, etag("shop", found)

    @routes.arguments(ShopChange)
    @routes.response(200, ShopSchema)
    def patch(self, args: dict[str, Any]) -> Any:
        """Change the shop details.

        Needs If-Match. 428 without If-Match, 412 if the details have changed.
        """
        changed = shop.change(version_to_change("shop", shop.view()), args, person().name)
        return changed, etag("shop", changed)
