"""Security headers of all answers, and a limit on wrong tokens."""

from __future__ import annotations

import hashlib
import ipaddress
import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable

from flask import Flask, Response, request

# Content security policies. Answers load nothing. Pages load style sheets and pictures of this server, and the docs its script.
# Inline scripts, frames and forms are forbidden.
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
    """Registers the security headers for all answers, including errors and redirections."""
    app.after_request(_guarded)


def _guarded(answer: Response) -> Response:
    return guard(answer, request.path)


def guard(answer: Response, path: str) -> Response:
    """Returns the answer for `path` with the security headers."""
    # No answer has these headers yet.
    answer.headers.extend(HEADERS)
    page = _DOCS if path == "/docs" else _PAGE
    # A policy set by a page is kept.
    answer.headers.setdefault("Content-Security-Policy", page if answer.mimetype == "text/html" else _NOTHING)
    if "Cache-Control" not in answer.headers:
        # An answer with an ETag may be cached privately and must be revalidated. Others must not be cached.
        tagged = answer.get_etag()[0] is not None
        answer.headers["Cache-Control"] = "private, no-cache" if tagged else "no-store"
    return answer


class WrongTokens:
    """The different wrong tokens from each address within a minute.

    After `most` of them, further wrong tokens are answered with 429 until the oldest is a minute old. Valid tokens still work,
    since a whole shop may share one address. A token has 256 random bits and cannot be guessed. The limit stops attempts and
    logs their address. A repeated wrong token counts once. Expired tokens are not counted.

    Notes:
        The state is in the memory of one process, so the limit applies to each worker. The address is that of the connection, or
        that reported by a trusted proxy. An IPv6 network (/64) counts as one address. At most `addresses` are stored, and the least
        recent are dropped first.

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
        """Records a wrong token and returns the waiting time of its sender, s, 0 for none.

        Args:
            address: Address of the sender, None if unknown.
            token: Token as sent. Only a short hash is stored.
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
    """Returns the key for an address: the address itself, or the /64 network for IPv6."""
    try:
        found = ipaddress.ip_address(address or "")
    except ValueError:
        return "unknown"
    return str(ipaddress.ip_network((found, 64), strict=False)) if found.version == 6 else str(found)
