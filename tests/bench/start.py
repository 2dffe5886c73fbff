"""The cost of starting: the package, the application, and its first answer, each in its own process, compared with its libraries."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 9
FIRST_ANSWER = """
import sys
from lots.app import create_app
from lots.settings import Settings
app = create_app(Settings(database=f"sqlite:///{sys.argv[1]}", log_level="error"))
assert app.test_client().get("/healthz").status_code == 200
"""
STARTS = {
    "nothing": "",
    "the libraries": "import flask, flask_smorest, marshmallow, peewee",
    "the package": "import lots",
    "the application": "import lots.app",
    "its first answer": FIRST_ANSWER,
}


def run() -> None:
    """Prints the time of each, less that of a bare interpreter, and its ratio to the libraries': medians of alternated rounds with their range."""
    taken: dict[str, list[float]] = {name: [] for name in STARTS}
    with tempfile.TemporaryDirectory() as folder:
        file = str(Path(folder) / "shop.sqlite3")
        # Compiled files are written and read, as in normal use, whatever the environment says.
        kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        environment = {**kept, "PYTHONPYCACHEPREFIX": str(Path(folder) / "compiled")}
        for number in range(ROUNDS + 1):
            for name, code in STARTS.items():
                began = time.perf_counter()
                subprocess.run([sys.executable, "-c", code, file], check=True, env=environment)
                # The first round writes compiled files and the database.
                if number:
                    taken[name].append(time.perf_counter() - began)
    bare = taken.pop("nothing")
    floor = taken["the libraries"]
    sys.stdout.write(f"{'':18}{'ms':>8}{'x libraries':>13}   spread\n")
    for name, each in taken.items():
        own = [one - none for one, none in zip(each, bare, strict=True)]
        ratios = sorted(one / (base - none) for one, base, none in zip(own, floor, bare, strict=True))
        middle = statistics.median(ratios)
        sys.stdout.write(
            f"{name:18}{1e3 * statistics.median(own):8.0f}{middle:13.2f}   {ratios[0]:.2f}-{ratios[-1]:.2f}\n"
        )
