"""Garbage collection of a server process: off during the start, and rare afterwards."""

from __future__ import annotations

import gc

# Allocations before a collection of the youngest generation. One long response exceeds Python's default of 700 many times.
_THRESHOLD = 50_000


def pause() -> None:
    """Disables collection until `settle` is called. Objects made during the start live as long as the process."""
    gc.disable()


def settle() -> None:
    """Enables collection, and freezes the objects made during the start: schemas, tables and compiled code.

    Notes:
        Without freezing, comparisons and summaries of a shop of 2,004 lots take 1.8 to 2.0 times as long. The start takes 1.1 times as long.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_THRESHOLD)
    gc.enable()
