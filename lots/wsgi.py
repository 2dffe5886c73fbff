"""The application for a WSGI server with several processes: `gunicorn -c python:lots.gunicorn_conf`, or any other with `lots.wsgi:application`.

Settings come from the environment. Each server process runs the background tasks and has its own database connections. A process may be
forked before or after the import of this module (`--preload`).
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
    """Stops the tasks and closes connections before a fork, because two processes must not share them."""
    _background.stop()
    database.close_idle()


def _end() -> None:
    """Stops the tasks when the process ends, and writes the last uses of tokens."""
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
    # A process that forks does not serve. Its children do.
    os.register_at_fork(before=_rest, after_in_child=_background.ensure_running)
atexit.register(_end)
