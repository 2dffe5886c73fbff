"""The listening sockets and their event loop."""

from __future__ import annotations

import contextlib
import logging
import socket
import time
from collections.abc import Callable, Iterable
from typing import Any

from waitress.adjustments import Adjustments
from waitress.server import MultiSocketServer, TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher

from lots.serving.channel import Answers, Channel
from lots.serving.places import Limits, Places

log = logging.getLogger(__name__)
_ACCEPTED_AT_ONCE = 32


class Server(TcpWSGIServer):  # type: ignore[misc]  # waitress ships no types
    """A listening socket. The sockets of a process share the limits of connections."""

    channel_class = Channel

    def __init__(self, application: Any, map: Any, *, places: Places, answers: Answers, **more: Any) -> None:  # noqa: A002
        self.places, self.answers = places, answers
        self._full = False
        self._next_check = 0.0
        self._sockets_to_close: list[socket.socket] = []
        super().__init__(application, map, **more)

    def readable(self) -> bool:
        """Checks the deadlines once per tick, and returns whether a connection can be accepted."""
        self._close_buried()
        now = time.monotonic()
        if now >= self._next_check:
            self._next_check = now + self.places.limits.tick_s
            self._check_deadlines(now)
        return bool(self.accepting) and not self._full

    def bury(self, line: socket.socket) -> None:
        """Shuts a socket down, and closes it after the events of this pass of the loop.

        Notes:
            Otherwise a new connection of the same pass could get the file descriptor of the closed one, and its events.
        """
        with contextlib.suppress(OSError):
            line.shutdown(socket.SHUT_RDWR)
        self._sockets_to_close.append(line)
        if not self.accepting:  # closed, so no further pass follows
            self._close_buried()

    def _close_buried(self) -> None:
        buried, self._sockets_to_close = self._sockets_to_close, []
        for line in buried:
            line.close()

    def close(self) -> None:
        """Closes the listening socket."""
        super().close()
        self._close_buried()

    def _check_deadlines(self, now: float) -> None:
        self._full = False
        for channel in list(self.active_channels.values()):
            if channel.socket is not None:
                channel.look(now)
        if self.places.counts:
            closed = ", ".join(f"{count} {why}" for why, count in sorted(self.places.counts.items()))
            log.warning("connections closed by the server: %s", closed)
            self.places.counts.clear()

    def handle_accept(self) -> None:
        """Accepts several waiting connections. Older connections are closed to make room."""
        for _ in range(_ACCEPTED_AT_ONCE):
            known = len(self.active_channels)
            super().handle_accept()
            if len(self.active_channels) == known:
                return
            if not self.places.make_room():
                # Every connection has a complete request. The next check of the deadlines tries again.
                self._full = True
                return

    def add_task(self, task: Any) -> None:
        """Queues a request for the worker threads, unless its client must first read earlier responses."""
        if not task.park():
            super().add_task(task)


def listen(
    application: Any,
    options: dict[str, Any],
    limits: Limits,
    answers: Answers,
    network: Callable[[str], str],
    proxies: Iterable[str],
) -> Any:
    """Returns a listening server. Its `run` serves the application.

    Args:
        application: WSGI application.
        options: of waitress.
        limits: of connections and incomplete requests.
        answers: the server's own responses.
        network: maps an address to the network under which it is counted.
        proxies: addresses without a limit per address.
    """
    adjustments, sockets = Adjustments(**options), {}  # type: ignore[var-annotated]
    # The timeout wakes an idle loop for the deadlines. Unlike select, poll accepts file descriptors above 1,023.
    adjustments.asyncore_loop_timeout, adjustments.asyncore_use_poll = limits.tick_s, True
    dispatcher = ThreadedTaskDispatcher()
    dispatcher.set_thread_count(adjustments.threads)
    places = Places(limits, network, proxies)
    servers = [
        Server(
            application, sockets, dispatcher=dispatcher, adj=adjustments, sockinfo=one, places=places, answers=answers
        )
        for one in adjustments.listen
    ]
    if len(servers) == 1:
        return servers[0]
    where = [(one.effective_host, one.effective_port) for one in servers]
    return MultiSocketServer(sockets, adjustments, where, dispatcher, servers[0].log_info)
