"""Whether the process lives, and which version of the program it runs. Every server gives the same answer."""

from __future__ import annotations

import json

from flask import Flask, Response

PATH = "/healthz"


def alive(version: str) -> Response:
    """Returns the answer of a process that lives.

    Args:
        version: of the program.
    """
    return Response(json.dumps(health(version)) + "\n", mimetype="application/json")


def health(version: str) -> dict[str, str]:
    """Returns what a process that lives says."""
    return {"status": "alive", "version": version}


def register(app: Flask, version: str) -> None:
    """Serves it."""
    app.get(PATH, endpoint="healthz")(lambda: alive(version))
