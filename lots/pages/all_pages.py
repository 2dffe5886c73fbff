"""All pages, put together: importing a file of pages hangs its pages on the blueprint."""

from __future__ import annotations

from lots.pages.assessment import (
    build_doubts,
    concessions,
    decisions,
    exclusions,
    inspections,
    lot_actions,
    quality,
    reassessing,
    visual_trials,
)
from lots.pages.instruments import checks, copies, studies
from lots.pages.lots import lots, papers
from lots.pages.production import check, tab_checks
from lots.pages.purchasing import corrective_actions, suppliers
from lots.pages.readings import bench, bench_file, voids
from lots.pages.receiving import corrections, deliveries, printed_labels
from lots.pages.setup import grades
from lots.pages.site import place, red_bar, results, signing_in
from lots.pages.site.frame import pages

__all__ = [
    "bench",
    "bench_file",
    "build_doubts",
    "check",
    "checks",
    "concessions",
    "copies",
    "corrections",
    "corrective_actions",
    "decisions",
    "deliveries",
    "exclusions",
    "grades",
    "inspections",
    "lot_actions",
    "lots",
    "pages",
    "papers",
    "place",
    "printed_labels",
    "quality",
    "reassessing",
    "red_bar",
    "results",
    "signing_in",
    "studies",
    "suppliers",
    "tab_checks",
    "visual_trials",
    "voids",
]
