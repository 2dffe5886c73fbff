"""One connection: what arrives on it within its time, what leaves it, and the answers that the server gives by itself."""

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
    """An answer of the server itself: status such as `408 Request Timeout`, headers, body."""

    status: str
    headers: list[tuple[str, str]]
    body: bytes


@dataclass(frozen=True, slots=True)
class Answers:
    """What the server answers without the application.

    Attributes:
        problem: the answer for a status and a sentence that says more, or "".
        alive: the answer to a request that asks whether the server lives, else None: then the application answers.
    """

    problem: Callable[[int, str], Answer]
    alive: Callable[[str, str, dict[str, str]], Answer | None]


def _never() -> bool:
    return False


class _Given(Task):  # type: ignore[misc]  # waitress ships no types
    """Writes an answer that is there already."""

    complete = True

    def __init__(self, channel: Any, request: Any, answer: Answer) -> None:
        super().__init__(channel, request)
        self._answer = answer
        self.response_headers: list[tuple[str, str]] = []

    def execute(self) -> None:
        """Writes it; of an answer to HEAD only the head."""
        self.status = self._answer.status
        self.response_headers = [*self._answer.headers, *self.response_headers]
        self.content_length = len(self._answer.body)
        self.write(b"" if getattr(self.request, "command", "") == "HEAD" else self._answer.body)


class _Refusal(_Given):
    """Answers a request that cannot be taken with a problem document, and hangs up."""

    def __init__(self, channel: Any, request: Any) -> None:
        error = request.error
        detail = error.body if error.body in SENTENCES else ""
        super().__init__(channel, request, channel.server.answers.problem(error.code, detail))

    def execute(self) -> None:
        """Writes it."""
        self.set_close_on_finish()
        super().execute()


class _Served(WSGITask):  # type: ignore[misc]  # the same
    """A request to the application, which is told at which address of this machine the request came in."""

    def get_environment(self) -> dict[str, Any]:
        """Returns the WSGI environment."""
        environ: dict[str, Any] = super().get_environment()
        environ["SERVER_NAME"] = self.channel.local_host
        return environ


