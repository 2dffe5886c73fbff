"""A characteristic is declared once: no table outside its folder has characteristics, or fields of their readings and limits, as keys."""

import ast
from collections import Counter
from dataclasses import fields
from pathlib import Path

from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import Conditions

PACKAGE = Path(__file__).parent.parent / "lots"
NAMES = set(DECLARED)
FIELDS = {field.name for one in DECLARED.values() for field in (*one.fields, *one.limits.fields, *one.worked_out)}
# What happened once stays as it was written.
FROZEN = PACKAGE / "store" / "upkeep" / "migrations"
DECLARATIONS = PACKAGE / "domain" / "characteristics"
# A picture is drawn of one characteristic, which it may know.
PICTURES = {PACKAGE / "services" / "documents" / "lot_pictures.py", *(PACKAGE / "api" / "pictures").glob("*.py")}
# Colour's own values have these fields everywhere, as a measured or an approved colour.
OF_COLOR = {"lab", "spectrum", "conditions", "formula", "weights", *(field.name for field in fields(Conditions))}


def texts(nodes):
    """The constant texts among these."""
    return {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def tables(tree):
    """The texts of each dict, list, tuple and set, and of each chain of comparisons in one function."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            yield node.lineno, texts(node.keys)
        elif isinstance(node, ast.List | ast.Tuple | ast.Set):
            yield node.lineno, texts(node.elts)
        elif isinstance(node, ast.FunctionDef):
            compared = [each for one in ast.walk(node) if isinstance(one, ast.Compare) for each in one.comparators]
            yield node.lineno, texts(compared)


def test_no_table_is_keyed_by_characteristics_or_their_fields():
    """Two names or two fields side by side are a table that would lack the next characteristic."""
    found = Counter()
    for path in sorted(PACKAGE.rglob("*.py")):
        if DECLARATIONS in path.parents or FROZEN in path.parents or path in PICTURES:
            continue
        for line, words in tables(ast.parse(path.read_text(encoding="utf-8"))):
            if len(words & NAMES) > 1 or len(words & FIELDS - OF_COLOR) > 1:
                found[f"{path.relative_to(PACKAGE)}:{line} {sorted(words & (NAMES | FIELDS))}"] += 1
    assert [] == sorted(found)


# The definitions themselves: the formula with its weights and its symbol, the guard band, the roles of the bench.
DEFAULTS = {
    "CIEDE2000": {"domain/colorimetry/color_difference.py", "domain/characteristics/color/limits_block.py"},
    1.645: {"domain/conformity/limits.py"},
    ("receiving", "quality"): {"domain/characteristics/declaring/declaration.py"},
}


def constants(tree):
    """Every constant, and every tuple of constants."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant):
            yield node.value
        elif isinstance(node, ast.Tuple):
            yield tuple(each.value for each in node.elts if isinstance(each, ast.Constant))


def test_a_default_is_stated_once():
    """A default is stated once, and elsewhere used by name."""
    found = {default: set() for default in DEFAULTS}
    for path in sorted(PACKAGE.rglob("*.py")):
        if FROZEN not in path.parents:
            for default in DEFAULTS.keys() & set(constants(ast.parse(path.read_text(encoding="utf-8")))):
                found[default].add(path.relative_to(PACKAGE).as_posix())
    assert DEFAULTS == found
