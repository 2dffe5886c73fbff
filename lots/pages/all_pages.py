"""All pages, put together: importing a file of pages hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages.assessment import quality
from lots.pages.lots import lots, papers
from lots.pages.production import check, containments, jobs, loaded, picks, respool, spools, tab_checks
from lots.pages.purchasing import suppliers
from lots.pages.readings import bench, bench_file, voids
from lots.pages.receiving import corrections, deliveries, printed_labels
from lots.pages.setup import grades
from lots.pages.site import place, red_bar, signing_in
from lots.pages.site.frame import pages

__all__ = [
    "bench",
    "bench_file",
    "check",
    "containments",
    "corrections",
    "deliveries",
    "grades",
    "jobs",
    "loaded",
    "lots",
    "pages",
    "papers",
    "picks",
    "place",
    "printed_labels",
    "quality",
    "red_bar",
    "respool",
    "signing_in",
    "spools",
    "suppliers",
    "tab_checks",
    "voids",
]
