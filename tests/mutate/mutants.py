"""Mutants of a file: small single faults, each a change of a few characters at a node of the syntax tree."""

from __future__ import annotations

import ast
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass

# Operator -> its replacements: its other boundary, and its opposite.
COMPARISONS: dict[type[ast.cmpop], tuple[str, tuple[str, ...]]] = {
    ast.Lt: ("<", ("<=", ">=")),
    ast.LtE: ("<=", ("<", ">")),
    ast.Gt: (">", (">=", "<=")),
    ast.GtE: (">=", (">", "<")),
    ast.Eq: ("==", ("!=",)),
    ast.NotEq: ("!=", ("==",)),
    ast.Is: ("is", ("is not",)),
    ast.IsNot: ("is not", ("is",)),
    ast.In: ("in", ("not in",)),
    ast.NotIn: ("not in", ("in",)),
}
ARITHMETIC: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "*"),
    ast.Mod: ("%", "*"),
    ast.Pow: ("**", "*"),
    ast.BitOr: ("|", "&"),
    ast.BitAnd: ("&", "|"),
}
REMOVABLE = (ast.Expr, ast.AugAssign, ast.Raise, ast.Continue, ast.Break)
LONGEST_SENTENCE = 600


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault: the text from `start` to `end` of the source becomes `text`. `line` is its first line, from 1."""

    kind: str
    line: int
    start: int
    end: int
    text: str

    def of(self, source: str) -> str:
        """Returns the source with the fault in it."""
        return source[: self.start] + self.text + source[self.end :]

    def change(self, source: str) -> tuple[str, str]:
        """Returns the changed lines, before and after, each on one line without its indent."""
        first = source.rfind("\n", 0, self.start) + 1
        last = source.find("\n", self.end)
        rest = source[self.end : last if last >= 0 else len(source)]
        before, after = source[first : self.end] + rest, source[first : self.start] + self.text + rest
        return " ".join(before.split()), " ".join(after.split())


def mutants_of(source: str) -> list[Mutant]:
    """Returns every mutant of a source that compiles and differs from it, in order."""
    tree = ast.parse(source)
    whole = ast.dump(tree)
    found: dict[tuple[int, int, str], Mutant] = {}
    for mutant in _Places(source, tree).all():
        found.setdefault((mutant.start, mutant.end, mutant.text), mutant)
    return [one for _, one in sorted(found.items()) if _differs(one.of(source), whole)]


def sample(mutants: list[Mutant], size: int | None, seed: int) -> list[Mutant]:
    """Returns so many of them at random, in order; all without a size."""
    if size is None or size >= len(mutants):
        return mutants
    drawn = set(random.Random(seed).sample(range(len(mutants)), size))
    return [one for place, one in enumerate(mutants) if place in drawn]


def _differs(mutated: str, whole: str) -> bool:
    try:
        return ast.dump(ast.parse(mutated)) != whole
    except SyntaxError:
        return False


class _Places:
    """The nodes of a tree with their places in the text."""

    def __init__(self, source: str, tree: ast.Module) -> None:
        self.source, self.tree = source, tree
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.lines = source.splitlines(keepends=True)

    def all(self) -> Iterator[Mutant]:
        """Visits the tree without annotations and docstrings."""
        waiting: list[ast.AST] = [self.tree]
        while waiting:
            node = waiting.pop()
            for name, value in ast.iter_fields(node):
                if name in ("annotation", "returns", "decorator_list"):
                    continue
                children = value if isinstance(value, list) else [value]
                waiting += [child for child in children if isinstance(child, ast.AST) and not _is_docstring(child)]
            make = getattr(self, f"_{type(node).__name__.lower()}", None)
            if make and (isinstance(node, ast.stmt) or self._readable(node)):
                yield from make(node)
            if isinstance(node, REMOVABLE) and not isinstance(getattr(node, "value", None), ast.Yield | ast.YieldFrom):
                yield self._at("removed", node, "pass")

    def _readable(self, node: ast.AST) -> bool:
        # Places inside an f-string are not to be relied on in every version of Python.
        start, end = self._span(node)
        try:
            again = ast.parse(f"({self.source[start:end]}\n)", mode="eval").body
        except SyntaxError:
            return False
        return ast.dump(again) == ast.dump(node)

    def _place(self, line: int, column: int) -> int:
        # Columns count bytes of UTF-8.
        return self.starts[line - 1] + len(self.lines[line - 1].encode()[:column].decode(errors="ignore"))

    def _span(self, node: ast.AST) -> tuple[int, int]:
        return self._place(node.lineno, node.col_offset), self._place(node.end_lineno, node.end_col_offset)

    def _line(self, start: int) -> int:
        return self.source.count("\n", 0, start) + 1

    def _mutant(self, kind: str, start: int, end: int, text: str) -> Mutant:
        return Mutant(kind, self._line(start), start, end, text)

    def _at(self, kind: str, node: ast.AST, text: str) -> Mutant:
        return self._mutant(kind, *self._span(node), text)

    def _between(self, kind: str, left: ast.AST, right: ast.AST, old: str, new: str) -> Iterator[Mutant]:
        """The operator between two nodes, replaced."""
        start, end = self._span(left)[1], self._span(right)[0]
        word = r"(?<!\w){}(?!\w)" if old[0].isalpha() else "{}"
        if found := re.search(word.format(r"\s+".join(map(re.escape, old.split()))), self.source[start:end]):
            yield self._mutant(kind, start + found.start(), start + found.end(), new)

    def _compare(self, node: ast.Compare) -> Iterator[Mutant]:
        left = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            old, others = COMPARISONS[type(operator)]
            for new in others:
                yield from self._between("comparison", left, right, old, new)
            left = right

    def _boolop(self, node: ast.BoolOp) -> Iterator[Mutant]:
        old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield from self._between("and-or", left, right, old, new)

    def _binop(self, node: ast.BinOp) -> Iterator[Mutant]:
        if type(node.op) in ARITHMETIC:
            yield from self._between("arithmetic", node.left, node.right, *ARITHMETIC[type(node.op)])

    def _augassign(self, node: ast.AugAssign) -> Iterator[Mutant]:
        if type(node.op) in ARITHMETIC:
            yield from self._between(
                "arithmetic", node.target, node.value, *(f"{one}=" for one in ARITHMETIC[type(node.op)])
            )

    def _unaryop(self, node: ast.UnaryOp) -> Iterator[Mutant]:
        start, _ = self._span(node)
        if isinstance(node.op, ast.Not | ast.USub):
            yield self._mutant("negation", start, self._span(node.operand)[0], "")

    def _if(self, node: ast.If | ast.IfExp | ast.While) -> Iterator[Mutant]:
        if not isinstance(node.test, ast.Compare) and self._readable(node.test):
            start, end = self._span(node.test)
            yield self._mutant("negation", start, end, f"(not ({self.source[start:end]}))")

    _while = _if

    def _ifexp(self, node: ast.IfExp) -> Iterator[Mutant]:
        yield from self._if(node)
        if isinstance(node.body, ast.Constant) and isinstance(node.orelse, ast.Constant):
            (first, one), (two, last) = self._span(node.body), self._span(node.orelse)
            text = self.source[two:last] + self.source[one:two] + self.source[first:one]
            yield self._mutant("swapped", first, last, text)

    def _call(self, node: ast.Call) -> Iterator[Mutant]:
        """Singular and plural of a counted noun, swapped."""
        if getattr(node.func, "id", getattr(node.func, "attr", "")) != "counted" or len(node.args) < 2:
            return
        nouns = node.args[1:3]
        if all(isinstance(noun, ast.Constant) and isinstance(noun.value, str) for noun in nouns):
            one, many = (nouns[0].value, nouns[-1].value) if len(nouns) > 1 else (nouns[0].value, nouns[0].value + "s")
            yield self._mutant("swapped", self._span(nouns[0])[0], self._span(nouns[-1])[1], f"{many!r}, {one!r}")

    def _return(self, node: ast.Return) -> Iterator[Mutant]:
        if node.value and not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield self._at("returned", node.value, "None")

    def _constant(self, node: ast.Constant) -> Iterator[Mutant]:
        if isinstance(node.value, bool):
            yield self._at("constant", node, str(not node.value))
        elif isinstance(node.value, int | float):
            yield self._at("constant", node, f"({node.value!r} + 1)")
            yield self._at("constant", node, f"({node.value!r} - 1)")
        elif isinstance(node.value, str):
            yield from self._sentence(node, node.value)

    def _joinedstr(self, node: ast.JoinedStr) -> Iterator[Mutant]:
        for part in node.values:
            if isinstance(part, ast.Constant):
                yield from self._sentence(node, part.value)

    def _sentence(self, node: ast.AST, text: str) -> Iterator[Mutant]:
        """The longest word of a sentence, replaced."""
        start, end = self._span(node)
        there = self.source[start:end]
        if (" " not in text.strip() and not isinstance(node, ast.JoinedStr)) or len(text) > LONGEST_SENTENCE:
            return
        for word in sorted(set(re.findall(r"[A-Za-z]{2,}", text)), key=lambda one: (-len(one), one)):
            if len(places := list(re.finditer(rf"\b{word}\b", there))) == 1:
                yield self._mutant("sentence", start + places[0].start(), start + places[0].end(), "XX")
                return


def _is_docstring(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
