"""All pages, put together: importing a file of pages hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages.assessment import quality
from lots.pages.lots import lists, lots, papers
from lots.pages.production import check, tab_checks
from lots.pages.purchasing import suppliers
from lots.pages.readings import bench, bench_file, voids
from lots.pages.receiving import corrections, deliveries, printed_labels
from lots.pages.setup import grades
from lots.pages.site import home, place, red_bar, search, signing_in
from lots.pages.site.frame import pages

__all__ = [
    "bench",
    "bench_file",
    "check",
    "corrections",
    "deliveries",
    "grades",
    "home",
    "lists",
    "lots",
    "pages",
    "papers",
    "place",
    "printed_labels",
    "quality",
    "red_bar",
    "search",
    "signing_in",
    "suppliers",
    "tab_checks",
    "voids",
]
