"""The cost of starting: libraries are loaded with the first answer that needs them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

# Libraries for numbers, statistics, graphs, colour, spectra, PDFs and PostgreSQL take longer to load than everything else.
LATER = ("numpy", "scipy", "networkx", "matplotlib", "colormath", "colour", "fpdf", "statsmodels", "psycopg")
FIRST_ANSWER = """
import sys
import flask, flask_smorest, marshmallow, peewee
# The query language looks for PostgreSQL's driver itself, and loads it where it is installed.
before = set(sys.modules)
from lots.app import create_app
from lots.settings import Settings
from lots.services.setup import access
from lots.store.engine import database

app = create_app(Settings(database=f"sqlite:///{sys.argv[1]}", log_level="error"))
database.connect()
token = access.add_token("Hester", "production")
database.disconnect()
asked = app.test_client().get("/v1/spools/X/clearance?use=hidden", headers={"Authorization": f"Bearer {token}"})
print(asked.status_code, *sorted((set(sys.modules) - before) & set(sys.argv[2:])))
database.close()
"""


@pytest.mark.thorough
def test_the_first_answer_loads_nothing_that_it_does_not_need(tmp_path: Path) -> None:
    """A clearance of an unknown spool from a cold start loads no unneeded library."""
    command = [sys.executable, "-c", FIRST_ANSWER, str(tmp_path / "new.sqlite3"), *LATER]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "404\n" == done.stdout
