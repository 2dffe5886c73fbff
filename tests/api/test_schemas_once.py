"""A field of two schemas is written in one; the other inherits it or uses `answered`."""

import ast
from itertools import combinations
from pathlib import Path

PACKAGE = Path(__file__).parent.parent.parent / "lots"
LEAST = 4
# The warnings of a load are also in a clearance, among fields on a spool that is not loaded.
SHARED = {("ClearanceSchema", "LoadedSchema")}


def written_out(tree):
    """Fields written in each class: its name, and each field with kind and content."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            yield (
                node.name,
                {
                    (line.targets[0].id, kind_of(line.value))
                    for line in node.body
                    if isinstance(line, ast.Assign)
                    and isinstance(line.value, ast.Call)
                    and isinstance(line.targets[0], ast.Name)
                },
            )


def kind_of(call):
    """The class of a field with its nested schema or field, and whether it can be null."""
    held = [ast.unparse(each) for each in call.args if isinstance(each, ast.Call | ast.Name)]
    null = [ast.unparse(each) for each in call.keywords if each.arg == "allow_none"]
    return ast.unparse(call.func), *held, *null


def shared_wholly(schemas):
    """Pairs of schemas, of four fields or more, of which one contains all of the other."""
    for (one, mine), (other, theirs) in combinations(sorted(schemas, key=lambda schema: schema[0]), 2):
        if min(len(mine), len(theirs)) >= LEAST and (mine <= theirs or theirs <= mine):
            yield one, other


def test_no_schema_writes_out_what_another_does():
    """No schema repeats the fields of another."""
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in sorted((PACKAGE / "api").rglob("*.py")))
    schemas = [schema for tree in trees for schema in written_out(tree)]
    assert 150 < len([fields for _, fields in schemas if fields])
    assert SHARED == set(shared_wholly(schemas))


def test_a_copy_is_found():
    """A copy that differs in a description alone is found; one of another kind or nullability is not."""
    text = """
class One(Schema):
    id = fields.Integer()
    name = Text(20)
    lots = fields.List(fields.Nested(LotSchema))
    says = fields.String()

class Two(Schema):
    id = fields.Integer(metadata={"description": "number"})
    name = Text(20)
    lots = fields.List(fields.Nested(LotSchema))
    says = fields.String()
    more = fields.String()

class Three(Schema):
    id = fields.Integer()
    name = Text(20)
    lots = fields.List(fields.Nested(SpoolSchema))
    says = fields.String()

class Four(Schema):
    id = fields.Integer()
    name = Text(20)
    lots = fields.List(fields.Nested(LotSchema))
    says = fields.String(allow_none=True)
"""
    assert [("One", "Two")] == list(shared_wholly(written_out(ast.parse(text))))
