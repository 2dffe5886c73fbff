"""The shape of what a new revision would change."""

from __future__ import annotations

from marshmallow import Schema, fields


class LossSchema(Schema):
    """A lot in stock that would lose a use under a revision. Nothing was stored."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    would_be = fields.String(required=True)
    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    would_uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    lost_uses = fields.List(fields.String(), required=True)
    why = fields.List(fields.String(), required=True)
