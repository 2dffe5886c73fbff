"""The API as flask-smorest knows it: its OpenAPI document, written and compressed once, and its errors."""

from __future__ import annotations

import threading
from collections.abc import Callable

import flask_smorest
from flask import Flask, Response, current_app, request

from lots.api.http import errors
from lots.api.http.openapi.docs_page import StaticText
from lots.api.http.openapi.operations import header_components, refusal_components

_ABOUT = """Filament lots: measured against what was approved, blocked when out, traced when loaded.

A lot is not good or bad; it is good for a use. **A released lot never means a safe part**: the verdict is about a material
in test bars and plaques. Parts that carry load, flex, lift or protect people need their own tests, local codes and the judgement of
a licensed or competent engineer.

Every GET carries an `ETag`. A GET with that ETag in `If-None-Match` answers 304 while nothing has changed. Units stand in the names of
fields. Times are RFC 3339 with an offset. Refusals are problem documents (RFC 9457). Guides for each desk are at [/guide](guide)."""

SETTINGS = {
    "API_TITLE": "Filament lots",
    "OPENAPI_VERSION": "3.1.0",
    "OPENAPI_URL_PREFIX": "/v1",
    "API_SPEC_OPTIONS": {"security": [{"token": []}], "info": {"description": _ABOUT}},
}

# Path prefixes that the document is kept for. More than one only where several proxies lead here.
_PREFIXES = 4


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
