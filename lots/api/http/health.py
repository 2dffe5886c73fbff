"""The health check: status and program version, the same for every server."""

from __future__ import annotations

import json

from flask import Flask, Response

PATH = "/healthz"


def alive(version: str) -> Response:
    """Returns the health answer.

    Args:
        version: Version of the program.
    """
    return Response(json.dumps(health(version)) + "\n", mimetype="application/json")


def health(version: str) -> dict[str, str]:
    """Returns status and version."""
    return {"status": "alive", "version": version}


def register(app: Flask, version: str) -> None:
    """Registers the health check."""
    app.get(PATH, endpoint="healthz")(lambda: alive(version))
