"""Steps from one schema version to the next, in files named after the version they lead to: `0002_gates.py` leads from 1 to 2.

Each has `up(migrator, db)`, as playhouse.migrations defines it. A step never changes once a version of the program with it is out.
"""
