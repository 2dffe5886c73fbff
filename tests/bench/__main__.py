"""Runs a benchmark by name: `python -m tests.bench NAME`; without a name it lists them."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path


def main(arguments: list[str]) -> int:
    """Runs the named benchmarks; returns the exit status."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("[a-z]*.py"))
    if not arguments or set(arguments) - set(names):
        for name in names:
            module = importlib.import_module(f"tests.bench.{name}")
            sys.stdout.write(f"{name:<10} {(module.__doc__ or '').splitlines()[0]}\n")
        return 0 if not arguments else 2
    for name in arguments:
        importlib.import_module(f"tests.bench.{name}").run()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
