"""The OpenAPI document and the page that draws it: written once, compressed once, and not sent again to a client that has them."""

from __future__ import annotations

import gzip
import hashlib
import threading
from collections.abc import Callable
from functools import cache
from importlib import resources

import flask_smorest
from flask import Flask, Response, abort, current_app, request

from lots.api.http import errors
from lots.api.http.operation_docs import header_components, refusal_components

_ABOUT = """Filament lots: measured against what was approved, blocked when out, traced when loaded.

A lot is not good or bad; it is good for a use. **A released lot never means a safe part**: the verdict is about a material
in test bars and plaques. Parts that carry load, flex, lift or protect people need their own tests, local codes and the judgement of
a licensed or competent engineer.

Every GET carries an `ETag`. A GET with that ETag in `If-None-Match` answers 304 while nothing has changed. Units stand in the names of
fields. Times are RFC 3339 with an offset. Refusals are problem documents (RFC 9457)."""

SETTINGS = {
    "API_TITLE": "Filament lots",
    "OPENAPI_VERSION": "3.1.0",
    "OPENAPI_URL_PREFIX": "/v1",
    "API_SPEC_OPTIONS": {"security": [{"token": []}], "info": {"description": _ABOUT}},
}

# Path prefixes that the document is kept for. More than one only where several proxies lead here.
_PREFIXES = 4


class StaticText:
    """A text that is the same for everybody, as it is and compressed with gzip.

    It holds no secret and repeats nothing of a request. So its length tells nothing, and it may be compressed (BREACH, CVE-2013-3587).
    """

    def __init__(self, text: bytes, mimetype: str) -> None:
        self._plain, self._packed, self._mimetype = text, gzip.compress(text, mtime=0), mimetype
        self._tag = hashlib.sha256(text).hexdigest()[:32]

    def answer(self) -> Response:
        """Returns the text as the request asks for it: compressed or plain, or 304 where the client has it (RFC 9110, 8.8.3 and 13.1.2)."""
        packed = request.accept_encodings.quality("gzip") > 0
        response = Response(self._packed if packed else self._plain, mimetype=self._mimetype)
        response.vary.add("Accept-Encoding")
        response.headers["Cache-Control"] = "public, no-cache"
        if packed:
            response.content_encoding = "gzip"
        # Two encodings are two representations, so each has a strong ETag of its own.
        response.set_etag(f"{self._tag}-gzip" if packed else self._tag)
        response.make_conditional(request)
        return response


class Api(flask_smorest.Api):  # type: ignore[misc]  # flask-smorest ships no types
    """The API with problem documents (RFC 9457) as its error bodies; its document is written when somebody first asks for it."""

    ERROR_SCHEMA = errors.ProblemSchema

    def __init__(self, app: Flask) -> None:
        # Writing the document takes a good part of the time that starting would take.
        self._unwritten: list[Callable[[], None]] = []
        self._written: dict[str, StaticText] = {}
        self._writing = threading.Lock()
        super().__init__(app)
        self.spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
        for name, header in header_components().items():
            self.spec.components.header(name, header)

    def document_later(self, write: Callable[[], None]) -> None:
        """Keeps a part of the document to be written with the rest."""
        self._unwritten.append(write)

    def _openapi_json(self) -> Response:
        prefix = request.script_root
        with self._writing:
            while self._unwritten:
                self._unwritten.pop(0)()
            if prefix not in self._written:
                if len(self._written) >= _PREFIXES:
                    self._written.clear()
                self._written[prefix] = self._document(prefix)
            document = self._written[prefix]
        return document.answer()

    def _document(self, prefix: str) -> StaticText:
        """Returns the document whose paths are below a path prefix, "" for none."""
        said = {**self.spec.to_dict(), "servers": [{"url": prefix or "/"}]}
        return StaticText(current_app.json.dumps(said, separators=(",", ":")).encode(), "application/json")

    def _register_responses(self) -> None:
        for name, response in refusal_components(self.ERROR_SCHEMA).items():
            self.spec.components.response(name, response, lazy=True)

    def _register_pagination_header(self) -> None:
        """Registers nothing: pages are linked by the header Link."""

    def _register_etag_headers(self) -> None:
        """Registers nothing: the ETag is among the headers of this API."""

    def _register_error_handlers(self) -> None:
        errors.register(self._app)


def serve_docs(app: Flask) -> None:
    """Serves the page for people at /docs, with everything that it loads."""

    @app.get("/docs")
    def docs() -> Response:
        return _asset("").answer()

    @app.get("/docs/<path:name>")
    def docs_asset(name: str) -> Response:
        if name not in _MIMETYPES:
            abort(404)
        return _asset(name).answer()


# What the page loads. No other file of the library is served.
_MIMETYPES = {
    "start.js": "text/javascript",
    "swagger-ui-bundle.js": "text/javascript",
    "swagger-ui.css": "text/css",
}


@cache  # the page and each of its files
def _asset(name: str) -> StaticText:
    if not name:
        return StaticText(_PAGE.encode(), "text/html")
    if name == "start.js":
        return StaticText(_START.encode(), _MIMETYPES[name])
    import flask_swagger_ui

    return StaticText((resources.files(flask_swagger_ui) / "dist" / name).read_bytes(), _MIMETYPES[name])


# Addresses are relative, so that the page works below a path prefix as well.
_PAGE = """<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Filament lots: the API</title>
<link rel="stylesheet" href="docs/swagger-ui.css"></head>
<body><div id="docs"><noscript>This page needs a script to draw the <a href="v1/openapi.json">document</a>.</noscript></div>
<script src="docs/swagger-ui-bundle.js"></script><script src="docs/start.js"></script></body>
</html>
"""
_START = """SwaggerUIBundle({url: "v1/openapi.json", dom_id: "#docs", deepLinking: true, validatorUrl: null});
"""
