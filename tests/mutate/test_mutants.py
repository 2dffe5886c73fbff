"""Which mutants a source has, and that each one that is listed as equivalent is still one of its file."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.mutate.mutants import Mutant, mutants_of, sample

ROOT = Path(__file__).parents[2]
EQUIVALENT = tomllib.loads((Path(__file__).parent / "equivalent.toml").read_text("utf-8")).get("equivalent", [])


def after(source: str, kind: str) -> set[str]:
    """What a source becomes by the mutants of one kind."""
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
    """Each is the source with a few characters changed, and no other."""
    assert expected == after(source, kind)


def test_docstrings_annotations_and_codes_are_left_alone() -> None:
    """They are no behaviour, and a code is compared by whoever reads it."""
    assert [] == mutants_of('def f(n: int | None = None) -> "a b":\n    """Says so and so."""\n    return None\n')
    assert set() == after("x = 'color.lot_delta_e'", "sentence")


def test_letters_of_two_bytes_do_not_move_a_place() -> None:
    """Python counts columns in bytes."""
    assert {"f('Grüße', a <= b)", "f('Grüße', a >= b)"} == after("f('Grüße', a < b)", "comparison")


def test_a_change_is_shown_by_its_lines() -> None:
    """Without indents, on one line however many it spans."""
    source = "if a:\n    raise Error(\n        1\n    )\nb()\n"
    removed = next(one for one in mutants_of(source) if one.kind == "removed" and one.line == 2)
    assert ("raise Error( 1 )", "pass") == removed.change(source)


def test_a_sample_is_the_same_for_a_seed() -> None:
    """Drawn without a second time, in the order of places."""
    mutants = mutants_of("\n".join(f"a{n} < b{n}" for n in range(20)))
    drawn = sample(mutants, 10, seed=3)
    assert drawn == sample(mutants, 10, seed=3) != sample(mutants, 10, seed=4)
    assert drawn == sorted(set(drawn), key=lambda one: (one.start, one.text))
    assert mutants == sample(mutants, None, seed=3) == sample(mutants, 99, seed=3)


def test_an_equivalent_change_is_one_of_its_file() -> None:
    """A change whose lines are gone is taken off the list; each has its reason."""
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
