"""Static texts, compressed and cached, and the page for the OpenAPI document."""

from __future__ import annotations

import gzip
import hashlib
from functools import cache
from importlib import resources

from flask import Flask, Response, abort, request


class StaticText:
    """A static text, plain and compressed with gzip. It contains no secret, so compression reveals nothing (BREACH, CVE-2013-3587)."""

    def __init__(self, text: bytes, mimetype: str) -> None:
        self._plain, self._packed, self._mimetype = text, gzip.compress(text, mtime=0), mimetype
        self._tag = hashlib.sha256(text).hexdigest()[:32]

    def answer(self) -> Response:
        """Returns the text compressed or plain, or 304 if the client has it (RFC 9110, 8.8.3 and 13.1.2)."""
        packed = request.accept_encodings.quality("gzip") > 0
        response = Response(self._packed if packed else self._plain, mimetype=self._mimetype)
        response.vary.add("Accept-Encoding")
        response.headers["Cache-Control"] = "public, no-cache"
        if packed:
            response.content_encoding = "gzip"
        # Each encoding is a representation of its own, with its own strong ETag.
        response.set_etag(f"{self._tag}-gzip" if packed else self._tag)
        response.make_conditional(request)
        return response


def serve_docs(app: Flask) -> None:
    """Serves the page at /docs, with its files."""

    @app.get("/docs")
    def docs() -> Response:
        return _asset("").answer()

    @app.get("/docs/<path:name>")
    def docs_asset(name: str) -> Response:
        if name not in _MIMETYPES:
            abort(404)
        return _asset(name).answer()


# Files that the page loads. Other files of the library are not served.
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


# Relative addresses also work below a path prefix.
_PAGE = """<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Filament lots: the API</title>
<link rel="stylesheet" href="docs/swagger-ui.css"></head>
<body><div id="docs"><noscript>This page needs JavaScript to show the <a href="v1/openapi.json">OpenAPI document</a>.</noscript></div>
<script src="docs/swagger-ui-bundle.js"></script><script src="docs/start.js"></script></body>
</html>
"""
_START = """SwaggerUIBundle({url: "v1/openapi.json", dom_id: "#docs", deepLinking: true, validatorUrl: null});
"""
