"""Database maintenance: schema, migrations, backup, transfer and integrity checks."""
