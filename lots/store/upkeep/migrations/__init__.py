"""Migration steps from one schema version to the next. Each file has the number of the new version: `0002_gates.py` leads from 1 to 2.

Each has `up(migrator, db)`, as playhouse.migrations defines it. A released step never changes.
"""
