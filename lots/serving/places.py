"""Limits on connections: deadlines for requests and responses, and the choice of connections to close when too many are open."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol


class State(IntEnum):
    """The state of a connection."""

    IDLE = 0  # no byte of a request has arrived
    HEAD = 1  # a request line and headers are arriving
    BODY = 2  # a body is arriving
    ANSWERING = 3  # its client has not yet read a response
    WORKING = 4  # a complete request waits for its response


UNFINISHED = (State.HEAD, State.BODY)
_CLOSING_ORDER = {State.IDLE: 0, State.HEAD: 1, State.BODY: 1, State.ANSWERING: 2, State.WORKING: 3}


@dataclass(frozen=True, slots=True)
class Limits:
    """Deadlines and largest numbers of connections and requests.

    Attributes:
        head_s: time for the headers from their first byte, and for the first byte of a new connection, s.
        body_s: time for the body, s. Each `rate` bytes received add a second.
        answer_s: time for the client to read a response, s. Each `rate` bytes sent add a second.
        rate: minimum rate of bodies and responses after these times, bytes/s.
        idle_s: time between a response and the first byte of the next request, s.
        wait_s: total time that a thread may wait during one request for a client that does not read, s.
        tick_s: interval between checks of the deadlines, s.
        connections: open connections.
        unfinished: incomplete requests.
        unfinished_per_address: incomplete requests of one IPv4 address or one IPv6 /64.

    Notes:
        A body of 4 MiB at the minimum rate takes 256 s. That is 131 kbit/s, one hundredth of a slow wireless network.
    """

    head_s: float = 10
    body_s: float = 30
    answer_s: float = 30
    rate: float = 16_384
    idle_s: float = 60
    wait_s: float = 10
    tick_s: float = 1
    connections: int = 250
    unfinished: int = 100
    unfinished_per_address: int = 20


class Connection(Protocol):
    """The interface of a connection that `Places` uses."""

    state: State
    began: float  # start of its state, s; of a body, start of the request
    network: str

    def note(self) -> State:
        """Returns the current state."""

    def make_room(self) -> None:
        """Closes the connection, with a response where that is still possible."""


class Places:
    """The open connections of a server. When there are too many, the oldest one of the busiest address is closed.

    Notes:
        A connection with a complete request is never closed. Of the address with the most connections, idle ones are closed first,
        then incomplete requests, then unread responses. A client with many connections so loses its own. A proxy has no limit of
        incomplete requests of its own, and its connections are closed last.
    """

    def __init__(self, limits: Limits, network: Callable[[str], str], proxies: Iterable[str]) -> None:
        self.limits = limits
        self.counts: Counter[str] = Counter()  # connections closed since the last report, by reason
        self._network, self._proxies = network, frozenset(map(network, proxies))
        self._all: dict[Connection, None] = {}
        self._unfinished: dict[Connection, None] = {}  # in order of the start of their requests

    def network(self, address: str) -> str:
        """Returns the network under which an address is counted."""
        return self._network(address)

    def enter(self, connection: Connection) -> None:
        """Adds a new connection."""
        self._all[connection] = None

    def leave(self, connection: Connection) -> None:
        """Removes a closed connection."""
        self._all.pop(connection, None)
        self._unfinished.pop(connection, None)

    def began(self, connection: Connection) -> None:
        """Counts an incomplete request. Above the limit, an older one is closed."""
        self._unfinished.pop(connection, None)
        self._unfinished[connection] = None
        network = connection.network
        if network not in self._proxies:
            alike = [one for one in self._unfinished if one.network == network]
            if len(alike) > self.limits.unfinished_per_address:
                self._close(alike[0])
        if len(self._unfinished) > self.limits.unfinished:
            self._close(self._first_to_close(self._unfinished))

    def finished(self, connection: Connection) -> None:
        """Stops counting a request that is complete."""
        self._unfinished.pop(connection, None)

    def make_room(self) -> bool:
        """Returns whether one more connection may be accepted. Closes an older one if necessary."""
        if len(self._all) < self.limits.connections:
            return True
        able = [one for one in list(self._all) if one.note() != State.WORKING]
        if able and len(self._all) >= self.limits.connections:
            self._close(self._first_to_close(able))
        return bool(able)

    def _first_to_close(self, connections: Iterable[Connection]) -> Connection:
        """Returns the connection to close, of the address that has the most. Those of proxies are last."""
        listed = list(connections)
        held = Counter(one.network for one in listed)
        return min(
            listed,
            key=lambda one: (one.network in self._proxies, -held[one.network], _CLOSING_ORDER[one.state], one.began),
        )

    def _close(self, connection: Connection) -> None:
        self.counts["for newer connections"] += 1
        connection.make_room()
