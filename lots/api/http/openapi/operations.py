"""Operations in the OpenAPI document: roles, statuses, headers and examples, derived from their resources."""

from __future__ import annotations

import json
import re
from functools import cache
from http import HTTPStatus
from importlib import resources
from typing import Any

from marshmallow import Schema, fields

from lots.services.setup.roles import ADMIN, MONITORING, ROLES

# Headers of answers, by name.
HEADERS: dict[str, tuple[str, dict[str, Any]]] = {
    "ETag": (
        "Version of the answer. Send it as If-None-Match to read again, or as If-Match to change.",
        {"type": "string"},
    ),
    "Location": ("Address of the new resource.", {"type": "string", "format": "uri-reference"}),
    "Link": ('The next page, with rel="next" (RFC 8288). The last page has no such header.', {"type": "string"}),
    "Retry-After": ("Time to wait before the next request, s.", {"type": "integer", "minimum": 0}),
    "Idempotent-Replayed": (
        "`true` if this is the stored answer to the first request with this Idempotency-Key.",
        {"type": "string", "enum": ["true"]},
    ),
    "X-Request-Id": ("Request id in the server log.", {"type": "string"}),
}

# Headers that are always present. The others depend on the request.
ALWAYS = {"ETag", "Location", "X-Request-Id"}

# Status and description of each refusal. `default` covers all statuses that an operation does not name.
REFUSALS: dict[str, tuple[int, str]] = {
    "BAD_REQUEST": (400, "The body is not strict JSON, or the query is not UTF-8 text."),
    "UNAUTHORIZED": (401, "The token is missing, wrong, revoked or expired."),
    "FORBIDDEN": (403, "The role of this token is not permitted."),
    "NOT_FOUND": (404, "The resource in the path does not exist."),
    "NOT_ACCEPTABLE": (406, "The answer is not available in the types of the Accept header."),
    "CONFLICT": (409, "The present state does not permit this. `detail` states the reason."),
    "PRECONDITION_FAILED": (412, "If-Match names an older version. Read again, then repeat the change."),
    "REQUEST_ENTITY_TOO_LARGE": (413, "The body exceeds the size limit."),
    "UNSUPPORTED_MEDIA_TYPE": (415, "This operation does not accept the content type of the body."),
    "UNPROCESSABLE_ENTITY": (422, "Fields or parameters are invalid. `errors` lists up to 100 of them."),
    "PRECONDITION_REQUIRED": (428, "The header If-Match is missing."),
    "TOO_MANY_REQUESTS": (429, "This address sent too many wrong tokens within a minute."),
    "NOT_IMPLEMENTED": (501, "The PDF extra is not installed on this server."),
    "SERVICE_UNAVAILABLE": (503, "The database is unavailable. Nothing was stored."),
}
_NAMES = {status: name for name, (status, _) in REFUSALS.items()}
# Further headers of refusals. A recorded refusal, such as a refused load, is also stored for repeats.
_MORE = {409: ["Idempotent-Replayed"], 429: ["Retry-After"], 503: ["Retry-After"]}
_STATUS = re.compile(r"\b[45]\d\d\b")


def header_components() -> dict[str, dict[str, Any]]:
    """Returns the headers of answers as components of the document."""
    return {
        name: {"description": says, "schema": schema, **({"required": True} if name in ALWAYS else {})}
        for name, (says, schema) in HEADERS.items()
    }


def refusal_components(problem: type[Schema]) -> dict[str, dict[str, Any]]:
    """Returns the refusals as components of the document, each with the problem document as its body."""
    content = {"application/problem+json": {"schema": problem}}
    found = {
        name: {"description": says, "headers": _headers("X-Request-Id", *_MORE.get(status, ())), "content": content}
        for name, (status, says) in REFUSALS.items()
    }
    says = "The request was refused or failed. The problem document states the reason and the next step."
    return {**found, "DEFAULT_ERROR": {"description": says, "headers": _headers("X-Request-Id"), "content": content}}


def _headers(*names: str) -> dict[str, dict[str, str]]:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


def document_shared(doc: dict[str, Any], info: dict[str, Any], *, method: str, **_: Any) -> dict[str, Any]:
    """Documents the shared parts of operations: roles, refusals, headers, examples, Idempotency-Key and If-Match."""
    responses = doc.setdefault("responses", {})
    responses["default"] = "DEFAULT_ERROR"
    doc["operationId"] = info.get("operation_id")
    doc["x-roles"] = list(dict.fromkeys([*info.get("roles", ()), ADMIN]))
    _name_roles(doc["x-roles"], info)
    if says := info.get("as_csv"):
        responses[200]["content"]["text/csv"] = {"schema": {"type": "string", "description": says}}
    for status, response in responses.items():
        if isinstance(status, int) and status < 300:
            response["headers"] = {**_headers(*_sent(method, status, response, info)), **response.get("headers", {})}
    for status in sorted(_refused(doc, info, method)):
        responses[status] = _NAMES[status]
    _ask_headers(doc, method)
    _add_examples(doc)
    return doc


