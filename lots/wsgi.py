"""The application for a WSGI server that runs several processes: `gunicorn -c python:lots.gunicorn_conf`, or any other with `lots.wsgi:application`.

Settings come from the environment. Each process that serves runs the background tasks and has database connections of its own, whether it
was forked before this module was imported or after (`--preload`).
"""

from __future__ import annotations

import atexit
import contextlib
import os

from lots.app import create_app
from lots.serving import garbage
from lots.store.engine import database

application = create_app()
_background = application.extensions["background"]


def _rest() -> None:
    """Before a fork: no task may be half done in the copy, and no two processes may share a connection."""
    _background.stop()
    database.close_idle()


def _end() -> None:
    """When the process ends: writes what it knows of tokens that were used."""
    _background.stop()
    with contextlib.suppress(database.Unavailable):
        database.connect()
        try:
            application.extensions["token_uses"].write()
        finally:
            database.disconnect()


database.close_idle()
garbage.settle()
_background.ensure_running()
if hasattr(os, "register_at_fork"):
    # A process that forks leaves serving to its children.
    os.register_at_fork(before=_rest, after_in_child=_background.ensure_running)
atexit.register(_end)
