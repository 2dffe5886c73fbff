"""The blueprint with all pages. Importing a module of pages adds them to it."""

from __future__ import annotations

from importlib import import_module
from pkgutil import walk_packages

import lots.pages
from lots.pages.site.frame import pages

for _found in walk_packages(lots.pages.__path__, "lots.pages."):
    import_module(_found.name)

__all__ = ["pages"]
