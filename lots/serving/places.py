"""Who may wait: deadlines for requests and answers under way, and the places that connections share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol


class State(IntEnum):
    """What a connection is doing."""

    IDLE = 0  # no byte of a request is here
    HEAD = 1  # a request line and headers are arriving
    BODY = 2  # a body is arriving
    ANSWERING = 3  # its client has still to read an answer
    WORKING = 4  # a request is whole and waits for its answer


UNFINISHED = (State.HEAD, State.BODY)
_TURN = {State.IDLE: 0, State.HEAD: 1, State.BODY: 1, State.ANSWERING: 2, State.WORKING: 3}


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a request or an answer may be under way, and how many of them.

    Attributes:
        head_s: for the headers of a request, from its first byte; and for a new connection to send that byte, s.
        body_s: for its body, s; each `rate` bytes that have come add a second.
        answer_s: for an answer to be read, s; each `rate` bytes that have gone add a second.
        rate: the least rate of a body and of an answer once those times are over, bytes/s.
        idle_s: between an answer and the first byte of the next request, s.
        wait_s: how long a thread may wait in all, during one request, for a client that does not read, s.
        tick_s: how often the deadlines are looked at, s.
        connections: open connections.
        unfinished: requests that have not arrived in full.
        unfinished_per_address: those of one address, of IPv6 one /64.

    Notes:
        A body of 4 MiB at the least rate takes 256 s. That is 131 kbit/s, a hundredth of a slow wireless network.
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
    """What the places need to know of a connection."""

    state: State
    began: float  # when what it is doing began; of a body, when the request did
    network: str

    def note(self) -> State:
        """Looks at what the connection is doing now."""

    def make_room(self) -> None:
        """Tells the client so, where that is still possible, and hangs up."""


class Places:
    """The connections of a server, and which of them give way to a newer one.

    Notes:
        A request that has arrived in full never gives way. Else the address with the most connections gives way with its
        oldest one: idle ones first, then unfinished requests, then answers that nobody reads. So a client that holds many places
        takes them from itself. A proxy may hold as many unfinished requests as there are places for, and gives way last:
        slow clients behind it are its own affair.
    """

    def __init__(self, limits: Limits, network: Callable[[str], str], proxies: Iterable[str]) -> None:
        self.limits = limits
        self.counts: Counter[str] = (
            Counter()
        )  # what happened since the last report: how many were late, how many gave way
        self._network, self._proxies = network, frozenset(map(network, proxies))
        self._all: dict[Connection, None] = {}
        self._unfinished: dict[Connection, None] = {}  # in the order in which the requests began

    def network(self, address: str) -> str:
        """Returns under what an address is counted."""
        return self._network(address)

    def enter(self, connection: Connection) -> None:
        """Gives a place to a new connection."""
        self._all[connection] = None

    def leave(self, connection: Connection) -> None:
        """Takes back the place of a connection that was closed."""
        self._all.pop(connection, None)
        self._unfinished.pop(connection, None)

    def began(self, connection: Connection) -> None:
        """Counts a request that begins to arrive. Where that is one too many, an older one gives way."""
        self._unfinished.pop(connection, None)
        self._unfinished[connection] = None
        network = connection.network
        if network not in self._proxies:
            alike = [one for one in self._unfinished if one.network == network]
            if len(alike) > self.limits.unfinished_per_address:
                self._give_way(alike[0])
        if len(self._unfinished) > self.limits.unfinished:
            self._give_way(self._chosen(self._unfinished))

    def finished(self, connection: Connection) -> None:
        """Counts a request no longer, because it has arrived."""
        self._unfinished.pop(connection, None)

    def make_room(self) -> bool:
        """Returns whether there is a place for one more connection, having made one where that is possible."""
        if len(self._all) < self.limits.connections:
            return True
        able = [one for one in list(self._all) if one.note() != State.WORKING]
        if able and len(self._all) >= self.limits.connections:
            self._give_way(self._chosen(able))
        return bool(able)

    def _chosen(self, connections: Iterable[Connection]) -> Connection:
        """The one that gives way: of the address that has most, a proxy's last."""
        listed = list(connections)
        held = Counter(one.network for one in listed)
        return min(
            listed, key=lambda one: (one.network in self._proxies, -held[one.network], _TURN[one.state], one.began)
        )

    def _give_way(self, connection: Connection) -> None:
        self.counts["gave way"] += 1
        connection.make_room()
