"""Upkeep of a database: schema, migrations, backup, transfer, integrity."""
