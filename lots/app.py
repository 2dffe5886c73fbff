"""The application factory: the one place that sees everything."""

from __future__ import annotations

import threading
from collections.abc import Callable
from importlib import resources
from typing import Any

import flask_smorest
from flask import Flask, Response, request, send_from_directory

from lots import __version__
from lots.api.assessment import concessions, decisions, reinspections, visual_trials
from lots.api.documents import events, lot_pictures, lot_record, nonconformity_report
from lots.api.drift import baselines, drift
from lots.api.files import imports
from lots.api.http import authentication, errors, logs, metrics, routes, throttle
from lots.api.instruments import calibration_checks, references, studies
from lots.api.production import dryings, loads, matching, spools, tab_checks, tracing
from lots.api.purchasing import comparison, corrective_actions
from lots.api.readings import build_doubts, readings, replicates, voids
from lots.api.receiving import delivery_corrections, inspection, labels, lots_and_deliveries, samples
from lots.api.setup import (
    color_differences,
    decision_risk,
    directory,
    grades,
    names,
    own_account,
    shades,
    suppliers,
    test_prints,
)
from lots.pages.all_pages import pages
from lots.settings import Settings, load_settings
from lots.store import row_counts
from lots.store.engine import database
from lots.store.upkeep import schema

ROUTES = (
    delivery_corrections.routes,
    lots_and_deliveries.routes,
    readings.routes,
    voids.routes,
    build_doubts.routes,
    replicates.routes,
    samples.routes,
    decisions.routes,
    reinspections.routes,
    loads.routes,
    names.routes,
    spools.routes,
    dryings.routes,
    labels.routes,
    tracing.routes,
    matching.routes,
    tab_checks.routes,
    suppliers.routes,
    shades.routes,
    grades.routes,
    visual_trials.routes,
    calibration_checks.routes,
    studies.routes,
    references.routes,
    concessions.routes,
    inspection.routes,
    decision_risk.routes,
    events.routes,
    color_differences.routes,
    directory.routes,
    test_prints.routes,
    own_account.routes,
    imports.routes,
    drift.routes,
    baselines.routes,
    corrective_actions.routes,
    nonconformity_report.routes,
    lot_record.routes,
    comparison.routes,
    lot_pictures.routes,
)

# The longest that PostgreSQL works on one statement of a request, s: whoever asked has given up by then.
_STATEMENT_S = 30
# Characters of path and query together.
_LONGEST_ADDRESS = 16_000

_ABOUT = """Filament lots: measured against what was approved, blocked when out, traced when loaded.

A lot is not good or bad; it is good for a use. **A released lot never means a safe part**: the verdict is about a material
in test bars and plaques. Parts that carry load, flex, lift or protect people need their own tests, local codes and the judgement of
a licensed or competent engineer."""


class Api(flask_smorest.Api):  # type: ignore[misc]  # flask-smorest ships no types
    """The API with problem documents (RFC 9457) as its error bodies; its document is written when somebody first asks for it."""

    ERROR_SCHEMA = errors.ProblemSchema

    def __init__(self, app: Flask) -> None:
        # Writing the document takes a good part of the time that starting would take.
        self._unwritten: list[Callable[[], None]] = []
        self._writing = threading.Lock()
        super().__init__(app)

    def document_later(self, write: Callable[[], None]) -> None:
        """Keeps a part of the document to be written with the rest."""
        self._unwritten.append(write)

    def _openapi_json(self) -> Response:
        with self._writing:
            while self._unwritten:
                self._unwritten.pop(0)()
        return super()._openapi_json()  # type: ignore[no-any-return]  # the same

    def _register_responses(self) -> None:
        self.DEFAULT_RESPONSE_CONTENT_TYPE = "application/problem+json"
        super()._register_responses()
        del self.DEFAULT_RESPONSE_CONTENT_TYPE

    def _register_error_handlers(self) -> None:
        errors.register(self._app)


