"""Rebuilds an SQLite table with other columns or constraints, keeping its rows."""

from __future__ import annotations

from collections.abc import Mapping

from peewee import Database

from lots.store.tables.row import Row


def rebuild(db: Database, model: type[Row], filled: Mapping[str, str] | None = None) -> None:
    """Replaces a table by a new one of the model's definition, with the same rows.

    Args:
        db: the engine of a migration step, within its transaction. Foreign keys are not enforced before its end.
        model: the new definition, a frozen copy in the step. The program's own model may change later.
        filled: new required column -> SQL of its value in terms of the old columns.

    Notes:
        The library's helpers parse the table's SQL with patterns that fail on brackets within a CHECK. Here the SQL comes from the
        model, as in an empty database, so both tables are equal. Triggers are kept.

    Reference:
        sqlite.org, "ALTER TABLE", section 7, "Making Other Kinds Of Table Schema Changes".
    """
    name, schema = model._meta.table_name, model._schema  # type: ignore[attr-defined]  # left out of its types
    values = {column.name: f'"{column.name}"' for column in db.get_columns(name)} | dict(filled or {})
    columns = [field.column_name for field in model._meta.sorted_fields if field.column_name in values]
    into = ", ".join(f'"{column}"' for column in columns)
    taken = ", ".join(values[column] for column in columns)
    triggers = db.execute_sql(
        "SELECT sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (name,)
    ).fetchall()
    # Foreign keys refer to the table by its name, which stays the same, so SQLite must not rewrite them.
    db.execute_sql("PRAGMA legacy_alter_table = 1")
    with db.bind_ctx([model], bind_refs=False, bind_backrefs=False):
        made, _ = schema._create_table(safe=False).query()
        db.execute_sql(made.replace(f'"{name}"', f'"{name}_anew"', 1))
        db.execute_sql(f'INSERT INTO "{name}_anew" ({into}) SELECT {taken} FROM "{name}"')  # noqa: S608  # a step's own words
        db.execute_sql(f'DROP TABLE "{name}"')
        db.execute_sql(f'ALTER TABLE "{name}_anew" RENAME TO "{name}"')
        schema.create_indexes(safe=False)
    db.execute_sql("PRAGMA legacy_alter_table = 0")
    for (sql,) in triggers:
        db.execute_sql(sql)
