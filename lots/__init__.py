"""Filament lots: measure each delivery against approved limits, block nonconforming lots, and trace every spool.

A map of the package, from the outside in:

- `cli.py` the `lots` command; `commands/` its larger parts;
- `server.py` starts the HTTP server; `serving/` holds its deadlines, limits and framing;
- `demo.py` the demo shop and its story; `settings.py` the settings;
- `app.py` the application factory, the only module that imports every package; `wsgi.py` and `gunicorn_conf.py` serve it with several workers;
- `api/` the HTTP API: schemas beside resources; `pages/` the pages for a browser;
- `services/` the use cases; each function owns its transaction;
- `store/` all database access;
- `domain/` the rules as pure functions: readings and limits in, findings and clearances out.

Each package has folders of the same names, one per subject. Imports go from the outside in: `api, pages -> services -> store, domain`.
Each characteristic is declared once in `domain/characteristics/`. Start reading at `domain/assessment/assessment.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from lots.settings import Settings

__version__ = "0.1.0"


def create_app(settings: Settings | None = None) -> Flask:
    """Returns the WSGI application; see `lots.app.create_app`."""
    from lots.app import create_app as build

    return build(settings)
