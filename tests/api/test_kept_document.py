"""The published document stays valid: the served one is compared with `kept_document.json.xz`, references resolved, prose omitted.

Additions of paths, answers, optional fields and enumeration words are allowed. Nothing may be missing, change its type or become required.
To store a newer document, write the served one over it in the same form (`kept_form`).
"""

import json
import lzma
from pathlib import Path

KEPT = Path(__file__).parent / "kept_document.json.xz"
NAMED = {"properties", "schemas", "paths"}
PROSE = {"description", "summary", "example"}


def kept_form(part, named=False):
    """A document without its prose; a property can have the name of a kind of prose."""
    if isinstance(part, dict):
        return {key: kept_form(value, key in NAMED) for key, value in part.items() if named or key not in PROSE}
    return [kept_form(each) for each in part] if isinstance(part, list) else part


def resolved(document, part, seen=()):
    """The same with every reference resolved, except recursive ones."""
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
    """Missing or changed parts by place; `asked` below a request, where a field may not become required."""
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
    """No published path, method, operation name, tag, parameter, body, answer or field is missing."""
    kept = json.loads(lzma.decompress(KEPT.read_bytes()))
    served = kept_form(app.test_client().get("/v1/openapi.json").get_json())
    before, now = (resolved(document, document["paths"]) for document in (kept, served))
    assert [] == list(missing("", before, now))


def test_a_missing_field_is_told():
    """A removed field, another type, a newly required field and a removed word are reported; an added field is not."""
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
