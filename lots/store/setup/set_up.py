"""Counts of master data for the set-up list."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from peewee import Select, fn

from lots.store.engine.database import db
from lots.store.tables.models import (
    Grade,
    Instrument,
    LimitsRevision,
    Shade,
    ShadeRevision,
    ShopDetails,
    Supplier,
    Token,
)


def counts(roles: Iterable[str], now: datetime) -> dict[str, int]:
    """Returns the number of rows by subject, and of valid tokens by role. One statement."""
    holds = Token.revoked_at.is_null() & (Token.expires_at.is_null() | (Token.expires_at > now))
    referenced = ShadeRevision.select(fn.COUNT(ShadeRevision.shade.distinct()))
    asked = {
        "shop": ShopDetails.select(fn.COUNT(ShopDetails.name)),
        "supplier": Supplier.select(fn.COUNT(Supplier.id)),
        "instrument": Instrument.select(fn.COUNT(Instrument.id)),
        "shade": Shade.select(fn.COUNT(Shade.id)),
        "shade with reference": referenced,
        "grade": Grade.select(fn.COUNT(Grade.id)),
        "grade with limits": LimitsRevision.select(fn.COUNT(LimitsRevision.grade.distinct())),
        **{role: Token.select(fn.COUNT(Token.id)).where(holds & (Token.role == role)) for role in roles},
    }
    found = Select([], list(asked.values())).tuples().execute(db)
    return dict(zip(asked, next(iter(found)), strict=True))
