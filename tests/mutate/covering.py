"""Tests per line: a pytest plugin that records them under `coverage`, and the map read from its record."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import coverage
import pytest

FILE, RECORDED = "LOTS_MUTATED_FILE", "LOTS_COVERAGE_FOLDER"


@dataclass(frozen=True, slots=True)
class Covering:
    """The tests of each line of a file, seconds per test, and lines that run on import."""

    by_line: dict[int, list[str]]
    seconds: dict[str, float]
    on_import: frozenset[int] = frozenset()

    def of(self, line: int) -> list[str]:
        """Returns the tests that run a line, the quickest first; every test for a line that runs on import alone, because any can use its result."""
        tests = self.by_line.get(line)
        if tests == []:
            tests = sorted(self.seconds)
        return sorted(tests or [], key=lambda test: self.seconds.get(test, 0.0))


class _Recorder:
    """Records the lines of one file, test by test, and the time of each."""

    def __init__(self) -> None:
        self.folder = Path(os.environ[RECORDED])
        self.module = os.environ[FILE].removesuffix(".py").replace("/", ".")
        self.seconds: dict[str, float] = {}
        self.coverage: Any = coverage.Coverage(
            data_file=str(self.folder / "lines"), data_suffix=True, include=[f"*/{os.environ[FILE]}"], config_file=False
        )
        # A process that runs no test of the file has nothing to keep.
        self.coverage.set_option("run:disable_warnings", ["no-data-collected", "module-not-imported"])
        self.coverage.start()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Sets the running test."""
        # Caches of earlier tests are cleared, so that each test records what it needs.
        for one in vars(sys.modules.get(self.module, self)).values():
            if callable(clear := getattr(one, "cache_clear", None)):
                clear()
        began = time.monotonic()
        self.coverage.switch_context(item.nodeid)
        outcome = yield
        self.coverage.switch_context("")
        self.seconds[item.nodeid] = time.monotonic() - began
        return outcome

    def pytest_sessionfinish(self) -> None:
        """Stores the record of this process."""
        self.coverage.stop()
        self.coverage.save()
        (self.folder / f"seconds-{os.getpid()}.json").write_text(json.dumps(self.seconds))


def pytest_configure(config: pytest.Config) -> None:
    """Begins before the program is imported, because lines at the top of a file run then."""
    if FILE in os.environ and hasattr(config, "workerinput"):
        config.pluginmanager.register(_Recorder())


def record(root: Path, file: str, tests: list[str], folder: Path) -> Covering:
    """Runs the tests once and returns which of them run which line of the file."""
    environment = os.environ | {FILE: file, RECORDED: str(folder), "PYTHONPATH": str(root)}
    command = [sys.executable, "-m", "pytest", "-q", "-n", "2", "-p", "tests.mutate.covering", "-p", "no:cacheprovider"]
    done = subprocess.run([*command, *tests], cwd=root, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"The tests fail without a fault too:\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
    return read(folder, file)


def read(folder: Path, file: str) -> Covering:
    """Returns the map from the processes of one run."""
    data = coverage.CoverageData(str(folder / "all"))
    for part in folder.glob("lines.*"):
        some = coverage.CoverageData(str(part))
        some.read()
        data.update(some)
    seconds: dict[str, float] = {}
    for part in folder.glob("seconds-*.json"):
        seconds |= json.loads(part.read_text())
    measured = [name for name in data.measured_files() if Path(name).as_posix().endswith(file)]
    by_line = data.contexts_by_lineno(measured[0]) if measured else {}
    named = {line: [test for test in tests if test] for line, tests in by_line.items()}
    return Covering(named, seconds, frozenset(line for line, tests in by_line.items() if "" in tests))
