"""How long a request is: one answer only, so that a proxy in front and this server never see different requests in the same bytes."""

from __future__ import annotations

import re
from typing import Any

from waitress.buffers import OverflowableBuffer
from waitress.parser import HTTPRequestParser, ParsingError, get_header_lines
from waitress.rfc7230 import CHUNK_EXT, HEADER_FIELD_RE
from waitress.utilities import BadRequest

_LINE_BYTES, _TRAILER_BYTES = 1024, 8192
_SIZE = re.compile(rb"([0-9A-Fa-f]{1,15})" + CHUNK_EXT.encode("latin-1"))

TWO_LENGTHS = "A request has Transfer-Encoding or Content-Length, never both."
OLD_CODING = "Only HTTP/1.1 has Transfer-Encoding."
OTHER_CODING = "Transfer-Encoding is `chunked`, once."
BAD_CHUNK = "A chunk begins with its size in hexadecimal digits and CR LF, and ends with CR LF."
BAD_NUMBER = "The address or the Content-Length cannot be read."
# What an answer may repeat. The sentences of waitress quote the request, which may hold a token or the name of a foreign host.
SENTENCES = frozenset({TWO_LENGTHS, OLD_CODING, OTHER_CODING, BAD_CHUNK, BAD_NUMBER})


class Request(HTTPRequestParser):  # type: ignore[misc]  # waitress ships no types
    """A request as waitress reads it, except where that leaves two readings of its length.

    Notes:
        waitress takes Transfer-Encoding beside Content-Length and goes by the former, ignores the former in any version but 1.1, takes
        `chunked, chunked`, and lets a bare LF stand before the CR LF of a chunk's size. RFC 9112, 6.1 and 7.1, lets or has a server refuse
        these. It refuses by itself: several Content-Lengths, even equal ones; CR or LF alone in the head; a blank before a colon. A
        folded line (RFC 9112, 5.2) becomes one value with its blanks.
    """

    def parse_header(self, header_plus: bytes) -> None:
        """Reads the head.

        Raises:
            ParsingError: it cannot be read, or its length is in doubt.
        """
        try:
            super().parse_header(header_plus)
        except ValueError:  # an address with half a bracket, a number of thousands of digits
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
    """A body in chunks (RFC 9112, 7.1), each byte looked at once; lines and trailers are bounded, trailers are dropped."""

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
        """Takes bytes and returns how many belong to this body."""
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
        """Returns the buffer of the body, to be closed."""
        return self._buffer
