"""Filament lots: measure each delivery against what was approved, block what is out, know where it went.

A map of the package, from the outside in:

- `cli.py` the `lots` command; `commands/` its larger parts;
- `server.py` the application behind its HTTP server, whose deadlines, bounds and framing are in `serving/`;
- `demo.py` the demo shop and its story; `settings.py` the settings;
- `app.py` the application factory, the one place that sees everything; `wsgi.py` and `gunicorn_conf.py` serve it with several workers;
- `api/` HTTP: schemas and resources beside each other; `pages/` the pages for a browser;
- `services/` what people do; each function owns its transaction;
- `store/` the only code that knows tables;
- `domain/` the rules, pure: readings and limits in, findings and clearances out.

Each room has folders of the same names, one per subject. An import goes from the outside in: `api, pages -> services -> store, domain`.
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
