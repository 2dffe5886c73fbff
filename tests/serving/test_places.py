"""The order in which connections give way when places are full."""

from __future__ import annotations

import pytest

from lots.api.http.throttle import network
from lots.serving.places import Limits, Places, State

PROXY = "192.0.2.1"


class Line:
    """A connection that records that it gave way."""

    def __init__(self, places: Places, address: str, state: State, began: float) -> None:
        self.places, self.network, self.state, self.began = places, places.network(address), state, began
        self.gave_way = False
        places.enter(self)
        if state in (State.HEAD, State.BODY):
            places.began(self)

    def note(self) -> State:
        """Returns the state."""
        return self.state

    def make_room(self) -> None:
        """Records it."""
        self.gave_way = True
        self.places.leave(self)


def places(**limits: int) -> Places:
    """Places with few limits, behind this proxy alone."""
    return Places(Limits(**limits), network, [PROXY])


def gone(lines: list[Line]) -> list[int]:
    """The connections that gave way."""
    return [number for number, line in enumerate(lines) if line.gave_way]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (State.IDLE, State.HEAD),
        (State.IDLE, State.ANSWERING),
        (State.HEAD, State.ANSWERING),
        (State.BODY, State.ANSWERING),
        (State.IDLE, State.WORKING),
        (State.ANSWERING, State.WORKING),
    ],
)
def test_what_costs_least_gives_way_first(one: State, other: State) -> None:
    """An idle connection gives way before an unfinished request, that before an unread answer, and a whole request never."""
    full = places(connections=2)
    lines = [Line(full, "192.0.2.7", other, 0), Line(full, "192.0.2.8", one, 1)]
    assert full.make_room()
    assert [1] == gone(lines)


def test_the_oldest_of_its_kind_gives_way() -> None:
    """The unfinished request that began first gives way, in its head or its body."""
    full = places(connections=3)
    lines = [
        Line(full, f"192.0.2.{began}", state, began)
        for state, began in ((State.HEAD, 9), (State.BODY, 7), (State.HEAD, 8))
    ]
    assert full.make_room()
    assert [1] == gone(lines)


def test_whoever_holds_most_places_gives_way() -> None:
    """The newest of many connections of one address goes before the oldest of another."""
    full = places(connections=4)
    lines = [
        Line(full, "192.0.2.7", State.IDLE, 0),
        *(Line(full, "192.0.2.8", State.BODY, began) for began in (3, 2, 4)),
    ]
    assert full.make_room()
    assert [2] == gone(lines)


def test_the_proxy_gives_way_last() -> None:
    """The proxy's clients, all of one address, give way last."""
    full = places(connections=4)
    lines = [*(Line(full, PROXY, State.IDLE, began) for began in (1, 2, 3)), Line(full, "192.0.2.8", State.BODY, 9)]
    assert full.make_room()
    assert [3] == gone(lines)
    Line(full, PROXY, State.WORKING, 10)
    assert full.make_room()
    assert [0, 3] == gone(lines)


def test_nobody_gives_way_where_all_work() -> None:
    """A connection with a complete request is not closed."""
    full = places(connections=2)
    lines = [Line(full, "192.0.2.7", State.WORKING, began) for began in (1, 2)]
    assert not full.make_room()
    assert [] == gone(lines)


def test_addresses_of_one_ipv6_network_count_as_one() -> None:
    """Addresses of one IPv6 network count as one."""
    few = places(unfinished_per_address=2)
    lines = [Line(few, f"2001:db8:0:1::{number}", State.HEAD, number) for number in range(1, 4)]
    other = Line(few, "2001:db8:0:2::1", State.HEAD, 4)
    assert [0] == gone([*lines, other])


def test_unfinished_requests_of_all_addresses_are_bounded() -> None:
    """The oldest unfinished request of all addresses gives way to the newest."""
    few = places(unfinished=3)
    lines = [Line(few, f"192.0.2.{number}", State.HEAD, number) for number in range(10, 15)]
    assert [0, 1] == gone(lines)
