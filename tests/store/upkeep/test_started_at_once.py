"""Several processes start at once on an empty database: tables are made once, and all serve."""

from __future__ import annotations

import subprocess
import sys

import pytest

from lots.store.engine import database
from lots.store.upkeep import schema
from tests.store.rows import connected

pytestmark = pytest.mark.thorough

# Everything is imported before the fork, so that the children open the database at nearly the same time.
AT_ONCE = """
import os, sys
from lots.app import create_app
from lots.settings import Settings
from lots.store.engine import database

settings = Settings(database=sys.argv[1], log_level="error")
ready, go = os.pipe()

def start_and_answer():
    os.close(go)
    os.read(ready, 1)
    client = create_app(settings).test_client()
    answered = client.get("/readyz").status_code, client.get("/v1/me").status_code
    database.close()
    return answered == (200, 401)

children = []
for _ in range(8):
    if not (child := os.fork()):
        try:
            os._exit(0 if start_and_answer() else 1)
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(2)
    children.append(child)
os.close(ready)
os.close(go)  # all of them read its end at once
sys.exit(sum(os.waitpid(child, 0)[1] != 0 for child in children))
"""


def test_eight_processes_start_at_once_on_an_empty_database(empty_url: str) -> None:
    """Each of eight answers /readyz and /v1/me, and the version is stored once."""
    done = subprocess.run([sys.executable, "-c", AT_ONCE, empty_url], capture_output=True, text=True)
    assert (0, "") == (done.returncode, done.stderr)
    database.open_database(empty_url)
    with connected():
        assert [schema.VERSION] == [row.version for row in schema.SchemaVersion.select()]
