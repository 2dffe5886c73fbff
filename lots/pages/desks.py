"""All pages, put together: importing a desk's file hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages import (
    bench,
    bench_file,
    corrections,
    grades,
    lots,
    papers,
    production,
    purchasing,
    quality,
    receiving,
    tabs,
    voids,
)
from lots.pages.frame import pages

__all__ = [
    "bench",
    "bench_file",
    "corrections",
    "grades",
    "lots",
    "pages",
    "papers",
    "production",
    "purchasing",
    "quality",
    "receiving",
    "tabs",
    "voids",
]
