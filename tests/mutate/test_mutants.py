"""The mutants of a source, and the validity of those listed as equivalent."""

from __future__ import annotations

import tomllib
import types
from pathlib import Path

import pytest

from tests.mutate.forks import exchanged, function_around, statement_line
from tests.mutate.mutants import Mutant, mutants_of, sample

ROOT = Path(__file__).parents[2]
EQUIVALENT = tomllib.loads((Path(__file__).parent / "equivalent.toml").read_text("utf-8")).get("equivalent", [])


def after(source: str, kind: str) -> set[str]:
    """The changed sources of one kind of mutant."""
    return {one.of(source) for one in mutants_of(source) if one.kind == kind}


@pytest.mark.parametrize(
    ("kind", "source", "expected"),
    [
        ("comparison", "a < b", {"a <= b", "a >= b"}),
        ("comparison", "a is  not b", {"a is b"}),
        ("comparison", "a not in b <= c", {"a in b <= c", "a not in b < c", "a not in b > c"}),
        ("and-or", "a and b or c", {"a or b or c", "a and b and c"}),
        ("arithmetic", "x -= a // b", {"x += a // b", "x -= a * b"}),
        ("negation", "if not a: b()", {"if a: b()"} | {"if (not (not a)): b()"}),
        ("constant", "f(3, True)", {"f((3 + 1), True)", "f((3 - 1), True)", "f(3, False)"}),
        ("returned", "def f():\n    return a\n", {"def f():\n    return None\n"}),
        ("removed", "if a:\n    raise b\n", {"if a:\n    pass\n"}),
        ("sentence", "f('Nobody has judged it.')", {"f('XX has judged it.')"}),
        ("sentence", "f'{n} spools left.'", {"f'{n} XX left.'"}),
        ("swapped", "counted(n, 'lot')", {"counted(n, 'lots', 'lot')"}),
        ("swapped", "counted(n, 'lies', 'lie')", {"counted(n, 'lie', 'lies')"}),
        ("swapped", "'spool' if n == 1 else 'spools'", {"'spools' if n == 1 else 'spool'"}),
    ],
)
def test_a_node_has_the_mutants_of_its_kind(kind: str, source: str, expected: set[str]) -> None:
    """Each node has exactly the mutants of its kind, each a change of a few characters."""
    assert expected == after(source, kind)


def test_docstrings_annotations_and_codes_are_left_alone() -> None:
    """Docstrings, annotations and codes have no mutants."""
    assert [] == mutants_of('def f(n: int | None = None) -> "a b":\n    """Says so and so."""\n    return None\n')
    assert set() == after("x = 'color.lot_delta_e'", "sentence")


def test_letters_of_two_bytes_do_not_move_a_place() -> None:
    """Letters of two bytes do not shift a place, because Python counts columns in bytes."""
    assert {"f('Grüße', a <= b)", "f('Grüße', a >= b)"} == after("f('Grüße', a < b)", "comparison")


def test_a_change_is_shown_by_its_lines() -> None:
    """A change is shown as lines without indents, each on one line."""
    source = "if a:\n    raise Error(\n        1\n    )\nb()\n"
    removed = next(one for one in mutants_of(source) if one.kind == "removed" and one.line == 2)
    assert ("raise Error( 1 )", "pass") == removed.change(source)


def test_a_sample_is_the_same_for_a_seed() -> None:
    """A sample is unique, in order, and equal for a seed."""
    mutants = mutants_of("\n".join(f"a{n} < b{n}" for n in range(20)))
    drawn = sample(mutants, 10, seed=3)
    assert drawn == sample(mutants, 10, seed=3) != sample(mutants, 10, seed=4)
    assert drawn == sorted(set(drawn), key=lambda one: (one.start, one.text))
    assert mutants == sample(mutants, None, seed=3) == sample(mutants, 99, seed=3)


def test_an_equivalent_change_is_one_of_its_file() -> None:
    """Each listed equivalent change is in its file and has a reason."""
    changes: dict[str, set[tuple[str, str]]] = {}
    for one in EQUIVALENT:
        if one["file"] not in changes:
            source = (ROOT / one["file"]).read_text("utf-8")
            changes[one["file"]] = {mutant.change(source) for mutant in mutants_of(source)}
    gone = [one for one in EQUIVALENT if (one["before"], one["after"]) not in changes[one["file"]]]
    assert [] == gone
    assert all(one["why"].endswith(".") for one in EQUIVALENT)


def test_a_mutant_knows_its_line() -> None:
    """The first line of a file is 1."""
    assert [1, 1, 3, 3] == [
        one.line for one in mutants_of("a < b\n\nc < d\n") if isinstance(one, Mutant) and one.kind == "comparison"
    ]


SOURCE = """A = 1 < 2

class B:
    c: bool = 1 < 2

    @property
    def d(self) -> bool:
        return any(n < 2 for n in range(3))

def e(n: int = 1 - 2) -> int:
    def f() -> bool:
        return n < 2
    return f()
"""


@pytest.mark.parametrize(
    ("line", "place"), [(1, None), (4, None), (8, ("B.d", 6)), (10, None), (12, ("e", 10)), (13, ("e", 10))]
)
def test_a_mutant_lies_in_the_outermost_function_whose_body_it_is_in(line: int, place: tuple[str, int] | None) -> None:
    """Names and first lines are those of the code; default values and class bodies are outside."""
    found = {function_around(SOURCE, one) for one in mutants_of(SOURCE) if one.line == line}
    assert {place} == found


def test_a_running_function_takes_a_mutant_in() -> None:
    """Holders of a function run the fault after the exchange; without the function nothing is exchanged."""
    kept: dict[str, types.FunctionType] = {}
    exec(compile(SOURCE, "kept", "exec"), kept)  # noqa: S102
    (mutant,) = (one for one in mutants_of(SOURCE) if one.line == 12 and one.text == ">=")
    assert kept["e"](1)
    assert not exchanged([], SOURCE, mutant)
    assert exchanged([kept["e"]], SOURCE, mutant)
    assert not kept["e"](1)


@pytest.mark.parametrize(("line", "start"), [(1, 1), (7, 7), (8, 8), (9, 9), (14, 13)])
def test_a_line_belongs_to_its_innermost_statement(line: int, start: int) -> None:
    """A line belongs to its innermost statement, or to none."""
    assert start == statement_line(SOURCE.replace("f()\n", "f(\n    )\n"), line)
