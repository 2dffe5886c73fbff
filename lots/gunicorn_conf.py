"""The gunicorn configuration: `gunicorn -c python:lots.gunicorn_conf --workers 4`. Options of the command line override this file.

Address, port, threads and log come from this program's settings. The names below are gunicorn's settings.
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
    """Writes gunicorn's own log records in the format of this program's log."""

    def setup(self, cfg: Any) -> None:
        """Configures the log on standard error. A log file keeps gunicorn's format."""
        super().setup(cfg)
        if cfg.errorlog == "-":
            logs.set_up(_settings.log, _settings.log_level, ("gunicorn.error",))


wsgi_app = "lots.wsgi:application"
bind = f"[{_settings.host}]:{_settings.port}" if ":" in _settings.host else f"{_settings.host}:{_settings.port}"
worker_class = "gthread"
threads = _settings.threads
# Longer than a proxy keeps idle connections (nginx: 60 s), or the proxy might send a request on a closing connection.
keepalive = 75
logger_class = Logger
# The application trusts only the proxies of LOTS_PROXY. By default gunicorn would trust every client on this machine.
secure_scheme_headers: dict[str, str] = {}
forwarder_headers = ""
# The home folder of a service may be read-only.
control_socket_disable = True


def on_starting(_server: Any) -> None:
    """Deletes the metrics files of earlier workers, which would be counted forever."""
    if _METRICS:
        for file in Path(_METRICS).glob("*.db"):
            file.unlink(missing_ok=True)


def child_exit(_server: Any, worker: Any) -> None:
    """Marks a worker's metrics as those of an ended process. Its counts stay in the sums."""
    if _METRICS and Path(_METRICS).is_dir():
        multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call]  # untyped in the library