def _name_roles(roles: list[str], info: dict[str, Any]) -> None:
    """Adds the permitted roles to the description of an operation."""
    said = info.setdefault("docstring", {})
    named = "all except monitoring" if set(roles) == {*ROLES} - {MONITORING} else ", ".join(roles)
    said["description"] = f"{said.get('description', '')}\n\nRoles: {named}.".strip()


def path_parameters(rule: str) -> list[dict[str, str]]:
    """Returns the description of the parameter in a path.

    Example:
        >>> path_parameters("/v1/test-prints/<int:number>/revisions")
        [{'in': 'path', 'name': 'number', 'description': 'number of the test print'}]
    """
    found = re.search(r"/([a-z-]+)/<(?:[^:<>]*:)?(\w+)>", rule)
    if found is None:
        return []
    things, name = found.groups()
    thing = _ONE_OF.get(things, things.removesuffix("s").replace("-", " "))
    return [{"in": "path", "name": name, "description": f"{name} of the {thing}"}]


_ONE_OF = {"deliveries": "delivery", "studies": "study", "people": "person or program"}


def _sent(method: str, status: int, response: dict[str, Any], info: dict[str, Any]) -> list[str]:
    """Returns the header names of a success."""
    schema = response.get("content", {}).get("application/json", {}).get("schema")
    named = ["X-Request-Id"]
    if method in ("get", "patch"):
        named.append("ETag")
    if info.get("paged"):
        named.append("Link")
    if method == "post":
        named.append("Idempotent-Replayed")
        if info.get("made_at") and status == HTTPStatus.CREATED:
            named.append("Location")
            if isinstance(schema, Schema) and "version" in schema.fields:
                named.append("ETag")
    return named


def _refused(doc: dict[str, Any], info: dict[str, Any], method: str) -> set[int]:
    """Returns the refusal statuses of an operation: those of its kind and those in its description."""
    # Statuses of every path: token, query, token limit, database.
    found = {401, 422, 429, 503}
    if not {*info.get("roles", ()), ADMIN} >= set(ROLES):
        found.add(403)
    if "<" in info.get("rule", ""):
        found.add(404)
    if method in ("post", "patch") and ("requestBody" in doc or "requestBody" in info.get("manual_doc", {})):
        found |= {400, 413, 415}
    if method == "patch":
        found |= {412, 428}
    if method == "get" and not info.get("as_csv"):
        found.add(406)
    own = {**info.get("docstring", {}), **info.get("manual_doc", {})}
    named = map(int, _STATUS.findall(f"{own.get('summary', '')} {own.get('description', '')}"))
    return found | {status for status in named if status in _NAMES}


def _ask_headers(doc: dict[str, Any], method: str) -> None:
    asked: dict[str, dict[str, Any]] = {
        "post": {
            "name": "Idempotency-Key",
            "schema": {"type": "string", "minLength": 1, "maxLength": 255},
            "description": (
                "A repeat with the same key and body returns the first answer. A repeat with another body is refused with 422. The setting repeat_days, 7 by default, limits how long answers are stored. A later repeat is processed as a new request."
            ),
        },
        "patch": {
            "name": "If-Match",
            "required": True,
            "schema": {"type": "string"},
            "description": "ETag of the version that you read. 428 without it, 412 if it is outdated.",
        },
    }
    if method in asked:
        doc.setdefault("parameters", []).append({"in": "header", **asked[method]})


def _add_examples(doc: dict[str, Any]) -> None:
    for shown in doc.get("requestBody", {}).get("content", {}).values():
        if example := example_of(shown.get("schema")):
            shown["example"] = example
    if answer := _answers().get(doc["operationId"]):
        status = next(status for status in (201, 200) if status in doc["responses"])
        doc["responses"][status]["content"]["application/json"]["example"] = answer


@cache
def _answers() -> dict[str, Any]:
    """Returns example answers by operation id, recorded from this program. Only short ones are shown."""
    text = (resources.files("lots.api.http.openapi") / "answer_examples.json").read_text("utf-8")
    return json.loads(text)  # type: ignore[no-any-return]  # an object


def example_of(schema: Any) -> dict[str, Any]:
    """Returns the `example` of a schema, or else the examples of its required fields; {} if one has none."""
    if not isinstance(schema, Schema):
        return {}
    whole: dict[str, Any] = getattr(schema, "example", {})
    if whole:
        return whole
    asked = {name: _example_of_field(field) for name, field in schema.load_fields.items() if field.required}
    return {} if None in asked.values() else asked


def _example_of_field(field: fields.Field[Any]) -> Any:
    if isinstance(field, fields.Nested) and not field.many:
        return example_of(field.schema) or None
    return field.metadata.get("example")
