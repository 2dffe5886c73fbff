"""`lots serve`: the application behind its HTTP server, and what that server answers by itself."""

from __future__ import annotations

import logging
import signal
import socket
import sys
import time
from typing import Any

from lots import __version__
from lots.api.http import errors, health, logs, proxy, site_address
from lots.api.http.throttle import guard, network
from lots.serving import garbage
from lots.serving.channel import Answer, Answers
from lots.serving.listening import listen
from lots.serving.places import Limits
from lots.settings import Settings

log = logging.getLogger(__name__)

# The largest head of a request, bytes.
_HEAD_BYTES = 65_536
# What is ready to be read by one client before its further requests wait, bytes.
_UNREAD_BYTES = 1_048_576


def serve(app: Any, settings: Settings) -> None:
    """Serves the application until the process is told to end (SIGTERM, Ctrl+C). Requests in hand are finished first."""
    from lots.store.engine import database

    # A short queue is how a busy server works; it is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if settings.proxy != "none" and settings.site == "none":
        log.warning("LOTS_PROXY is set and LOTS_SITE is not: labels lead to this machine, not to the proxy")
    server = create_server(app, settings, host=settings.host, port=settings.port)
    server.print_listen("Serving on http://{}:{}")
    background = app.extensions["background"]
    background.ensure_running()
    garbage.settle()
    server.run()
    background.stop()
    try:
        database.connect()
        app.extensions["token_uses"].write()
    finally:
        database.disconnect()


def create_server(app: Any, settings: Settings, limits: Limits | None = None, **where: Any) -> Any:
    """Returns a server that listens at `host` and `port` and serves the application when its `run` is called.

    Args:
        app: of Flask, or any WSGI application: then that one answers whether it lives.
        settings: how many threads, how large a body, which proxy.
        limits: on connections and on requests that have not arrived in full.
    """
    options = {**server_options(settings), **where}
    proxies = proxy.addresses(settings.proxy)
    return listen(app, options, limits or Limits(connections=_places()), _answers(app), network, proxies)


def _places() -> int:
    """Returns how many connections may be open. Each may take two files beside its socket, for a large body and a large answer."""
    try:
        import resource
    except ImportError:  # Windows
        return Limits().connections
    return max(20, min(Limits().connections, resource.getrlimit(resource.RLIMIT_NOFILE)[0] // 3))


def server_options(settings: Settings) -> dict[str, Any]:
    """Returns how waitress serves the application, its address apart.

    Notes:
        The application refuses a large body itself, in words, once it has arrived; four times as much the server does not let arrive.
        What a proxy says of the client is left to the application (`lots/api/http/proxy.py`). No answer names the server software.
        Deadlines and bounds on connections are `lots.serving.places.Limits`; those of waitress, which each byte renews, are not used.
    """
    return {
        "clear_untrusted_proxy_headers": False,
        "threads": settings.threads,
        "max_request_header_size": _HEAD_BYTES,
        "max_request_body_size": 4 * settings.max_body_bytes,
        "outbuf_high_watermark": _UNREAD_BYTES,
        "ident": "",
    }


def check_free(address: str, port: int) -> None:
    """Raises OSError, with what to do, when nothing can listen there."""
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            raise OSError(
                f"Port {port} of {address} cannot be used ({error.strerror}). Give another one with --port."
            ) from None


def _answers(app: Any) -> Answers:
    count = getattr(app, "extensions", {}).get("count_request")

    def alive(method: str, path: str, headers: dict[str, str]) -> Answer | None:
        if (
            count is None
            or path != health.PATH
            or method not in ("GET", "HEAD")
            or not site_address.right(headers.get("HOST"))
        ):
            return None
        began, number = time.perf_counter(), logs.chosen_id(headers.get("X_REQUEST_ID", ""))
        answer = _plain(guard(health.alive(__version__), path), number)
        took_s = time.perf_counter() - began
        count(method, path, 200, took_s)
        logs.note_given(method, path, 200, took_s, 0 if method == "HEAD" else len(answer.body), number)
        return answer

    def problem(status: int, detail: str) -> Answer:
        number = logs.chosen_id("")
        return _plain(guard(errors.server_problem(status, detail, number), ""), number)

    return Answers(problem, alive)


def _plain(answer: Any, number: str) -> Answer:
    headers = [(name, value) for name, value in answer.headers if name != "Content-Length"]
    return Answer(answer.status, [*headers, ("X-Request-Id", number)], answer.get_data())
