"""The only code that knows tables. One file of queries per subject; models in `models.py`; the connection in `database.py`."""