class Application(Flask):
    """A Flask application all of whose functions are plain ones, so that none needs to be looked at, at each call, for being asynchronous."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """Returns the function as it is."""
        return func


def create_app(settings: Settings | None = None) -> Flask:
    """Returns the WSGI application on the database that `settings` name; an empty one gets its tables.

    Raises:
        lots.settings.BadSettings: a setting cannot be used.
        lots.store.upkeep.schema.WrongSchema: the database was made by another version.
        lots.store.engine.database.Unavailable: the database cannot be reached.
    """
    chosen = settings or load_settings()
    logs.set_up(chosen.log, chosen.log_level)
    prepare_database(chosen.database, _STATEMENT_S)
    app = Application("lots", static_folder=None)
    app.json.sort_keys = False  # type: ignore[attr-defined]  # of the default provider
    app.config.update(
        API_TITLE="Filament lots",
        API_VERSION=__version__,
        OPENAPI_VERSION="3.1.0",
        OPENAPI_URL_PREFIX="/v1",
        MAX_CONTENT_LENGTH=chosen.max_body_bytes,
        MAX_FORM_MEMORY_SIZE=chosen.max_body_bytes,
        PROPAGATE_EXCEPTIONS=False,
        API_SPEC_OPTIONS={"security": [{"token": []}], "info": {"description": _ABOUT}, "servers": [{"url": "/"}]},
    )
    logs.register(app)
    throttle.register(app)
    metrics.register(app, row_counts.lots_by_standing, row_counts.newest_decision, to_all=chosen.metrics_open)
    app.before_request(_refuse_long_address)
    app.before_request(_connect)
    app.teardown_request(_disconnect)
    authentication.register(app)
    api = Api(app)
    api.spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
    for one in ROUTES:
        api.register_blueprint(one)
    app.register_blueprint(nonconformity_report.pages)
    app.register_blueprint(pages)
    app.register_error_handler(routes.Refused, lambda refused: refused.answer)
    app.register_error_handler(
        database.EngineTrouble, lambda error: errors.unavailable(database.trouble(error) or error)
    )
    _serve_health(app)
    _serve_docs(app)
    return app


def prepare_database(url: str, statement_s: float | None = None) -> None:
    """Points the program at a database and gives an empty one its tables. See `database.open_database`."""
    database.open_database(url, statement_s)
    database.connect()
    try:
        schema.ensure_schema()
    finally:
        database.disconnect()


def _refuse_long_address() -> Response | None:
    """Refuses an address longer than any that is used. RFC 9110, 4.1, asks for at least 8,000 octets."""
    if len(request.path) + len(request.query_string) > _LONGEST_ADDRESS:
        return errors.http_problem(414, f"At most {_LONGEST_ADDRESS:,} characters of path and query are taken.")
    return None


def _connect() -> None:
    if request.path != "/healthz":
        database.connect()


def _disconnect(_error: BaseException | None) -> None:
    database.disconnect()


def _serve_health(app: Flask) -> None:
    @app.get("/healthz")
    def healthz() -> dict[str, str]:
        return {"status": "alive"}

    @app.get("/readyz")
    def readyz() -> Any:
        if not database.alive():
            return errors.http_problem(503, headers=[("Retry-After", "2")])
        return {"status": "ready"}


def _serve_docs(app: Flask) -> None:
    import flask_swagger_ui

    assets = str(resources.files(flask_swagger_ui) / "dist")

    @app.get("/docs")
    def docs() -> Response:
        return Response(_DOCS_PAGE, mimetype="text/html")

    @app.get("/docs/<path:name>")
    def docs_asset(name: str) -> Response:
        if name == "start.js":
            return Response(_DOCS_START, mimetype="text/javascript")
        return send_from_directory(assets, name)


_DOCS_PAGE = """<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Filament lots: the API</title>
<link rel="stylesheet" href="/docs/swagger-ui.css"></head>
<body><div id="docs"><noscript>This page draws /v1/openapi.json with a script.</noscript></div>
<script src="/docs/swagger-ui-bundle.js"></script><script src="/docs/start.js"></script></body>
</html>
"""
_DOCS_START = """SwaggerUIBundle({url: "/v1/openapi.json", dom_id: "#docs", deepLinking: true, validatorUrl: null});
"""
