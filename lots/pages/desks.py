"""All pages, put together: importing a desk's file hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages import lots, production, purchasing, quality
from lots.pages.frame import pages

__all__ = ["lots", "pages", "production", "purchasing", "quality"]
