"""Filament lots: measure each delivery against what was approved, block what is out, know where it went.

A map of the package, from the outside in:

- `cli.py` the `lots` command, `import_command.py` its import; `demo.py` the demo shop and its story; `settings.py` what can be set;
- `app.py` the application factory, the one place that sees everything;
- `api/` HTTP: one folder per subject, schemas and resources beside each other; `pages/` what people see in a browser;
- `services/` what people do, one folder per subject; each function owns its transaction;
- `store/` the only code that knows tables;
- `domain/` the rules, pure: readings and limits in, findings and clearances out.

An import goes from the outside in, never back: `api, pages -> services -> store, domain`. Start reading at `domain/assessment/acceptance.py`.
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
