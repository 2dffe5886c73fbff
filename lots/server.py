"""The HTTP server of `lots serve`, and the responses that it gives without the application."""

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

# The largest request line and headers, bytes.
_HEAD_BYTES = 65_536
# The unread response bytes of a client above which its next requests wait.
_UNREAD_BYTES = 1_048_576


def serve(app: Any, settings: Settings) -> None:
    """Serves the application until SIGTERM or Ctrl+C. Requests in progress are finished first."""
    from lots.store.engine import database

    # A short queue is normal on a busy server.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if settings.proxy != "none" and settings.site == "none":
        log.warning("LOTS_PROXY is set but LOTS_SITE is not, so links on labels lead to this machine, not to the proxy")
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
    """Returns a server that listens at `host` and `port`. Its `run` serves the application.

    Args:
        app: a Flask application, or any WSGI application, which then answers liveness requests itself.
        settings: threads, largest body and proxies.
        limits: of connections and incomplete requests.
    """
    options = {**server_options(settings), **where}
    proxies = proxy.addresses(settings.proxy)
    return listen(app, options, limits or Limits(connections=_most_connections()), _answers(app), network, proxies)


def _most_connections() -> int:
    """Returns the largest number of open connections. Each may need two files beside its socket, for a large body and a large response."""
    try:
        import resource
    except ImportError:  # Windows
        return Limits().connections
    return max(20, min(Limits().connections, resource.getrlimit(resource.RLIMIT_NOFILE)[0] // 3))


def server_options(settings: Settings) -> dict[str, Any]:
    """Returns the options of waitress, without the address.

    Notes:
        The application answers a body above its limit with a problem document. The server itself stops at four times that limit.
        The application evaluates the forwarding headers of proxies (`lots/api/http/proxy.py`). No response names the server software.
        `lots.serving.places.Limits` holds the deadlines and the limits of connections. Each byte renews those of waitress, so they are not used.
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
    """Raises OSError, with advice, when the port cannot be used."""
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            raise OSError(
                f"Port {port} of {address} cannot be used ({error.strerror}). Choose another port with --port."
            ) from None


def _answers(app: Any) -> Answers:
    count = getattr(app, "extensions", {}).get("count_request")

    def alive(method: str, path: str, headers: dict[str, str]) -> Answer | None:  # None: the application answers
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
