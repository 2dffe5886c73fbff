"""The request of a webhook: a signed message, sent once over http or https with a deadline.

It uses `http.client`, which follows no redirect, uses no proxy and lets the caller connect to the address that was checked.

Reference:
    Standard Webhooks (version 1): headers, signature, meaning of the answer.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import http.client
import secrets
import socket
import ssl
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from lots.services.documents.webhook_addresses import Network, NotAllowed, Target, resolve, target_of

# The deadline covers DNS, connecting and sending, s. At most so much of an answer is read, bytes.
DEADLINE_S, MOST_READ = 10.0, 65_536
GONE = 410
_PREFIX = "whsec_"


@dataclass(frozen=True, slots=True)
class Message:
    """A message. Its `id` is the same at each attempt, so that a receiver can drop repetitions."""

    id: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an attempt.

    Args:
        status: the HTTP status; None without an answer.
        error: the reason for a failure; None if delivered.
        said: the beginning of the answer.
        seconds: the duration, s.
    """

    status: int | None
    error: str | None
    said: str = ""
    seconds: float = 0.0

    @property
    def delivered(self) -> bool:
        """True if the receiver accepted the message."""
        return self.error is None


def new_secret() -> str:
    """Returns a secret of 32 random bytes as text."""
    return _PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()


def signature(secret: str, message: Message, timestamp: int) -> str:
    """Returns the header `webhook-signature`, the HMAC-SHA256 of id, timestamp and body joined by full stops.

    Args:
        secret: as `new_secret` returns it.
        timestamp: of this attempt, s since 1970.
    """
    key = base64.b64decode(secret.removeprefix(_PREFIX))
    signed = f"{message.id}.{timestamp}.".encode() + message.body
    return f"v1,{base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()}"


def send(url: str, secret: str, message: Message, networks: Sequence[Network], timestamp: int) -> Outcome:
    """Sends a message once and returns the outcome. Takes at most DEADLINE_S and never raises for an error of the receiver."""
    began = time.monotonic()
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "lots-webhooks",
        "webhook-id": message.id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(secret, message, timestamp),
    }
    try:
        target = target_of(url)
        status, said = _exchange(target, message.body, headers, networks, began + DEADLINE_S)
        outcome = Outcome(status, _refusal(status), said)
    except NotAllowed as refused:
        outcome = Outcome(None, str(refused))
    # Malformed answers, and errors of a connection cut at the deadline, are failures of the receiver.
    except (OSError, http.client.HTTPException, ValueError) as error:
        outcome = Outcome(None, _words(error, time.monotonic() - began))
    return Outcome(outcome.status, outcome.error, outcome.said, time.monotonic() - began)


def _refusal(status: int) -> str | None:
    if 200 <= status < 300:
        return None
    if 300 <= status < 400:
        return f"The receiver answered {status}. Redirects are not followed."
    return f"The receiver answered {status}."


def _words(error: Exception, seconds: float) -> str:
    if seconds >= DEADLINE_S - 0.05 or isinstance(error, TimeoutError):
        return f"The receiver did not answer within {DEADLINE_S:.0f} s."
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {error.reason or type(error).__name__}."
    if isinstance(error, OSError) and error.strerror:
        return f"The connection failed: {error.strerror}."
    return f"The connection failed: {type(error).__name__}."


def _exchange(
    target: Target, body: bytes, headers: dict[str, str], networks: Sequence[Network], until: float
) -> tuple[int, str]:
    addresses = resolve(target, networks, max(0.0, until - time.monotonic()))
    with _line(target, addresses, until) as line:
        line.request("POST", target.path, body, headers)
        answer = line.getresponse()
        # A header that was cut at the deadline can look complete.
        if time.monotonic() >= until:
            raise TimeoutError
        # Only the status decides, even if the body is incomplete.
        said = b""
        with contextlib.suppress(OSError, http.client.HTTPException, ValueError):
            said = answer.read(MOST_READ)
        return answer.status, said.decode("utf-8", "replace")


@contextmanager
def _line(target: Target, addresses: Sequence[str], until: float) -> Iterator[http.client.HTTPConnection]:
    """Yields a connection to the first address that accepts one. It is cut at the deadline, even during a transfer."""
    bare = _connected(target, addresses, until)
    cut = threading.Timer(max(0.0, until - time.monotonic()), _cut, (bare,))
    cut.daemon = True
    cut.start()
    line = http.client.HTTPConnection(target.host, target.port)
    try:
        if target.scheme == "https":
            # Wrapping closes the handle that it gets. The timer needs its own.
            line.sock = ssl.create_default_context().wrap_socket(bare.dup(), server_hostname=target.host)
        else:
            line.sock = bare.dup()
        # The Host header leaves out only the default port of the scheme.
        line.default_port = 443 if target.scheme == "https" else 80
        yield line
    finally:
        cut.cancel()
        line.close()
        bare.close()


def _connected(target: Target, addresses: Sequence[str], until: float) -> socket.socket:
    failed: OSError = OSError("no address")
    for address in addresses:
        left = until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        try:
            return socket.create_connection((address, target.port), timeout=left)
        except OSError as error:
            failed = error
    raise failed


def _cut(bare: socket.socket) -> None:
    with contextlib.suppress(OSError):
        bare.shutdown(socket.SHUT_RDWR)
