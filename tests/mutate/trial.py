"""Tries one mutant: the tests that run its line, in a copy of the tree of its own."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from tests.mutate.covering import Covering
from tests.mutate.mutants import Mutant

# The quickest tests go first: most mutants die by them. Only one that survives them meets the rest.
FIRST = 40
# A mutant that makes its tests take this many times as long, and this many seconds more, runs forever.
TIMES, SECONDS = 10, 60
LEFT_OUT = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "bench", "node_modules")


def copy_of(root: Path, folder: Path) -> Path:
    """Returns a copy of the tree, in which a file may be changed."""
    shutil.copytree(root, folder, ignore=LEFT_OUT)
    return folder


def outcome(tree: Path, file: str, mutant: Mutant, covering: Covering) -> str:
    """Returns "killed", "timeout", "survived", or "not run" where no test runs its line."""
    tests = covering.of(mutant.line)
    if not tests:
        return "not run"
    path = tree / file
    source = path.read_text(encoding="utf-8")
    path.write_text(mutant.of(source), encoding="utf-8")
    try:
        for some in (tests[:FIRST], tests[FIRST:]):
            if some and (ended := _run(tree, path, some, covering)) != "survived":
                return ended
        return "survived"
    finally:
        path.write_text(source, encoding="utf-8")


def _run(tree: Path, path: Path, tests: list[str], covering: Covering) -> str:
    # Python compares a compiled file with its source by the second; two mutants may follow each other faster.
    Path(importlib.util.cache_from_source(str(path))).unlink(missing_ok=True)
    names = tree / "tests-to-run"
    names.write_text("\n".join(tests), encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header"]
    command.append(f"@{names}")
    patience = SECONDS + TIMES * sum(covering.seconds.get(test, 0.0) for test in tests)
    environment = os.environ | {"PYTHONPATH": str(tree)}
    started = subprocess.Popen(
        command, cwd=tree, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        # 5: the ids of the tests hold what the mutant changed, so that none of them is there any more.
        return "survived" if started.wait(patience) == 0 else "killed"
    except subprocess.TimeoutExpired:
        os.killpg(started.pid, signal.SIGKILL)
        started.wait()
        return "timeout"
