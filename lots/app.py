"""The application factory: the only module that imports every package."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial
from typing import Any, NoReturn

from flask import Flask, Request, Response, request

from lots import __version__
from lots.api.assessment import concessions, decisions, reinspections, visual_trials
from lots.api.documents import changes, events, lot_pictures, lot_record, nonconformity_report, search, webhooks
from lots.api.drift import baselines, drift
from lots.api.files import imports
from lots.api.http import (
    authentication,
    documentation,
    errors,
    health,
    logs,
    metrics,
    proxy,
    routes,
    site_address,
    strict_json,
    throttle,
)
from lots.api.http.openapi import docs_page
from lots.api.instruments import calibration_checks, references, studies
from lots.api.production import dryings, loads, matching, spools, tab_checks, tracing
from lots.api.purchasing import agreement, certificates, comparison, corrective_actions, letters, next_order, stock
from lots.api.readings import build_doubts, readings, replicates, voids
from lots.api.receiving import delivery_corrections, inspection, labels, lots_and_deliveries, samples
from lots.api.setup import (
    color_differences,
    decision_risk,
    directory,
    grades,
    names,
    own_account,
    people,
    shades,
    shop,
    suppliers,
    test_prints,
)
from lots.background import Background, Task
from lots.pages.all_pages import pages
from lots.services.documents.webhook_sending import EVERY_S, Sender
from lots.services.instruments import due_notes
from lots.services.setup import tidying
from lots.settings import BadAddress, Settings, load_settings, unknown_variables
from lots.store import row_counts
from lots.store.engine import database
from lots.store.upkeep import first_start

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
    shop.routes,
    people.routes,
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
    changes.routes,
    webhooks.routes,
    color_differences.routes,
    directory.routes,
    search.routes,
    test_prints.routes,
    own_account.routes,
    imports.routes,
    drift.routes,
    baselines.routes,
    corrective_actions.routes,
    letters.routes,
    nonconformity_report.routes,
    lot_record.routes,
    comparison.routes,
    stock.routes,
    next_order.routes,
    certificates.routes,
    agreement.routes,
    lot_pictures.routes,
)

_log = logging.getLogger(__name__)
# The statement timeout of requests on PostgreSQL, s. Clients have given up by then.
_STATEMENT_S = 30
# Characters of path and query together.
_LONGEST_ADDRESS = 16_000

# The intervals of looking for instruments due, and of deleting expired rows, s.
_DUE_S, _TIDY_S = 60.0, 60.0


class Application(Flask):
    """A Flask application without asynchronous functions, which saves a check at each call."""

    def raise_routing_exception(self, request: Request) -> NoReturn:
        """Raises the routing error, with redirects kept on this server."""
        site_address.inside(request.routing_exception)
        super().raise_routing_exception(request)

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """Returns the function unchanged."""
        return func


def create_app(settings: Settings | None = None, *, new: bool = False) -> Flask:
    """Returns the WSGI application on the database of `settings`. An empty database gets its tables.

    Args:
        settings: from the environment when None.
        new: True creates an empty SQLite database in place of a missing one, and fails if the file exists.

    Raises:
        lots.store.upkeep.database_handles.NotDone: the database of an existing shop is missing, or the file is not a database.
        lots.settings.BadSettings: a setting cannot be used.
        lots.store.upkeep.schema.WrongSchema: the database was made by another version.
        lots.store.engine.database.Unavailable: the database cannot be reached.
    """
    chosen = settings or load_settings()
    logs.set_up(chosen.log, chosen.log_level)
    if settings is None:
        warn_of_unknown_variables()
    prepare_database(chosen.database, _STATEMENT_S, new=new)
    app = Application("lots", static_folder=None)
    app.json = strict_json.Answers(app)
    app.config.update(
        documentation.SETTINGS,
        API_VERSION=__version__,
        MAX_CONTENT_LENGTH=chosen.max_body_bytes,
        MAX_FORM_MEMORY_SIZE=chosen.max_body_bytes,
        PROPAGATE_EXCEPTIONS=False,
    )
    logs.register(app)
    throttle.register(app)
    metrics.register(app, row_counts.lots_by_standing, row_counts.newest_decision, to_all=chosen.metrics_open)
    app.extensions["webhook_networks"] = chosen.allowed_networks
    # The server starts the tasks. Creating the application does not.
    app.extensions["background"] = Background(_tasks(chosen))
    site_address.register(app, chosen.site, chosen.host)
    app.before_request(_refuse_long_address)
    app.before_request(_connect)
    app.teardown_request(_disconnect)
    authentication.register(app)
    api = documentation.Api(app)
    for one in ROUTES:
        api.register_blueprint(one)
    app.register_blueprint(nonconformity_report.pages)
    app.register_blueprint(pages)
    app.register_error_handler(routes.Refused, lambda refused: refused.answer)
    app.register_error_handler(
        database.EngineTrouble, lambda error: errors.unavailable(database.trouble(error) or error)
    )
    _serve_health(app)
    docs_page.serve_docs(app)
    proxy.register(app, chosen.proxy)
    return app


def _tasks(settings: Settings) -> list[Task]:
    """Returns the background tasks of each server process."""
    return [
        Task("note instruments due", _DUE_S, due_notes.note_due),
        Task("tidy", _TIDY_S, partial(tidying.remove_some, settings.repeat_days)),
        Task("send to webhooks", EVERY_S, Sender(settings.allowed_networks).round),
    ]


def warn_of_unknown_variables() -> None:
    """Logs environment variables that begin with LOTS_ but are not settings."""
    for name in unknown_variables():
        _log.warning(
            "%s is set, but no such setting exists. Remove it, or see the administrator's guide (/guide/administration).",
            name,
        )


def prepare_database(url: str, statement_s: float | None = None, *, make: bool = True, new: bool = False) -> None:
    """Opens the database and checks its schema version. See `first_start.prepare`.

    Args:
        url: of the database.
        statement_s: statement timeout, s; see `database.open_database`.
        make: True creates the SQLite file of a first start, and the tables of an empty database.
        new: True also creates an SQLite file in place of a missing one, and fails if the file exists.

    Raises:
        lots.settings.BadAddress: the URL does not name a database.
    """
    try:
        first_start.prepare(url, statement_s, first_start.Wanted(make=make, new=new))
    except ValueError as error:
        raise BadAddress(str(error)) from None


def _refuse_long_address() -> Response | None:
    """Returns 414 for a URI longer than the limit. RFC 9110, 4.1, asks for at least 8,000 octets."""
    if len(request.path) + len(request.query_string) > _LONGEST_ADDRESS:
        return errors.http_problem(414, f"At most {_LONGEST_ADDRESS:,} characters of path and query are taken.")
    return None


def _connect() -> None:
    if request.path != health.PATH:
        database.connect()


def _disconnect(_error: BaseException | None) -> None:
    database.disconnect()


def _serve_health(app: Flask) -> None:
    health.register(app, __version__)

    @app.get("/readyz")
    def readyz() -> Any:
        database.require_ready()
        return {"status": "ready"}
