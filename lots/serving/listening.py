"""The sockets that are listened on, and the loop that serves them."""

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
    """One listening socket. Several of one process share their places."""

    channel_class = Channel

    def __init__(self, application: Any, map: Any, *, places: Places, answers: Answers, **more: Any) -> None:  # noqa: A002
        self.places, self.answers = places, answers
        self._full = False
        self._next_look = 0.0
        self._buried: list[socket.socket] = []
        super().__init__(application, map, **more)

    def readable(self) -> bool:
        """Looks at the deadlines when it is time, and returns whether a connection can be taken."""
        self._close_buried()
        now = time.monotonic()
        if now >= self._next_look:
            self._next_look = now + self.places.limits.tick_s
            self._look(now)
        return bool(self.accepting) and not self._full

    def bury(self, line: socket.socket) -> None:
        """Hangs up, and closes the socket when the events of this pass are over.

        Notes:
            A connection that comes in the same pass would else get the number of the closed one, and with it the events that were
            found for that one.
        """
        with contextlib.suppress(OSError):
            line.shutdown(socket.SHUT_RDWR)
        self._buried.append(line)
        if not self.accepting:  # closed: no further pass comes
            self._close_buried()

    def _close_buried(self) -> None:
        buried, self._buried = self._buried, []
        for line in buried:
            line.close()

    def close(self) -> None:
        """Listens no longer."""
        super().close()
        self._close_buried()

    def _look(self, now: float) -> None:
        self._full = False
        for channel in list(self.active_channels.values()):
            if channel.socket is not None:
                channel.look(now)
        if self.places.counts:
            told = ", ".join(f"{count} {what}" for what, count in sorted(self.places.counts.items()))
            log.warning("connections closed by the server: %s", told)
            self.places.counts.clear()

    def handle_accept(self) -> None:
        """Takes the connections that wait, some at once. Older ones make room for them."""
        for _ in range(_ACCEPTED_AT_ONCE):
            known = len(self.active_channels)
            super().handle_accept()
            if len(self.active_channels) == known:
                return
            if not self.places.make_room():
                # Every place has a whole request. The next look at the deadlines tries again.
                self._full = True
                return

    def add_task(self, task: Any) -> None:
        """Gives a request to the worker threads unless its client has to read first."""
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
    """Returns a server that listens and, when `run` is called, serves.

    Args:
        application: WSGI.
        options: of waitress.
        limits: see there.
        answers: what the server answers without the application.
        network: under what an address is counted.
        proxies: addresses that no limit per address holds for.
    """
    adjustments, sockets = Adjustments(**options), {}  # type: ignore[var-annotated]
    # The loop wakes for the deadlines when nothing else wakes it. A select takes no descriptor above 1,023, a poll does.
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
