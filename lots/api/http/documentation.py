"""The flask-smorest API, with its OpenAPI document and its error handlers."""

from __future__ import annotations

import threading
from collections.abc import Callable

import flask_smorest
from flask import Flask, Response, current_app, request

from lots.api.http import errors
from lots.api.http.openapi.docs_page import StaticText
from lots.api.http.openapi.operations import header_components, refusal_components

_ABOUT = """Filament lots in a contract 3D-print shop are measured against approved limits, blocked if they fail, and traced to machines and jobs.

A lot is accepted or rejected for each use. **A released lot does not mean a safe part.** The verdict covers the material, measured on
test specimens and plaques. Parts that carry load, flex, lift or protect people need their own tests. They also need the judgement of a
licensed or competent engineer, and local codes apply.

Every GET carries an `ETag`. A GET with that ETag in `If-None-Match` answers 304 if nothing has changed. Field names contain the units.
Times are RFC 3339 with an offset. Errors are problem documents (RFC 9457). Guides for each desk are at [/guide](guide)."""

SETTINGS = {
    "API_TITLE": "Filament lots",
    "OPENAPI_VERSION": "3.1.0",
    "OPENAPI_URL_PREFIX": "/v1",
    "API_SPEC_OPTIONS": {"security": [{"token": []}], "info": {"description": _ABOUT}},
}

# Maximum number of cached documents, one per path prefix of a proxy.
_PREFIXES = 4


class Api(flask_smorest.Api):  # type: ignore[misc]  # flask-smorest ships no types
    """The API, with problem documents (RFC 9457) as errors. Its OpenAPI document is built at the first request."""

    ERROR_SCHEMA = errors.ProblemSchema

    def __init__(self, app: Flask) -> None:
        # Building the document would slow down the start.
        self._unwritten: list[Callable[[], None]] = []
        self._written: dict[str, StaticText] = {}
        self._writing = threading.Lock()
        super().__init__(app)
        self.spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
        for name, header in header_components().items():
            self.spec.components.header(name, header)

    def document_later(self, write: Callable[[], None]) -> None:
        """Defers a part of the document until the document is built."""
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
        """Returns the document for a path prefix, "" for none."""
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
