"""All pages, put together: importing a file of pages hangs its pages on the blueprint."""

from __future__ import annotations

from importlib import import_module
from pkgutil import walk_packages

import lots.pages
from lots.pages.site.frame import pages

for _found in walk_packages(lots.pages.__path__, "lots.pages."):
    import_module(_found.name)

__all__ = ["pages"]
