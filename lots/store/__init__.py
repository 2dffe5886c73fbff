"""All database access: queries in one folder or file per subject, models in `tables/`, the connection in `engine/database.py`."""
