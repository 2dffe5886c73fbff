"""Testable rules of English: contractions, notation, and raw codes in pages, findings, errors, papers and commands."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from tests.plain_english import FAULTS, MOST_WORDS, sentences, words

LOTS = Path(__file__).parent.parent / "lots"
# A number or a value, then a percent sign without a space, in a sentence.
TIGHT = re.compile(r"(?:\d|\}\})%(?!\d|[a-z(])")


@cache
def texts() -> tuple[tuple[str, str], ...]:
    """Returns every text that the program may say, with its file: no docstring, no name, no pattern."""
    return tuple(_texts())


def _texts() -> Iterator[tuple[str, str]]:
    for path in LOTS.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        docs = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
            and node.body
            and isinstance(node.body[0], ast.Expr)
        }
        for node in ast.walk(tree):
            said = isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs
            if said and " " in node.value and "\\" not in node.value:
                yield str(path.relative_to(LOTS)), node.value
            if isinstance(node, ast.JoinedStr):
                parts = [str(part.value) if isinstance(part, ast.Constant) else "0" for part in node.values]
                yield str(path.relative_to(LOTS)), "".join(parts)
    for path in (LOTS / "pages" / "templates").rglob("*.html"):
        # The branches of a condition are separate sentences.
        apart = re.sub(r"\{%-? *(?:else|elif)\b.*?%\}", ". ", path.read_text("utf-8"))
        text = re.sub(r"\{#.*?#\}|\{%.*?%\}", "", apart, flags=re.DOTALL)
        yield from ((str(path.relative_to(LOTS)), part) for part in re.findall(r">([^<>]+)<", text))


def test_no_contraction_is_said():
    """The words are written out, as in a manual."""
    assert [] == [(path, text) for path, text in texts() if FAULTS["contraction"].search(text)]


def test_a_percent_sign_has_a_space_before_it():
    """A percent sign has a space before it, such as 95 % (SI brochure, 5.4.7)."""
    found = [(path, text) for path, text in texts() if TIGHT.search(text)]
    assert [] == found


def test_no_run_rule_is_named_by_its_code():
    """A run rule has its name and its pattern, such as Nelson rule 3; only the API's field has the code."""
    allowed = {"api/drift/signals.py"}
    assert [] == [
        (path, text) for path, text in texts() if FAULTS["a code of a run rule"].search(text) and path not in allowed
    ]


def test_sentences_of_pages_are_short():
    """Sentences of pages have at most 25 words."""
    found = []
    for path, text in texts():
        if path.endswith(".html"):
            plain = re.sub(r"\{\{.*?\}\}", "value", " ".join(text.split()))
            found += [(path, one) for one in sentences(plain) if words(one) > MOST_WORDS]
    assert [] == found
