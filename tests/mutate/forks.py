"""Tries mutants in forks of one pytest process that imported the program and collected the tests once."""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib.abc
import importlib.machinery
import io
import os
import signal
import sys
import time
import types
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.mutate.covering import Covering
from tests.mutate.mutants import Mutant

PROCESSES = 2
# A mutant that makes its tests take this many times as long, and this many seconds more, runs forever.
TIMES, SECONDS = 10, 20
OPTIONS = ("-x", "-qq", "-s", "-p", "no:cacheprovider", "--no-header", "--no-summary")


@dataclass
class Forks:
    """A pytest plugin that tries each mutant instead of running the tests.

    A fault inside a function goes into the running function, whose code is exchanged. Where a fault stands at the top of a file, or in a
    function that runs on import, the fork imports the program anew.

    Args:
        file: path of the mutated file from the folder of the project.
        covering: which tests run which line.
        done: called after each mutant.
        ends: how each ended: "killed", "timeout", "survived", or "not run" where no test runs its line.
    """

    root: Path
    file: str
    covering: Covering
    mutants: Sequence[Mutant]
    done: Callable[[int], None]
    ends: dict[Mutant, str] = field(default_factory=dict)
    functions: list[types.FunctionType] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The mutated module."""
        return self.file.removesuffix(".py").replace("/", ".")

    def run(self, tests: Sequence[str]) -> dict[Mutant, str]:
        """Collects the tests, tries every mutant, and returns how each ended."""
        with contextlib.redirect_stdout(io.StringIO()) as told:
            ended = pytest.main([*OPTIONS, *tests], plugins=[self])
        if len(self.ends) < len(self.mutants):
            raise RuntimeError(f"The tests were not collected (pytest ended with {ended}):\n{told.getvalue()[-2000:]}")
        return self.ends

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Replaces the loop over the tests."""
        source = (self.root / self.file).read_text(encoding="utf-8")
        items = {item.nodeid: item for item in session.items}
        self.functions = [
            one for one in gc.get_objects() if isinstance(one, types.FunctionType) and one.__module__ == self.name
        ]
        # Existing memory is shared by all forks as long as no garbage collection touches it.
        gc.freeze()
        running: dict[int, tuple[Mutant, float]] = {}
        waiting = list(reversed(self.mutants))
        while waiting or running:
            while waiting and len(running) < PROCESSES:
                self._start(waiting.pop(), source, session, items, running)
            self._reap(running)
        return True

    def _start(
        self,
        mutant: Mutant,
        source: str,
        session: pytest.Session,
        items: dict[str, pytest.Item],
        running: dict[int, tuple[Mutant, float]],
    ) -> None:
        lines = (mutant.line, statement_line(source, mutant.line))
        tests = next(
            ([test for test in tests if test in items] for line in lines if (tests := self.covering.of(line))), []
        )
        if not tests:
            self._end(mutant, "not run")
            return
        patience = SECONDS + TIMES * sum(self.covering.seconds.get(test, 0.0) for test in tests)
        if pid := os.fork():
            running[pid] = mutant, time.monotonic() + patience
            return
        killed = True
        try:
            os.setpgid(0, 0)
            nowhere = os.open(os.devnull, os.O_RDWR)
            for number in (1, 2):
                os.dup2(nowhere, number)
            inside = mutant.line not in self.covering.on_import and exchanged(self.functions, source, mutant)
            killed = fail(session, [items[test] for test in tests]) if inside else self._anew(source, mutant, tests)
        finally:
            # An exception in a fork is caused by the mutant.
            os._exit(int(killed))

    def _anew(self, source: str, mutant: Mutant, tests: Sequence[str]) -> bool:
        """Whether a test fails after importing the program with the mutant."""
        for module in [one for one in sys.modules if one.partition(".")[0] in ("lots", "tests")]:
            del sys.modules[module]
        sys.meta_path.insert(0, _Mutated(self.name, self.root / self.file, mutant.of(source)))
        return pytest.main([*OPTIONS, *tests]) != pytest.ExitCode.OK

    def _reap(self, running: dict[int, tuple[Mutant, float]]) -> None:
        time.sleep(0.01)
        for pid, (mutant, until) in list(running.items()):
            ended, status = os.waitpid(pid, os.WNOHANG)
            if ended:
                del running[pid]
                self._end(mutant, "survived" if status == 0 else "killed")
            elif time.monotonic() > until:
                os.killpg(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
                del running[pid]
                self._end(mutant, "timeout")

    def _end(self, mutant: Mutant, end: str) -> None:
        self.ends[mutant] = end
        self.done(len(self.ends))


def fail(session: pytest.Session, items: Sequence[pytest.Item]) -> bool:
    """Returns whether one of these tests fails, and stops there."""
    for item, following in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            return True
    return False


def exchanged(functions: Sequence[types.FunctionType], source: str, mutant: Mutant) -> bool:
    """Puts a mutant into the function that contains it; returns False where none does."""
    place = function_around(source, mutant)
    live = [one for one in functions if _place(one.__code__) == place]
    if live:
        changed = next(one for one in _codes(compile(mutant.of(source), "mutant", "exec")) if _place(one) == place)
        for function in live:
            function.__code__ = changed
    return bool(live)


def _place(code: types.CodeType) -> tuple[str, int]:
    return code.co_qualname, code.co_firstlineno


def _codes(code: types.CodeType) -> list[types.CodeType]:
    """A code object and all nested ones."""
    return [code, *(one for part in code.co_consts if isinstance(part, types.CodeType) for one in _codes(part))]


def function_around(source: str, mutant: Mutant) -> tuple[str, int] | None:
    """Returns the qualified name and first line of the outermost function around a mutant, None without one."""
    last = mutant.line + source[mutant.start : mutant.end].count("\n")

    def inside(nodes: Sequence[ast.stmt], prefix: str) -> tuple[str, int] | None:
        for node in nodes:
            if isinstance(node, ast.FunctionDef) and node.body[0].lineno <= mutant.line <= last <= (
                node.end_lineno or 0
            ):
                return prefix + node.name, min(one.lineno for one in (node, *node.decorator_list))
            if isinstance(node, ast.ClassDef) and (found := inside(node.body, f"{prefix}{node.name}.")):
                return found
        return None

    return inside(ast.parse(source).body, "")


def statement_line(source: str, line: int) -> int:
    """Returns the first line of a line's statement, because further lines are not always recorded."""
    starts = (
        node.lineno
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or node.lineno)
    )
    return max(starts, default=line)


class _Mutated(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Imports one module from a changed text."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self.name, self.path, self.text = name, path, text

    def find_spec(self, fullname: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        """Finds that module alone."""
        if fullname != self.name:
            return None
        return importlib.machinery.ModuleSpec(fullname, self, origin=str(self.path))

    def get_source(self, fullname: str) -> str:
        """Returns the text."""
        return self.text
