"""All pages, put together: importing a file of pages hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages import assessment, documents, grades, lots, production, purchasing, tab_checks
from lots.pages.readings import bench, bench_file, voids
from lots.pages.receiving import corrections, deliveries, printed_labels
from lots.pages.site import red_bar, signing_in
from lots.pages.site.frame import pages

__all__ = [
    "assessment",
    "bench",
    "bench_file",
    "corrections",
    "deliveries",
    "documents",
    "grades",
    "lots",
    "pages",
    "printed_labels",
    "production",
    "purchasing",
    "red_bar",
    "signing_in",
    "tab_checks",
    "voids",
]
