"""Every test is run by README's command or by a step of `.ci/run`."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PRINTED = "LOTS_PRINT_MARKS"


@dataclass(frozen=True, slots=True)
class Step:
    """One command of the check: marker expression, given folders, and ignored ones."""

    marks: str
    folders: tuple[str, ...]
    ignored: tuple[str, ...]

    def runs(self, path: str, marks: set[str]) -> bool:
        """Whether it runs a test of this file with these markers."""
        if not path.startswith(self.folders or "") or path.startswith(self.ignored or "/"):
            return False
        known = {name: name in marks for name in re.findall(r"\w+", self.marks)}
        return bool(eval(self.marks, {}, known))  # noqa: S307  # an expression over markers is one of Python


def steps() -> list[Step]:
    """README's command, with the additions of pyproject.toml, and each call of pytest in `.ci/run`."""
    added = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["pytest"]["ini_options"]["addopts"]
    lines = (ROOT / ".ci" / "run").read_text("utf-8").replace("\\\n", " ").splitlines()
    calls = [line.partition('bin/pytest"')[2] for line in lines if 'bin/pytest"' in line]
    return [_step(added), *(_step(shlex.split(call)) for call in calls)]


def _step(words: list[str]) -> Step:
    ignored = [word.partition("=")[2] for word in words if word.startswith("--ignore=")]
    folders = [word for word in words if word.startswith("tests/")]
    return Step(words[words.index("-m") + 1], tuple(folders), tuple(ignored))


def pytest_collection_finish(session: pytest.Session) -> None:
    """As a plugin of the collection below: writes each test with its markers."""
    if PRINTED in os.environ:
        found = {item.nodeid: sorted({mark.name for mark in item.iter_markers()}) for item in session.items}
        Path(os.environ[PRINTED]).write_text(json.dumps(found), "utf-8")


@pytest.mark.thorough
def test_every_test_is_run_by_a_step(tmp_path: Path) -> None:
    """Every test, whatever its markers, is run by some command of the check."""
    command = [sys.executable, "-m", "pytest", "--collect-only", "-qq", "-p", "tests.test_whole_check", "-m", ""]
    environment = os.environ | {PRINTED: str(tmp_path / "marks.json"), "PYTHONPATH": str(ROOT)}
    subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True)
    found = json.loads((tmp_path / "marks.json").read_text("utf-8"))
    assert len(found) > 1000
    check = steps()
    forgotten = [test for test, marks in found.items() if not any(step.runs(test, set(marks)) for step in check)]
    assert [] == forgotten


def test_the_steps_are_found() -> None:
    """README's command comes first, and PostgreSQL, the browser and the served program have a step."""
    readme, *others = steps()
    assert readme.runs("tests/api/test_health.py", set())
    assert not readme.runs("tests/api/test_health.py", {"postgresql"})
    assert any(step.runs("tests/api/test_health.py", {"postgresql"}) for step in others)
    assert any(step.runs("tests/browser/test_seal.py", {"thorough"}) for step in others)
    assert any(step.runs("tests/served/test_wheel.py", {"served"}) for step in others)
    assert not any(
        step.runs("tests/served/test_wheel.py", {"served", "thorough"}) for step in others if not step.folders
    )
