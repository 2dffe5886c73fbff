"""A webhook receiver that records messages, checks signatures, and refuses some first attempts."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

# Every so manieth message is refused once.
REFUSED_EVERY = 40


class Receiver:
    """A web server on this machine. `secret` is set after the webhook was added; when `well` it refuses nothing that is signed."""

    def __init__(self) -> None:
        self.secret, self.well = "", False
        self.came: dict[str, int] = {}
        self.forged = 0
        self._refused: set[str] = set()
        self._lock = threading.Lock()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        """The address of messages."""
        return f"http://127.0.0.1:{self._server.server_address[1]}/changes"

    def take(self, headers: Any, body: bytes) -> int:
        """Records a message and returns the status of the answer."""
        signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
        key = base64.b64decode(self.secret.removeprefix("whsec_"))
        right = "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
        whole = len(body) == int(headers["Content-Length"])
        with self._lock:
            if not whole:  # its sender was killed
                return 400
            if right not in headers["webhook-signature"].split():
                self.forged += 1
                return 401
            message = json.loads(body)
            number = str(message["data"]["id"])
            due = not self.well and len(self._refused) * REFUSED_EVERY < len(self.came)
            if due and number not in self.came and number not in self._refused:
                self._refused.add(number)
                return 500
            self.came[number] = self.came.get(number, 0) + 1
        return 204

    def missing(self, wanted: list[str], patience_s: float) -> list[str]:
        """Changes that did not arrive within some time without refusals."""
        self.well = True
        until = time.monotonic() + patience_s
        while (left := [number for number in wanted if number not in self.came]) and time.monotonic() < until:
            time.sleep(0.2)
        return left

    def close(self) -> None:
        """Stops listening."""
        self._server.shutdown()
        self._server.server_close()

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                self.send_response(receiver.take(self.headers, body))
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Logs nothing."""

        return Handler
