"""What all tables share."""

from __future__ import annotations

from peewee import BigAutoField, Model

from lots.store.engine.database import db


class Row(Model):
    """A row with a number."""

    id = BigAutoField()

    class Meta:
        database = db
        legacy_table_names = False
