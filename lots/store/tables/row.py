"""The base class of all tables."""

from __future__ import annotations

from typing import Any, TypeAlias

from peewee import BigAutoField, Field, Model

from lots.store.engine.database import db

# A column of any type.
Column: TypeAlias = "Field[Any]"  # type: ignore[explicit-any]


class Row(Model):
    """A row with an id."""

    id = BigAutoField()

    class Meta:
        database = db
        legacy_table_names = False
