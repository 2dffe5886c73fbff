"""Recipes and builds that readings of prints cite: each recipe exists and is kept with its revision, each build has its printer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lots.services.errors import Fault
from lots.services.setup import test_prints


def cited(items: Sequence[dict[str, Any]], *, as_list: bool) -> tuple[list[dict[str, Any]], list[Fault]]:
    """Returns readings with the revision of each recipe that they cite, and the faults of those that cite none there is.

    No query where no recipe is cited, one otherwise, two with a fault.

    Args:
        items: readings as they were sent.
        as_list: how the request came; faults then point into the list.
    """
    places = [f"/{index}" if as_list else "" for index in range(len(items))]
    wanted = [
        (f"{at}/test_print", item["test_print"])
        for at, item in zip(places, items, strict=True)
        if item.get("test_print")
    ]
    found, faults = test_prints.named(wanted) if wanted else ({}, [])
    faults += [
        Fault(f"{at}/build", "A build needs its printer.", "Name the printer, or leave the build out.")
        for at, item in zip(places, items, strict=True)
        if item.get("build") and not item.get("printer")
    ]
    whole = [
        {**item, "test_print": found[item["test_print"]]} if item.get("test_print") in found else item for item in items
    ]
    return whole, faults
