"""Malformed requests over bare sockets are refused with 400 and closed, so that no second request hides in the first."""

from __future__ import annotations

import json

import pytest

from tests.serving.served import HELLO, connect, exchange, one, served, statuses

HIDDEN = b"GET /hidden HTTP/1.1\r\nHost: localhost\r\n\r\n"
POST = b"POST /first HTTP/1.1\r\nHost: localhost\r\n"
BODY = b"5\r\nhello\r\n0\r\n\r\n"
CHUNKED = POST + b"Transfer-Encoding: chunked\r\n"

REFUSED = {
    "both lengths": CHUNKED + b"Content-Length: 3\r\n\r\n" + BODY,
    "both lengths, the coding last": POST + b"Content-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n" + BODY,
    "both lengths, the coding empty": POST + b"Content-Length: 5\r\nTransfer-Encoding:\r\n\r\nhello",
    "both lengths, the coding folded": POST + b"Content-Length: 5\r\nTransfer-Encoding:\r\n chunked\r\n\r\nhello",
    "an empty coding": POST + b"Transfer-Encoding: \r\n\r\n" + BODY,
    "the coding twice": CHUNKED + b"Transfer-Encoding: chunked\r\n\r\n" + BODY,
    "the coding twice in a line": POST + b"Transfer-Encoding: chunked, chunked\r\n\r\n" + BODY,
    "a coding in HTTP/1.0": CHUNKED.replace(b"1.1", b"1.0") + b"Connection: keep-alive\r\n\r\n" + BODY,
    "a coding in HTTP/1.2": CHUNKED.replace(b"1.1", b"1.2") + b"Connection: keep-alive\r\n\r\n" + BODY,
    "two lengths": POST + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello!",
    "the same length twice": POST + b"Content-Length: 5\r\nContent-Length: 5\r\n\r\nhello",
    "a length with a sign": POST + b"Content-Length: +5\r\n\r\nhello",
    "an empty length": POST + b"Content-Length: \r\n\r\nhello",
    "a length of 5,000 digits": POST + b"Content-Length: " + b"9" * 5_000 + b"\r\n\r\nhello",
    "a blank before a colon": POST + b"Content-Length : 5\r\n\r\nhello",
    "a line that begins with a blank": b"POST / HTTP/1.1\r\n Host: localhost\r\n\r\n",
    "a bare CR": POST + b"X-A: a\rContent-Length: 5\r\n\r\nhello",
    "a bare LF": POST + b"X-A: a\nContent-Length: 5\r\n\r\nhello",
    "a bare LF after the first line": b"GET / HTTP/1.1\nHost: localhost\r\n\r\n",
    "a zero byte": POST + b"X-A: a\x00b\r\n\r\n",
    "half an address": b"GET http://[::1 HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "no request": b"nonsense\r\n\r\n",
    "a size with a bare LF": CHUNKED + b"\r\n5\n\r\nhello\r\n0\r\n\r\n",
    "a size ended by LF alone": CHUNKED + b"\r\n5\nhello\r\n0\r\n\r\n",
    "a size with a prefix": CHUNKED + b"\r\n0x5\r\nhello\r\n0\r\n\r\n",
    "a size with a sign": CHUNKED + b"\r\n-5\r\nhello\r\n0\r\n\r\n",
    "a size with a blank": CHUNKED + b"\r\n5 \r\nhello\r\n0\r\n\r\n",
    "a size of 17 digits": CHUNKED + b"\r\n" + b"0" * 16 + b"5\r\nhello\r\n0\r\n\r\n",
    "an empty size": CHUNKED + b"\r\n\r\n5\r\nhello\r\n0\r\n\r\n",
    "a chunk longer than it says": CHUNKED + b"\r\n4\r\nhello\r\n0\r\n\r\n",
    "an extension with a bare LF": CHUNKED + b"\r\n5;a=b\nc\r\nhello\r\n0\r\n\r\n",
    "an extension without a name": CHUNKED + b"\r\n5;=b\r\nhello\r\n0\r\n\r\n",
    "an extension without end": CHUNKED + b"\r\n5;a=" + b"b" * 2_000,
    "a trailer that is none": CHUNKED + b"\r\n0\r\nnonsense\r\n\r\n",
    "trailers without end": CHUNKED + b"\r\n0\r\n" + b"X-A: a\r\n" * 2_000,
}
TAKEN = {
    "chunks": (CHUNKED + b"\r\n" + BODY, b"/first 5 127.0.0.1"),
    "the coding in capitals": (CHUNKED.replace(b"chunked", b"CHUNKED") + b"\r\n" + BODY, b"/first 5 127.0.0.1"),
    "extensions": (CHUNKED + b'\r\n5;a;b=c;d="e f"\r\nhello\r\n0;x\r\n\r\n', b"/first 5 127.0.0.1"),
    "trailers": (CHUNKED + b"\r\n5\r\nhello\r\n0\r\nX-Sum: 1\r\n\r\n", b"/first 5 127.0.0.1"),
    # RFC 9112, 5.2, allows a server to replace a folded line by blanks.
    "a folded line": (POST + b"X-A: a\r\n b\r\nContent-Length: 5\r\n\r\nhello", b"/first 5 127.0.0.1"),
    # A name with an underscore would equal one with a hyphen in WSGI, so it is ignored.
    "a name with an underscore": (
        POST + b"Transfer_Encoding: chunked\r\nContent-Length: 5\r\n\r\nhello",
        b"/first 5 127.0.0.1",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_malformed_request_is_refused_and_ends_the_connection(name: str) -> None:
    """Data after a malformed request is no request."""
    with served() as port:
        answer = exchange(port, REFUSED[name] + HIDDEN)
        assert [400] == statuses(answer)
        assert b"hidden" not in answer
        assert b"Connection: close" in answer
        said = json.loads(answer.partition(b"\r\n\r\n")[2])
        assert ("/problems/malformed", 400) == (said["type"], said["status"])
        assert said["detail"]
        assert [200] == statuses(exchange(port, HELLO))


@pytest.mark.parametrize("name", TAKEN)
@pytest.mark.parametrize("size", [1, 1_000])
def test_a_right_request_is_read_to_its_end_and_no_further(name: str, size: int) -> None:
    """A valid request, in one piece or byte by byte, is read exactly to its end."""
    sent, said = TAKEN[name]
    with served() as port, connect(port) as line:
        for at in range(0, len(sent), size):
            line.sendall(sent[at : at + size])
        assert one(line).endswith(said)
        line.sendall(HIDDEN)
        assert one(line).endswith(b"/hidden 0 127.0.0.1")


def test_other_codings_too_long_heads_and_too_large_bodies_are_refused_in_words() -> None:
    """Other codings, long heads and large bodies are problem documents with 501, 431 and 413 and no echo."""
    wrong = {
        501: POST + b"Transfer-Encoding: gzip, chunked\r\n\r\n" + BODY,
        431: POST + b"X-A: " + b"secret" * 12_000 + b"\r\n\r\n",
        413: POST + b"Content-Length: 99999999\r\nExpect: 100-continue\r\n\r\n",
    }
    with served() as port:
        for status, sent in wrong.items():
            answer = exchange(port, sent)
            assert [status] == statuses(answer)
            assert status == json.loads(answer.partition(b"\r\n\r\n")[2])["status"]
            assert b"secret" not in answer


def test_a_client_may_ask_before_it_sends_a_body() -> None:
    """Expect: 100-continue gets its interim answer, and then the answer."""
    with served() as port, connect(port) as line:
        line.sendall(POST + b"Content-Length: 5\r\nExpect: 100-continue\r\n\r\n")
        assert b"HTTP/1.1 100 Continue\r\n\r\n" == line.recv(25)
        line.sendall(b"hello")
        assert one(line).endswith(b"/first 5 127.0.0.1")


def test_pipelined_requests_are_answered_in_their_order() -> None:
    """Pipelined requests are answered in order."""
    sent = b"".join(HELLO.replace(b" / ", b" /%d " % number).replace(b"close", b"keep-alive") for number in range(9))
    with served() as port:
        answer = exchange(port, sent + HELLO.replace(b" / ", b" /9 "))
    assert [200] * 10 == statuses(answer)
    assert [b"/%d 0 127.0.0.1" % number for number in range(10)] == [
        part.partition(b"\r\n\r\n")[2] for part in answer.split(b"HTTP/1.1 ")[1:]
    ]
