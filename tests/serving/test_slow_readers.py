"""Clients that do not read their answers hold no worker thread and lose their connection."""

from __future__ import annotations

import time

from tests.serving.served import BIG, HELLO, PATIENCE_S, connect, exchange, rest, running, served, statuses

MANY = 24  # mebibytes, more than the socket buffers of both sides
KEPT = HELLO.replace(b"close", b"keep-alive")


def test_pipelined_answers_that_nobody_reads_hold_no_thread() -> None:
    """With one thread another client is answered while the first reads nothing, and the first gets all its answers later."""
    with served() as port, connect(port) as line:
        line.sendall(KEPT.replace(b" / ", b" /big ") * MANY + HELLO)
        for _ in range(3):
            assert [200] == statuses(exchange(port, HELLO))
        answer = rest(line)
        assert [200] * (MANY + 1) == statuses(answer)
        assert len(answer) > MANY * BIG


def test_an_answer_in_pieces_that_nobody_reads_holds_a_thread_only_so_long() -> None:
    """With one thread the next client is answered after the first one's time."""
    with served(wait_s=0.3) as port, connect(port) as line:
        line.sendall(HELLO.replace(b" / ", b" /stream "))
        assert [200] == statuses(exchange(port, HELLO))
        assert len(rest(line)) < 64 * BIG


def test_a_connection_that_is_given_up_is_closed_without_its_client() -> None:
    """The place of a closed connection is free, though its client neither reads nor closes."""
    with running(wait_s=0.3) as server, connect(server.effective_port) as line:
        line.sendall(HELLO.replace(b" / ", b" /stream "))
        until = time.monotonic() + PATIENCE_S
        while not server.active_channels and time.monotonic() < until:
            time.sleep(0.01)
        while server.active_channels and time.monotonic() < until:
            time.sleep(0.01)
        assert {} == server.active_channels


def test_an_answer_in_pieces_arrives_at_whoever_reads_it() -> None:
    """An answer larger than the buffer arrives whole."""
    with served() as port:
        answer = exchange(port, HELLO.replace(b" / ", b" /stream "))
        assert answer.count(b"x") >= 64 * BIG


def test_an_answer_that_nobody_reads_is_given_up() -> None:
    """A connection below the minimum reading rate is closed."""
    with served(answer_s=0.3, rate=1e9) as port, connect(port) as line:
        line.sendall(KEPT.replace(b" / ", b" /big ") * MANY)
        assert [200] == statuses(exchange(port, HELLO))
        # A byte now and then does not renew the deadline.
        until = time.monotonic() + 1
        while time.monotonic() < until:
            assert line.recv(1)
            assert [200] == statuses(exchange(port, HELLO))
        assert len(rest(line)) < MANY * BIG


def test_unread_answers_make_room() -> None:
    """Connections with unread answers give way to new ones."""
    with served(connections=5) as port:
        lines = [connect(port) for _ in range(12)]
        for line in lines:
            line.sendall(KEPT.replace(b" / ", b" /big ") * 20)
        assert [200] == statuses(exchange(port, HELLO, "127.0.0.2"))
        for line in lines:
            line.close()
