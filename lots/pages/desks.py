"""All pages, put together: importing a desk's file hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages import production
from lots.pages.frame import pages

__all__ = ["pages", "production"]
