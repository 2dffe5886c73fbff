"""What was published stays: the document served now against the one kept in `kept_document.json.xz`, its references resolved, its prose left out.

Additions are free: paths, answers, optional fields, words of an enumeration. Nothing may be missing, change its type or be asked for that was not.
To keep a newer document, write the served one over it in the same form (`kept_form`).
"""

import json
import lzma
from pathlib import Path

KEPT = Path(__file__).parent / "kept_document.json.xz"
NAMED = {"properties", "schemas", "paths"}
PROSE = {"description", "summary", "example"}


def kept_form(part, named=False):
    """A document without its prose; a property may be called like a kind of prose."""
    if isinstance(part, dict):
        return {key: kept_form(value, key in NAMED) for key, value in part.items() if named or key not in PROSE}
    return [kept_form(each) for each in part] if isinstance(part, list) else part


def resolved(document, part, seen=()):
    """The same with every reference replaced by what it refers to; one that refers to itself stays."""
    if isinstance(part, list):
        return [resolved(document, each, seen) for each in part]
    if not isinstance(part, dict):
        return part
    where = part.get("$ref")
    if not isinstance(where, str):
        return {key: resolved(document, value, seen) for key, value in part.items()}
    if where in seen:
        return part
    found = document
    for step in where.removeprefix("#/").split("/"):
        found = found[step.replace("~1", "/")]
    return resolved(document, found, (*seen, where))


def missing(at, before, now, asked=False):
    """What is missing or other than before, by its place; `asked` below a request, where a field may not become required."""
    if isinstance(before, dict) and isinstance(now, dict):
        for key, value in before.items():
            if key not in now:
                yield f"{at}/{key}"
            else:
                yield from missing(f"{at}/{key}", value, now[key], asked or key in ("requestBody", "parameters"))
        if asked and "required" in now and isinstance(now["required"], list) and "required" not in before:
            yield f"{at}/required {now['required']}"
    elif isinstance(before, list) and isinstance(now, list):
        last = at.rpartition("/")[2]
        if last == "required" and asked:
            yield from (f"{at} {name}" for name in now if name not in before)
        elif all(isinstance(each, str | int | None) for each in before):
            yield from (f"{at} {each}" for each in before if each not in now)
        else:
            yield from (f"{at}/{index}" for index in range(len(now), len(before)))
            for index, (old, new) in enumerate(zip(before, now, strict=False)):
                yield from missing(f"{at}/{index}", old, new, asked)
    elif asked and at.endswith("/maximum"):
        # A request may always ask for more than before.
        if now < before:
            yield f"{at} {before} {now}"
    elif before != now and not at.endswith(("/maxItems", "/maxLength")):
        yield f"{at} {before} {now}"


def test_nothing_that_was_published_is_missing(app):
    """Paths, methods, operations by name and tag, parameters, bodies, answers and their fields."""
    kept = json.loads(lzma.decompress(KEPT.read_bytes()))
    served = kept_form(app.test_client().get("/v1/openapi.json").get_json())
    before, now = (resolved(document, document["paths"]) for document in (kept, served))
    assert [] == list(missing("", before, now))


def test_a_missing_field_is_told():
    """A field that is gone, another type, a field that is asked for now, and a word that is no longer taken; an added one is not."""
    body = {"type": "object", "properties": {"a": {"type": "string", "enum": ["x", "y"]}, "b": {"type": "number"}}}
    before = {"requestBody": {**body, "required": ["a"]}}
    now = {
        "requestBody": {
            "type": "object",
            "properties": {"a": {"type": "integer", "enum": ["x", "z"]}, "c": {"type": "number"}},
            "required": ["a", "c"],
        }
    }
    at = "/requestBody/properties"
    expected = [f"{at}/a/type string integer", f"{at}/a/enum y", f"{at}/b", "/requestBody/required c"]
    assert expected == list(missing("", before, now))
    assert [] == list(missing("", before, before | {"responses": {}}))
