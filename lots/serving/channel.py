"""A client connection with deadlines, and the responses that the server gives without the application."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from email.utils import formatdate
from typing import Any

from waitress.channel import ClientDisconnected, HTTPChannel
from waitress.task import Task, WSGITask

from lots.serving.framing import SENTENCES, Request
from lots.serving.places import UNFINISHED, Places, State

_DRAINED_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Answer:
    """A response of the server itself: status such as `408 Request Timeout`, headers and body."""

    status: str
    headers: list[tuple[str, str]]
    body: bytes


@dataclass(frozen=True, slots=True)
class Answers:
    """The responses of the server itself.

    Attributes:
        problem: returns the problem document of a status and a detail, which may be "".
        alive: returns the response to a liveness request, or None for every other request.
    """

    problem: Callable[[int, str], Answer]
    alive: Callable[[str, str, dict[str, str]], Answer | None]


def _never() -> bool:
    return False


class _ReadyResponse(Task):  # type: ignore[misc]  # waitress ships no types
    """A task that writes a ready response."""

    complete = True

    def __init__(self, channel: Any, request: Any, answer: Answer) -> None:
        super().__init__(channel, request)
        self._answer = answer
        self.response_headers: list[tuple[str, str]] = []

    def execute(self) -> None:
        """Writes the response, without its body for HEAD."""
        self.status = self._answer.status
        self.response_headers = [*self._answer.headers, *self.response_headers]
        self.content_length = len(self._answer.body)
        self.write(b"" if getattr(self.request, "command", "") == "HEAD" else self._answer.body)


class _ProblemResponse(_ReadyResponse):
    """A task that answers an invalid request with a problem document and closes the connection."""

    def __init__(self, channel: Any, request: Any) -> None:
        error = request.error
        detail = error.body if error.body in SENTENCES else ""
        super().__init__(channel, request, channel.server.answers.problem(error.code, detail))

    def execute(self) -> None:
        """Writes the response and closes the connection."""
        self.set_close_on_finish()
        super().execute()


class _ApplicationTask(WSGITask):  # type: ignore[misc]  # the same
    """A request to the application, with the local address of its connection as SERVER_NAME."""

    def get_environment(self) -> dict[str, Any]:
        """Returns the WSGI environment with SERVER_NAME."""
        environ: dict[str, Any] = super().get_environment()
        environ["SERVER_NAME"] = self.channel.local_host
        return environ


class Channel(HTTPChannel):  # type: ignore[misc]  # the same
    """A connection with fixed deadlines. Unlike those of waitress, single bytes do not renew them.

    Notes:
        The state follows from waitress's own fields (`note`). The event loop updates it after each event and once per tick. Worker
        threads only call `service` and `write_soon`.
    """

    parser_class = Request
    task_class = _ApplicationTask
    error_task_class = _ProblemResponse
    # Fields of waitress.
    socket: Any  # None once closed
    connected: bool
    will_close: bool
    close_when_flushed: bool
    request: Any  # an incomplete request
    requests: list[Any]  # complete requests without a response

    def __init__(self, server: Any, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:  # noqa: A002
        self.places: Places = server.places
        self.network = self.places.network(addr[0])
        self.local_host = str(sock.getsockname()[0])
        self.state, self.fresh = State.IDLE, True
        self.began = self._since = time.monotonic()
        self._answered = self.began  # time of the last response
        self._timed: Any = None  # the incomplete request that `began` belongs to
        self._empty_lines = 0
        self._bytes_sent = 0  # bytes sent since `began`
        self._parked = False  # a complete request waits until the client has read earlier responses
        self._patience_s = 0.0
        super().__init__(server, sock, addr, adj, map=map)
        self.places.enter(self)

    # Called by the loop

    def note(self) -> State:
        """Returns the current state, and restarts the clock when it has changed."""
        state = self._now()
        if state != self.state or (state in UNFINISHED and self.request is not self._timed):
            self._change(state)
        return state

    def _now(self) -> State:
        if self.requests and not self._parked:
            return State.WORKING
        if self.total_outbufs_len:
            return State.ANSWERING
        if self.requests:
            return State.WORKING
        if self.request is None:
            return State.IDLE
        if self.request.headers_finished:
            return State.BODY
        head = self.request.header_plus
        return State.IDLE if not head or head.isspace() else State.HEAD

    def _change(self, state: State) -> None:
        before, self.state, self._since = self.state, state, time.monotonic()
        same = state == State.BODY and self.request is self._timed
        self.fresh = self.fresh and state in (State.IDLE, *UNFINISHED)
        if state == State.IDLE:
            # An empty line is not a request, so it does not renew the deadline of an idle connection.
            if before not in UNFINISHED:
                self.began = self._answered if before == State.WORKING else self._since
        elif not same:
            self.began = self._since
        self._bytes_sent = 0
        if state not in UNFINISHED:
            if before in UNFINISHED:
                self._timed = None
                self.places.finished(self)
        elif not same:
            self._timed = self.request
            self.places.began(self)

    def look(self, now: float) -> None:
        """Closes the connection after its deadline. An incomplete request is answered 408 first."""
        if self.will_close or not self.connected:
            # A client that does not read causes no event that would close it.
            self.handle_close()
            return
        limits, state = self.places.limits, self.note()
        if state == State.IDLE:
            if now - self.began > (limits.head_s if self.fresh else limits.idle_s):
                self.handle_close()
        elif state != State.WORKING and now - self._since > self._deadline_s(state):
            self.places.counts["past their deadline"] += 1
            self._close_with_problem(408) if state in UNFINISHED else self.handle_close()

    def _deadline_s(self, state: State) -> float:
        limits = self.places.limits
        if state == State.HEAD:
            return limits.head_s
        if state == State.BODY:
            return limits.body_s + float(self.request.body_bytes_received) / limits.rate
        return limits.answer_s + self._bytes_sent / limits.rate

    def make_room(self) -> None:
        """Closes the connection in favour of a newer one. An incomplete request is answered 503 first."""
        self._close_with_problem(503) if self.state in UNFINISHED else self.handle_close()

    def _close_with_problem(self, status: int) -> None:
        """Sends a problem document if the socket accepts it at once, and closes the connection."""
        if not self.total_outbufs_len and self.socket is not None:
            answer = self.server.answers.problem(status, "")
            head = [f"HTTP/1.1 {answer.status}", *(f"{name}: {value}" for name, value in answer.headers)]
            head += [
                f"Content-Length: {len(answer.body)}",
                f"Date: {formatdate(usegmt=True)}",
                "Connection: close",
                "",
                "",
            ]
            with contextlib.suppress(OSError):
                self.socket.send("\r\n".join(head).encode("latin-1") + answer.body)
                self.socket.shutdown(socket.SHUT_WR)
                # Closing with unread bytes would reset the connection and lose the response.
                self.socket.recv(_DRAINED_BYTES)
        self.handle_close()

    def received(self, data: bytes) -> bool:
        """Parses received bytes and queues complete requests."""
        with self.requests_lock:
            while data and self.connected and not (self.will_close or self.close_when_flushed):
                if self.request is None:
                    self.request = Request(self.adj)
                data = data[self.request.received(data) :]
                if self.request.completed:
                    arrived, self.request = self.request, None
                    self._arrived(arrived)
                    if arrived.error:
                        break  # the start of the next request is unknown
                elif self.request.expect_continue and self.request.headers_finished and not self.requests:
                    self.send_continue()
        if self.connected:
            self.note()
        return True

    def _arrived(self, request: Any) -> None:
        self.sent_continue = False
        if request.empty:
            self._empty_lines += 1
            self.will_close = self.will_close or self._empty_lines > 1
            return
        self._empty_lines = 0
        self._change(State.WORKING)
        self._answered = self._since
        if not self.requests and not request.error and not self.total_outbufs_len:
            answer = self.server.answers.alive(request.command, request.path, request.headers)
            if answer is not None:
                task = _ReadyResponse(self, request, answer)
                with contextlib.suppress(OSError, ClientDisconnected):
                    task.service()
                self.close_when_flushed = self.close_when_flushed or task.close_on_finish
                return
        self.requests.append(request)
        if len(self.requests) == 1:
            self.server.add_task(self)

    def handle_write(self) -> None:
        """Sends buffered bytes, and resumes a parked request when its client has read enough."""
        super().handle_write()
        if self._parked and self.connected and self.total_outbufs_len <= self.adj.outbuf_high_watermark:
            self._parked = False
            self.server.add_task(self)
        if self.connected:
            self.note()

    def writable(self) -> bool:
        """Returns whether there are bytes to send or a connection to close. The loop calls it at each event."""
        return bool(self.total_outbufs_len or self.will_close or self.close_when_flushed or self._parked)

    def handle_expt(self) -> None:
        """Closes a connection with urgent data, which HTTP does not use and which would cause endless events."""
        self.handle_close()

    def handle_close(self) -> None:
        """Closes the connection and drops its waiting requests."""
        self.places.leave(self)
        if self._parked:
            self._parked = False
            for request in self.requests:
                request.close()
            self.requests = []
        if self.request is not None:
            self.request.close()
        with self.outbuf_lock:
            if self.socket is not None:
                self.server.bury(self.socket)
                self.socket = None
                # The current pass of the loop may still call these.
                self.readable = self.writable = _never  # type: ignore[method-assign]  # of this instance only
            super().handle_close()

    # Called by worker threads too

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Sends bytes and counts those that the socket accepts."""
        sent: int = super().send(data, do_close)
        self._bytes_sent += sent
        return sent

    def park(self) -> bool:
        """Returns whether the next request must wait for its client to read. No thread waits meanwhile."""
        self._parked = self.total_outbufs_len > self.adj.outbuf_high_watermark
        return self._parked

    def service(self) -> None:
        """Serves the oldest request."""
        self._patience_s = self.places.limits.wait_s
        super().service()
        self._answered = time.monotonic()

    def write_soon(self, data: Any) -> int:
        """Buffers a part of a response, after waiting for a client that has too much to read."""
        if self.total_outbufs_len > self.adj.outbuf_high_watermark:
            self._wait_for_client()
        return int(super().write_soon(data))

    def _flush_outbufs_below_high_watermark(self) -> None:
        """Does nothing. `write_soon` waits with a deadline, and `park` waits without a thread."""

    def _wait_for_client(self) -> None:
        with self.outbuf_lock:
            while self.connected and self.total_outbufs_len > self.adj.outbuf_high_watermark:
                self.server.pull_trigger()
                began = time.monotonic()
                self.outbuf_lock.wait(self._patience_s)
                self._patience_s -= time.monotonic() - began
                if self._patience_s <= 0:
                    # The loop closes the connection, and `write_soon` ends the request.
                    self.will_close, self.connected = True, False
        if not self.connected:
            self.server.pull_trigger()
