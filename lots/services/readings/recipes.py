"""Recipes and builds that readings of prints cite: each recipe exists and is kept with its revision, each build has its printer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.services.errors import Fault
from lots.services.readings.sent import SentReading
from lots.services.setup import test_prints


def cited(items: Sequence[SentReading], *, as_list: bool) -> tuple[list[SentReading], list[Fault]]:
    """Returns readings with the revision of each recipe that they cite, and the faults of those that cite none there is.

    No query where no recipe is cited, one otherwise, two with a fault.

    Args:
        items: readings as they were sent.
        as_list: how the request came; faults then point into the list.
    """
    places = [f"/{index}" if as_list else "" for index in range(len(items))]
    wanted = [
        (f"{at}/test_print", recipe)
        for at, item in zip(places, items, strict=True)
        if (recipe := item.get("test_print"))
    ]
    found, faults = test_prints.named(wanted) if wanted else ({}, [])
    faults += [
        Fault(f"{at}/build", "A build needs its printer.", "Name the printer, or leave the build out.")
        for at, item in zip(places, items, strict=True)
        if item.get("build") and not item.get("printer")
    ]
    whole = [_kept_as(item, found) for item in items]
    return whole, faults


def _kept_as(item: SentReading, found: Mapping[str, str]) -> SentReading:
    kept = found.get(item.get("test_print") or "")
    return {**item, "test_print": kept} if kept else item
