"""A webhook receiver on this machine with behaviour set by a test."""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from lots.services.documents.webhook_sending import Sender
from lots.store.tables.models import WebhookMessage
from tests.feed import followed, latest
from tests.shop import SIMPLE_LIMITS, Shop
from tests.store.rows import connected

# This machine, which is internal.
HERE = (ipaddress.ip_network("127.0.0.0/8"),)
Handler = BaseHTTPRequestHandler


@dataclass(frozen=True)
class Got:
    """A received message."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def said(self) -> dict[str, Any]:
        """The envelope."""
        return dict(json.loads(self.body))

    @property
    def change(self) -> str:
        """The position of its change."""
        return str(self.said["data"]["id"])


class Receiver:
    """Stores messages, and answers as `behave` says; a number is the status of the answer."""

    def __init__(self) -> None:
        self.got: list[Got] = []
        self.behave: int | Callable[[Handler], None] = 204
        self.let_go = threading.Event()
        ours = self

        class Answering(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                ours.got.append(Got(self.path, {name.lower(): value for name, value in self.headers.items()}, body))
                if callable(ours.behave):
                    ours.behave(self)
                    return
                self.send_response(ours.behave)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        class Quiet(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                pass

        self._server = Quiet(("127.0.0.1", 0), Answering)
        self.port = self._server.server_port
        self.url = f"http://127.0.0.1:{self.port}/changes?key=s3cret"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def changes(self) -> list[str]:
        """Positions of the received changes, in order."""
        return [one.change for one in self.got]

    def stop(self) -> None:
        """Refuses connections from now on."""
        self.let_go.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    # Ways to behave

    def hang(self, _handler: Handler) -> None:
        """Answers nothing until released."""
        self.let_go.wait(60)

    def endless(self, handler: Handler) -> None:
        """A body without an end."""
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\n\r\n")
        while not self.let_go.is_set():
            handler.wfile.write(b"x" * 65536)

    def drip(self, handler: Handler) -> None:
        """A header without an end, byte by byte."""
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
        while not self.let_go.wait(0.05):
            handler.wfile.write(b"x")
            handler.wfile.flush()

    @staticmethod
    def cut(handler: Handler) -> None:
        """Closes without an answer."""
        handler.connection.close()

    @staticmethod
    def garbage(handler: Handler) -> None:
        """No HTTP."""
        handler.wfile.write(b"220 mail.example.org ready\r\n\r\n")
        handler.connection.close()

    @staticmethod
    def elsewhere(handler: Handler) -> None:
        """Redirects."""
        handler.send_response(302)
        handler.send_header("Location", f"http://127.0.0.1:{handler.server.server_address[1]}/elsewhere")
        handler.end_headers()


def add(shop: Shop, url: str, *kinds: str) -> Any:
    """A webhook."""
    return shop.post("admin", "/webhooks", {"url": url, "kinds": list(kinds)})


def go(sender: Sender) -> None:
    """One complete round."""
    with connected():
        sender.round()
    sender.wait()


def messages() -> list[Any]:
    """The messages stored for a repeat."""
    with connected():
        return list(WebhookMessage.select().order_by(WebhookMessage.id))


def signed_by(secret: str, got: Got) -> bool:
    """Whether a message has the signature that its receiver computes from the specification alone."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    content = ".".join([got.headers["webhook-id"], got.headers["webhook-timestamp"], got.body.decode()])
    wanted = base64.b64encode(hmac.digest(key, content.encode(), hashlib.sha256)).decode()
    return got.headers["webhook-signature"] == f"v1,{wanted}"


def some_changes(shop: Shop) -> tuple[list[str], str]:
    """Loads two spools of a released lot, and blocks it: five changes in three entries."""
    delivery = shop.good_lot(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    start = latest(shop)
    for number in range(2):
        shop.load(delivery["spools"][number]["code"], machine=f"P{number}")
    shop.decide(delivery["lot_id"], "block")
    return [change["id"] for change in followed(shop, after=start)], start
