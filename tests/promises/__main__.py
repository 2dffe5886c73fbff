"""Prints the table of promises in DEVELOPERS.md: promised, before, and as simulated now."""

from __future__ import annotations

import importlib
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.promises.promise import Promise, Rate

_NOT_SUBJECTS = {"__init__", "__main__", "promise", "test_promises"}
SUBJECTS = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if path.stem not in _NOT_SUBJECTS)


def every_promise() -> list[tuple[str, int, Promise]]:
    """Returns each promise with its subject and its index."""
    return [
        (subject, place, promise)
        for subject in SUBJECTS
        for place, promise in enumerate(importlib.import_module(f"tests.promises.{subject}").PROMISES)
    ]


def _measured(subject: str, place: int) -> Rate:
    promise: Promise = importlib.import_module(f"tests.promises.{subject}").PROMISES[place]
    return promise.measure()


def main() -> int:
    """Simulates every promise on two processes, prints the table, and returns 1 if one is broken."""
    sys.stdout.write("| promise | promised | before | now (99 % interval) |\n|---|---|---|---|\n")
    broken = 0
    with ProcessPoolExecutor(2) as pool:
        running = [(promise, pool.submit(_measured, subject, place)) for subject, place, promise in every_promise()]
        for promise, future in running:
            rate = future.result()
            broken += not promise.kept_by(rate)
            mark = "" if promise.kept_by(rate) else " **broken**"
            sys.stdout.write(f"| {promise.what} | {promise.promised} | {promise.before} | {rate}{mark} |\n")
            sys.stdout.flush()
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
