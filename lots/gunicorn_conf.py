"""How gunicorn serves the application: `gunicorn -c python:lots.gunicorn_conf --workers 4`. Its command line wins over this file.

Address, port, threads and the log come from the settings of this program. The names below are those of gunicorn's settings.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from gunicorn import glogging
from prometheus_client import multiprocess

from lots.api.http import logs
from lots.settings import load_settings

_settings = load_settings()
_METRICS = os.environ.get("PROMETHEUS_MULTIPROC_DIR")


class Logger(glogging.Logger):  # type: ignore[misc]  # gunicorn ships no types
    """Writes what gunicorn itself says in the form of the program's log."""

    def setup(self, cfg: Any) -> None:
        """Sets it up; a file that was asked for stays as gunicorn writes it."""
        super().setup(cfg)
        if cfg.errorlog == "-":
            logs.set_up(_settings.log, _settings.log_level, ("gunicorn.error",))


wsgi_app = "lots.wsgi:application"
bind = f"[{_settings.host}]:{_settings.port}" if ":" in _settings.host else f"{_settings.host}:{_settings.port}"
worker_class = "gthread"
threads = _settings.threads
# Longer than a proxy keeps its connections (nginx: 60 s): else it would send a request while this side hangs up.
keepalive = 75
logger_class = Logger
# The application believes the proxy that its own setting names. By default gunicorn would believe whoever connects from this machine.
secure_scheme_headers: dict[str, str] = {}
forwarder_headers = ""
# A service whose home cannot be written to has no place for it.
control_socket_disable = True


def on_starting(_server: Any) -> None:
    """Begins counting anew: files of workers of an earlier start would count for ever."""
    if _METRICS:
        for file in Path(_METRICS).glob("*.db"):
            file.unlink(missing_ok=True)


def child_exit(_server: Any, worker: Any) -> None:
    """Tells the metrics that a worker has ended. What it counted stays in the sums."""
    if _METRICS and Path(_METRICS).is_dir():
        multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call]  # so in the library
