"""Gives a table of an SQLite file other columns or rules than it has, without losing any that it keeps."""

from __future__ import annotations

from collections.abc import Mapping

from peewee import Database

from lots.store.tables.row import Row


def rebuild(db: Database, model: type[Row], filled: Mapping[str, str] | None = None) -> None:
    """Makes a table anew as a model says it, with the rows it has.

    Args:
        db: the engine that a step is given, within its transaction, in which foreign keys are not enforced until it ends.
        model: the table as it shall be: a copy frozen in the step, never the program's own, which moves on.
        filled: column -> SQL for its value, in terms of the columns there were; for columns that are new and may not be empty.

    Notes:
        The helpers of the library read the table's SQL with patterns, which brackets within a CHECK lead astray. Here the SQL comes from
        the model, as it does for an empty database, so both end up alike. Triggers stay.

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
    # References of other tables, and of this one to itself, go by the name, which is the same afterwards: let none be rewritten.
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
