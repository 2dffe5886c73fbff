"""Requests of a hostile client: any bytes in paths, queries, headers, cookies and forms, given to the application as by a server."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html.parser import HTMLParser
from typing import Any
from urllib.parse import quote_from_bytes

from flask import Flask
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from werkzeug.test import create_environ, run_wsgi_app
from werkzeug.wrappers import Response

# Would be an element, an attribute or a script if an answer repeated it as it came.
MARK = "<zq onzq=\"zq\" x='zq'>"
_NAMED = [
    MARK,
    "\"zq=' <zq>&zq;",
    "",
    " ",
    "\t",
    "\n",
    "\r\nSet-Cookie: zq=1",
    "\x00",
    "a\x00b",
    "\x07",
    "\x1b[31m",
    "\x7f",
    "\x85",
    "\u2028",
    "\u200b",
    "\u202egnp",
    "é",
    "ﷺ",
    "\U0001f600",
    "İ",
    "ß",
    "-1",
    "0",
    "1e999",
    "NaN",
    "١",
    "²",
    "9" * 30,
    "9" * 5000,
    "1,75",
    "../..",
    "..",
    "%",
    "%00",
    "%zz",
    "{{7*7}}",
    "' OR '1'='1",
    "\\",
    "//evil.example",
    "x" * 3000,
    "2026-02-30",
    "0001-01-01",
    "9999-12-31",
    "2026-11-25T12:00:00Z",
    "[",
    '{"a":',
]
# No UTF-8: half of a surrogate pair as three bytes, a cut-off letter, an overlong slash, latin-1.
_BYTES = [b"\xed\xa0\x80", b"\xc3", b"\xc0\xaf", b"\xff\xfe", b"caf\xe9"]
ODD = (
    st.sampled_from([*(text.encode() for text in _NAMED), *_BYTES])
    | st.text(max_size=12).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | st.binary(max_size=12)
)
# Characters that end a header, which no server passes on.
IN_HEADER = ODD.map(lambda raw: raw.replace(b"\r", b"").replace(b"\n", b""))
NAMES_OF_HEADERS = (
    *(
        "Accept",
        "Accept-Encoding",
        "Accept-Language",
        "Authorization",
        "Content-Type",
        "Cookie",
        "Host",
        "Idempotency-Key",
    ),
    *("If-Match", "If-Modified-Since", "If-None-Match", "If-Range", "Origin", "Range", "Referer", "User-Agent"),
    *("X-Forwarded-For", "X-Request-Id"),
)
_FORMS = {
    "Accept": (b"text/html;q=%s", b"%s/%s", b"text/html, %s"),
    "Authorization": (b"Bearer %s", b"Basic %s", b"Digest username=%s", b"%s"),
    "Content-Type": (b"application/json; charset=%s", b"multipart/form-data; boundary=%s", b"%s/%s"),
    "Cookie": (b"lots_session=%s", b"lots_sign_in=%s", b"lots_token=%s", b"%s=%s", b'lots_session="%s'),
    "If-Match": (b'"%s"', b"W/%s", b"%s"),
    "If-None-Match": (b'"%s"', b"W/%s", b"%s"),
    "Range": (b"bytes=%s-", b"bytes=0-%s", b"%s=0-1"),
}


@st.composite
def headers(draw: st.DrawFn, names: tuple[str, ...] = NAMES_OF_HEADERS) -> dict[str, bytes]:
    """Up to three odd headers."""
    made = {}
    for name in draw(st.lists(st.sampled_from(names), max_size=3, unique=True)):
        form = draw(st.sampled_from(_FORMS.get(name, (b"%s",))))
        made[name] = form.replace(b"%s", draw(IN_HEADER))
    return made


def urlencoded(fields: Mapping[str, bytes]) -> bytes:
    """The fields as a query or a form sends them."""
    return "&".join(f"{name}={quote_from_bytes(value)}" for name, value in fields.items()).encode()


def multipart(fields: Mapping[str, bytes], files: Mapping[str, bytes]) -> bytes:
    """The fields and files as a form with files sends them, with `b` between them."""
    parts = [b'Content-Disposition: form-data; name="%s"\r\n\r\n%s' % (n.encode(), v) for n, v in fields.items()]
    parts += [
        b'Content-Disposition: form-data; name="%s"; filename="%s"\r\n\r\nzq' % (n.encode(), v)
        for n, v in files.items()
    ]
    return b"".join(b"--b\r\n%s\r\n" % part for part in parts) + b"--b--\r\n"


def send(
    app: Flask,
    method: str,
    path: bytes,
    query: bytes = b"",
    sent: Mapping[str, bytes] | None = None,
    body: bytes = b"",
) -> Response:
    """The application's answer. A server passes bytes as latin-1 text, the path with its percent signs decoded (PEP 3333)."""
    environ: dict[str, Any] = create_environ("/", method=method, data=body)
    environ["PATH_INFO"] = path.decode("latin-1")
    environ["QUERY_STRING"] = query.decode("latin-1")
    for name, value in (sent or {}).items():
        key = name.upper().replace("-", "_")
        environ[key if key == "CONTENT_TYPE" else f"HTTP_{key}"] = value.decode("latin-1")
    pieces, status, answered = run_wsgi_app(app, environ, buffered=True)
    return Response(b"".join(pieces), status, answered)


class _Balance(HTMLParser):
    """Finds elements that are not closed in the order of opening."""

    EMPTY = frozenset(
        ("area", "base", "br", "col", "hr", "img", "input", "link", "meta", "source", "path", "rect", "line", "circle")
    )

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.EMPTY:
            self.open.append(tag)
        if "zq" in tag or any("zq" in name for name, _ in attrs):
            self.wrong.append(f"<{tag}> came from the request")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        if tag in self.EMPTY:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"</{tag}> closes nothing")


def wrong_with(answer: Response) -> list[str]:
    """The fault of an answer to a hostile request: an exception, a traceback, broken HTML, or an echo of the request."""
    found = [f"status {answer.status_code}"] if answer.status_code >= 500 and answer.status_code != 501 else []
    found += [
        f"header {name}" for name, value in answer.headers if "\n" in value or "\r" in value or name.lower() == "zq"
    ]
    found += ["cookie zq"] if any(value.startswith("zq") for value in answer.headers.getlist("Set-Cookie")) else []
    if answer.mimetype in ("application/pdf", "image/svg+xml", "application/json", "text/csv"):
        return found
    text = answer.get_data().decode("utf-8")
    found += [
        f"{part!r} in the answer" for part in ("Traceback (most recent", 'File "/', "lots/pages/") if part in text
    ]
    # The library words the body of a redirect, which no browser shows.
    if answer.mimetype == "text/html" and "Location" not in answer.headers:
        parser = _Balance()
        parser.feed(text)
        parser.close()
        found += [*parser.wrong, *(f"<{tag}> stays open" for tag in parser.open)]
    return found


def tried(examples: int, ask: Callable[[st.DrawFn], list[str]]) -> list[str]:
    """The faults of the answers to this many requests; `ask` draws and sends one, and returns its fault."""

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(data=st.data())
    def one(data: st.DataObject) -> None:
        found = ask(data.draw)
        assert not found, "; ".join(found)

    try:
        one()
    except (AssertionError, UnicodeDecodeError, BaseExceptionGroup) as error:
        parts = error.exceptions if isinstance(error, BaseExceptionGroup) else (error,)
        return [str(part) for part in parts]
    return []