class Channel(HTTPChannel):  # type: ignore[misc]  # the same
    """A connection with deadlines that no byte renews.

    Notes:
        What a connection is doing follows from waitress's own fields (`note`). The loop that reads and writes all connections looks
        after each event and once a tick; worker threads only call `service` and `write_soon`.
    """

    parser_class = Request
    task_class = _Served
    error_task_class = _Refusal
    # Of waitress.
    socket: Any  # None once closed
    connected: bool
    will_close: bool
    close_when_flushed: bool
    request: Any  # one that has not arrived in full
    requests: list[Any]  # those that have and are not answered yet

    def __init__(self, server: Any, sock: socket.socket, addr: Any, adj: Any, map: Any = None) -> None:  # noqa: A002
        self.places: Places = server.places
        self.network = self.places.network(addr[0])
        self.local_host = str(sock.getsockname()[0])
        self.state, self.fresh = State.IDLE, True
        self.began = self._since = time.monotonic()
        self._answered = self.began  # when the last answer was written
        self._timed: Any = None  # the unfinished request that `began` belongs to
        self._blanks = 0
        self._gone = 0  # bytes sent since `began`
        self._parked = False  # a whole request waits until earlier answers have been read
        self._patience_s = 0.0
        super().__init__(server, sock, addr, adj, map=map)
        self.places.enter(self)

    # Called by the loop

    def note(self) -> State:
        """Returns what the connection is doing now, having started its clock when that is something new."""
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
            # An empty line is no request: it does not make an idle connection younger.
            if before not in UNFINISHED:
                self.began = self._answered if before == State.WORKING else self._since
        elif not same:
            self.began = self._since
        self._gone = 0
        if state not in UNFINISHED:
            if before in UNFINISHED:
                self._timed = None
                self.places.finished(self)
        elif not same:
            self._timed = self.request
            self.places.began(self)

    def look(self, now: float) -> None:
        """Closes the connection when its time is over. A request that has begun is answered 408 first."""
        if self.will_close or not self.connected:
            # Where its client does not read, no event would ever lead to that.
            self.handle_close()
            return
        limits, state = self.places.limits, self.note()
        if state == State.IDLE:
            if now - self.began > (limits.head_s if self.fresh else limits.idle_s):
                self.handle_close()
        elif state != State.WORKING and now - self._since > self._allowed_s(state):
            self.places.counts["late"] += 1
            self._hang_up(408) if state in UNFINISHED else self.handle_close()

    def _allowed_s(self, state: State) -> float:
        limits = self.places.limits
        if state == State.HEAD:
            return limits.head_s
        if state == State.BODY:
            return limits.body_s + float(self.request.body_bytes_received) / limits.rate
        return limits.answer_s + self._gone / limits.rate

    def make_room(self) -> None:
        """Gives up the place for a newer connection. A request that has begun is answered 503 first."""
        self._hang_up(503) if self.state in UNFINISHED else self.handle_close()

    def _hang_up(self, status: int) -> None:
        """Answers where the socket takes that at once, and closes the connection."""
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
                # Closing with bytes unread would make the system take the answer back.
                self.socket.recv(_DRAINED_BYTES)
        self.handle_close()

    def received(self, data: bytes) -> bool:
        """Takes bytes that arrived and begins what they complete."""
        with self.requests_lock:
            while data and self.connected and not (self.will_close or self.close_when_flushed):
                if self.request is None:
                    self.request = Request(self.adj)
                data = data[self.request.received(data) :]
                if self.request.completed:
                    arrived, self.request = self.request, None
                    self._arrived(arrived)
                    if arrived.error:
                        break  # nothing after it can be told apart
                elif self.request.expect_continue and self.request.headers_finished and not self.requests:
                    self.send_continue()
        if self.connected:
            self.note()
        return True

    def _arrived(self, request: Any) -> None:
        self.sent_continue = False
        if request.empty:
            self._blanks += 1
            self.will_close = self.will_close or self._blanks > 1
            return
        self._blanks = 0
        self._change(State.WORKING)
        self._answered = self._since
        if not self.requests and not request.error and not self.total_outbufs_len:
            answer = self.server.answers.alive(request.command, request.path, request.headers)
            if answer is not None:
                task = _Given(self, request, answer)
                with contextlib.suppress(OSError, ClientDisconnected):
                    task.service()
                self.close_when_flushed = self.close_when_flushed or task.close_on_finish
                return
        self.requests.append(request)
        if len(self.requests) == 1:
            self.server.add_task(self)

    def handle_write(self) -> None:
        """Sends what waits, and lets a parked request go on once its client has read enough."""
        super().handle_write()
        if self._parked and self.connected and self.total_outbufs_len <= self.adj.outbuf_high_watermark:
            self._parked = False
            self.server.add_task(self)
        if self.connected:
            self.note()

    def writable(self) -> bool:
        """Returns whether there is something to send or to decide. The loop asks this of each connection at each event."""
        return bool(self.total_outbufs_len or self.will_close or self.close_when_flushed or self._parked)

    def handle_expt(self) -> None:
        """Hangs up on urgent data: HTTP has none, and the byte would be announced for ever."""
        self.handle_close()

    def handle_close(self) -> None:
        """Closes the connection and forgets what nobody will be answered."""
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
                # The pass of the loop that goes on may still ask.
                self.readable = self.writable = _never  # type: ignore[method-assign]  # of this one only
            super().handle_close()

    # Called by worker threads too

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Sends what the socket takes, counted."""
        sent: int = super().send(data, do_close)
        self._gone += sent
        return sent

    def park(self) -> bool:
        """Returns whether the next request has to wait for a client that does not read: no thread does."""
        self._parked = self.total_outbufs_len > self.adj.outbuf_high_watermark
        return self._parked

    def service(self) -> None:
        """Answers the oldest request."""
        self._patience_s = self.places.limits.wait_s
        super().service()
        self._answered = time.monotonic()

    def write_soon(self, data: Any) -> int:
        """Takes a piece of an answer, and waits first while its client has too much to read."""
        if self.total_outbufs_len > self.adj.outbuf_high_watermark:
            self._wait_for_client()
        return int(super().write_soon(data))

    def _flush_outbufs_below_high_watermark(self) -> None:
        """Does nothing: `write_soon` waits, with a bound, and `park` waits without a thread."""

    def _wait_for_client(self) -> None:
        with self.outbuf_lock:
            while self.connected and self.total_outbufs_len > self.adj.outbuf_high_watermark:
                self.server.pull_trigger()
                began = time.monotonic()
                self.outbuf_lock.wait(self._patience_s)
                self._patience_s -= time.monotonic() - began
                if self._patience_s <= 0:
                    # The loop closes it; `write_soon` ends the request.
                    self.will_close, self.connected = True, False
        if not self.connected:
            self.server.pull_trigger()
