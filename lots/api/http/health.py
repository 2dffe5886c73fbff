"""Whether the process lives: one answer, given by the application or, where its threads are all busy, by the server."""

from __future__ import annotations

from flask import Flask, Response

PATH = "/healthz"


def alive() -> Response:
    """Returns the answer of a process that lives."""
    return Response('{"status":"alive"}\n', mimetype="application/json")


def register(app: Flask) -> None:
    """Serves it."""
    app.get(PATH, endpoint="healthz")(alive)
