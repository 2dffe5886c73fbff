"""What all tables share."""

from __future__ import annotations

from typing import Any, TypeAlias

from peewee import BigAutoField, Field, Model

from lots.store.engine.database import db

# A column among others: what its rows hold differs.
Column: TypeAlias = "Field[Any]"  # type: ignore[explicit-any]


class Row(Model):
    """A row with a number."""

    id = BigAutoField()

    class Meta:
        database = db
        legacy_table_names = False
