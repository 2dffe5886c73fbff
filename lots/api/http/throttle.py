"""What guards every answer: headers that say what a browser may do with it, and a brake on guessing tokens."""

from __future__ import annotations

import hashlib
import ipaddress
import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable

from flask import Flask, Response, request

# What a browser may load for an answer that it shows: nothing; for a page, style sheets and pictures of this server; for the docs, its
# script too, which asks this server. None may run a script that stands in the page, stand in a frame, or send a form.
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_PAGE = _NOTHING + "; style-src 'self'; img-src 'self' data:"
_DOCS = _PAGE + "; script-src 'self'; connect-src 'self'"

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",  # for browsers that do not know frame-ancestors
}


def register(app: Flask) -> None:
    """Puts the headers on every answer of the application, errors and redirections among them."""
    app.after_request(_guarded)


def _guarded(answer: Response) -> Response:
    return guard(answer, request.path)


def guard(answer: Response, path: str) -> Response:
    """Puts the headers on the answer to a request for `path`, and returns it."""
    # No answer has any of them yet, so none needs to be looked for.
    answer.headers.extend(HEADERS)
    page = _DOCS if path == "/docs" else _PAGE
    # A page that has said what it needs itself keeps its word.
    answer.headers.setdefault("Content-Security-Policy", page if answer.mimetype == "text/html" else _NOTHING)
    if "Cache-Control" not in answer.headers:
        # An answer with an ETag may be kept by whoever asked, who must ask again whether it still holds; no other may be kept.
        tagged = answer.get_etag()[0] is not None
        answer.headers["Cache-Control"] = "private, no-cache" if tagged else "no-store"
    return answer


class WrongTokens:
    """The different wrong tokens that came from each address within a minute.

    After `most` of them, every further wrong token from there is answered 429 until the oldest is a minute old. Live tokens still
    work: a whole shop may stand behind one address, and one mistyped script must not lock it out. A token is 256 random bits, so
    guessing one is hopeless at any speed; the brake tells a guesser to stop, and the log where it sits. The same wrong token
    again is a machine that was not told of a new one, no guess, and counts once. Expired tokens count as none.

    Notes:
        Kept in the memory of one process: with several workers the limit holds for each of them. The address is the one that the
        connection came from, or, where the settings name a reverse proxy, the one it reports. The addresses of one IPv6 network (/64)
        count as one. At most `addresses` are known at a time, those heard of least recently are forgotten first.

    Example:
        >>> guesses = WrongTokens(most=2, now=lambda: 0.0)
        >>> [guesses.wait_s("192.0.2.7", token) for token in ("a", "a", "b", "c")]
        [0, 0, 0, 60]
    """

    def __init__(
        self, most: int = 20, within_s: int = 60, addresses: int = 1_024, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._most, self._within_s, self._addresses, self._now = most, within_s, addresses, now
        self._seen: OrderedDict[str, dict[bytes, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, address: str | None, token: str) -> int:
        """Notes a wrong token and returns for how many seconds its sender must wait, 0 while it need not.

        Args:
            address: where it came from, None when that is not known.
            token: as it was sent; only a short hash of it is kept.
        """
        now, place = self._now(), network(address)
        mark = hashlib.sha256(token.encode("utf-8", "replace")).digest()[:8]
        with self._lock:
            known = self._seen.pop(place, {})
            recent = {mark: at for mark, at in known.items() if now - at < self._within_s}
            full = len(recent) >= self._most
            if not full:
                recent.setdefault(mark, now)
            self._seen[place] = recent
            if len(self._seen) > self._addresses:
                self._seen.popitem(last=False)
        return max(1, math.ceil(min(recent.values()) + self._within_s - now)) if full else 0


def network(address: str | None) -> str:
    """Returns under what an address is counted: the address itself, but of IPv6 the network: one household has 2**64 addresses of it."""
    try:
        found = ipaddress.ip_address(address or "")
    except ValueError:
        return "unknown"
    return str(ipaddress.ip_network((found, 64), strict=False)) if found.version == 6 else str(found)
