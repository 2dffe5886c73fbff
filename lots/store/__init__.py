"""The only code that knows tables. Queries are in one folder or file per subject, models in `tables/`, the connection in `engine/database.py`."""
