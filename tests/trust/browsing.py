"""A browser without a window: keeps cookies, and sends forms with their hidden fields."""

from __future__ import annotations

import http.client
import re
from http.cookies import SimpleCookie
from urllib.parse import urlencode

_HIDDEN = re.compile(r'<input[^>]*type="hidden"[^>]*>')


class Browser:
    """One person at the pages of a server."""

    def __init__(self, port: int) -> None:
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        self.cookies: dict[str, str] = {}
        self.text = ""

    def get(self, path: str) -> int:
        """Requests a page and returns its status, without following redirects."""
        return self._ask("GET", path, None)

    def sign_in(self, token: str) -> None:
        """Signs in with a token.

        Raises:
            AssertionError: the token was not taken.
        """
        self.get("/sign-in")
        status = self._ask("POST", "/sign-in", {**self._hidden(), "token": token})
        if status not in (302, 303):
            raise AssertionError(f"signing in answered {status}")

    def close(self) -> None:
        """Closes the connection without a sign-out."""
        self.line.close()

    def _hidden(self) -> dict[str, str]:
        found = {}
        for field in _HIDDEN.findall(self.text):
            said = dict(re.findall(r'(name|value)="([^"]*)"', field))
            found[said["name"]] = said.get("value", "")
        return found

    def _ask(self, method: str, path: str, form: dict[str, str] | None) -> int:
        headers = {"Accept": "text/html", "Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())}
        if form is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        self.line.request(method, path, None if form is None else urlencode(form), headers)
        answer = self.line.getresponse()
        self.text = answer.read().decode()
        for header in answer.headers.get_all("Set-Cookie") or []:
            self.cookies |= {name: morsel.value for name, morsel in SimpleCookie(header).items()}
        return answer.status
