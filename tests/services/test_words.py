"""Words of services for people: the API returns them and pages show them, so that they name no path or method."""

import ast
import re
from pathlib import Path

ROOMS = Path(__file__).parents[2] / "lots"
FILES = sorted([*(ROOMS / "services").rglob("*.py"), *(ROOMS / "domain").rglob("*.py")])
REQUEST = re.compile(r"\b(GET|POST|PATCH|DELETE) ?/|/v1\b|\?as_of|`Accept")
# This hint is for users of the API alone, in a field that no page shows.
FOR_PROGRAMS = {("nonconformity_report.py", "POST /v1/lots/")}


def said(path):
    """Every text of a file except docstrings; of an f-string, the parts between its values."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    texts = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return [node.value for node in texts if id(node) not in docs]


def test_no_sentence_names_a_request():
    """No sentence names a path or a method."""
    found = {(path.name, text) for path in FILES for text in said(path) if REQUEST.search(text)}
    assert set() == found - FOR_PROGRAMS
