"""Strict HTTP/1.1 framing, which prevents request smuggling: a proxy and this server must agree on the length of every request."""

from __future__ import annotations

import re
from typing import Any

from waitress.buffers import OverflowableBuffer
from waitress.parser import HTTPRequestParser, ParsingError, get_header_lines
from waitress.rfc7230 import CHUNK_EXT, HEADER_FIELD_RE
from waitress.utilities import BadRequest

_LINE_BYTES, _TRAILER_BYTES = 1024, 8192
_SIZE = re.compile(rb"([0-9A-Fa-f]{1,15})" + CHUNK_EXT.encode("latin-1"))

TWO_LENGTHS = "The request has both Transfer-Encoding and Content-Length. Send only one of them."
OLD_CODING = "Transfer-Encoding requires HTTP/1.1."
OTHER_CODING = "The only valid value of Transfer-Encoding is `chunked`, once."
BAD_CHUNK = "A chunk is invalid. It must begin with its size in hexadecimal digits and CR LF, and end with CR LF."
BAD_NUMBER = "The request target or the Content-Length is invalid."
# Only these sentences are sent to clients. The messages of waitress quote the request, which may hold a token or a foreign host name.
SENTENCES = frozenset({TWO_LENGTHS, OLD_CODING, OTHER_CODING, BAD_CHUNK, BAD_NUMBER})


class Request(HTTPRequestParser):  # type: ignore[misc]  # waitress ships no types
    """A waitress request that also rejects requests of ambiguous length.

    Notes:
        waitress accepts Transfer-Encoding beside Content-Length, and uses the former. It ignores Transfer-Encoding in versions other
        than 1.1. It accepts `chunked, chunked`, and a bare LF before the CR LF of a chunk size. RFC 9112, 6.1 and 7.1, allows or
        requires a server to reject these. waitress itself rejects several Content-Lengths, even equal ones, a lone CR or LF in the
        headers, and a blank before a colon. A folded line (RFC 9112, 5.2) becomes one value with its blanks.
    """

    def parse_header(self, header_plus: bytes) -> None:
        """Parses the request line and the headers.

        Raises:
            ParsingError: they are invalid, or the length of the body is ambiguous.
        """
        try:
            super().parse_header(header_plus)
        except ValueError:  # an unclosed bracket of an IPv6 address, or a number with thousands of digits
            raise ParsingError(BAD_NUMBER) from None
        if b"transfer-encoding" in header_plus.lower():
            self._check_coding(header_plus)

    def _check_coding(self, header_plus: bytes) -> None:
        fields = (line.partition(b":") for line in get_header_lines(header_plus.partition(b"\r\n")[2]))
        codings = [value.strip(b" \t").lower() for name, _, value in fields if name.lower() == b"transfer-encoding"]
        if not codings:
            return
        if self.version != "1.1":
            raise ParsingError(OLD_CODING)
        if "CONTENT_LENGTH" in self.headers:
            raise ParsingError(TWO_LENGTHS)
        if codings != [b"chunked"]:
            raise ParsingError(OTHER_CODING)
        self.body_rcv = Chunks(OverflowableBuffer(self.adj.inbuf_overflow))


class Chunks:
    """A parser of chunked bodies (RFC 9112, 7.1) that reads each byte once. Lines and trailers have limits. Trailers are dropped."""

    def __init__(self, buffer: Any) -> None:
        self.completed, self.error = False, None
        self._buffer = buffer
        self._left = 0  # bytes of the chunk that are still to come
        self._line = b""
        self._take = self._size
        self._trailers = 0

    def __len__(self) -> int:
        return len(self._buffer)

    def received(self, data: bytes) -> int:
        """Parses bytes and returns how many belong to this body."""
        at = 0
        while at < len(data) and not self.completed and self.error is None:
            if self._left:
                part = data[at : at + self._left]
                self._buffer.append(part)
                self._left -= len(part)
            else:
                end = data.find(b"\n", at, at + _LINE_BYTES)
                part = data[at : end + 1 if end >= 0 else at + _LINE_BYTES]
                self._line += part
                self._look_at_line()
            at += len(part)
        return at

    def _look_at_line(self) -> None:
        if len(self._line) > _LINE_BYTES:
            self._refuse()
        elif self._line.endswith(b"\n"):
            line, self._line = self._line, b""
            text = line.removesuffix(b"\r\n")
            if text == line or b"\r" in text:
                self._refuse()
            else:
                self._take(text)

    def _size(self, text: bytes) -> None:
        found = _SIZE.fullmatch(text)
        if found is None:
            self._refuse()
        elif size := int(found[1], 16):
            self._left, self._take = size, self._end
        else:
            self._take = self._trailer

    def _end(self, text: bytes) -> None:
        self._take = self._size
        if text:
            self._refuse()

    def _trailer(self, text: bytes) -> None:
        self._trailers += len(text)
        if not text:
            self.completed = True
        elif self._trailers > _TRAILER_BYTES or not HEADER_FIELD_RE.fullmatch(text):
            self._refuse()

    def _refuse(self) -> None:
        self.error = BadRequest(BAD_CHUNK)

    def getfile(self) -> Any:
        """Returns the body as a file."""
        return self._buffer.getfile()

    def getbuf(self) -> Any:
        """Returns the buffer of the body. The caller closes it."""
        return self._buffer
