"""What the OpenAPI document says of every operation: roles, statuses, headers and the example, all derived from its resource."""

from __future__ import annotations

import json
import re
from functools import cache
from http import HTTPStatus
from importlib import resources
from typing import Any

from marshmallow import Schema, fields

from lots.services.setup.roles import ADMIN, ROLES

# Headers of answers, by name.
HEADERS: dict[str, tuple[str, dict[str, Any]]] = {
    "ETag": (
        "Version of what was answered. Send it as If-None-Match to read again, or as If-Match to change.",
        {"type": "string"},
    ),
    "Location": ("Address of what was made.", {"type": "string", "format": "uri-reference"}),
    "Link": ('The next page, with rel="next" (RFC 8288). The last page has no such header.', {"type": "string"}),
    "Retry-After": ("Time to wait before the next request, s.", {"type": "integer", "minimum": 0}),
    "Idempotent-Replayed": (
        "`true` where the answer was kept from the first request with this Idempotency-Key.",
        {"type": "string", "enum": ["true"]},
    ),
    "X-Request-Id": ("Names this request in the log of the server.", {"type": "string"}),
}

# Headers that an answer has always; the others depend on the request.
ALWAYS = {"ETag", "Location", "X-Request-Id"}

# What each refusal means. `default` stands for every status that an operation does not name.
REFUSALS: dict[str, tuple[int, str]] = {
    "BAD_REQUEST": (400, "The body is not strict JSON, or the query is not UTF-8 text."),
    "UNAUTHORIZED": (401, "The token is missing, wrong, revoked or expired."),
    "FORBIDDEN": (403, "The role of this token may not do this."),
    "NOT_FOUND": (404, "The path names a thing that does not exist."),
    "NOT_ACCEPTABLE": (406, "The answer cannot be written in the form that the Accept header asks for."),
    "CONFLICT": (409, "The state of the data does not allow this. The detail names the reason."),
    "PRECONDITION_FAILED": (412, "If-Match names an older version. Read again, then repeat the change."),
    "REQUEST_ENTITY_TOO_LARGE": (413, "The body is larger than this server takes."),
    "UNSUPPORTED_MEDIA_TYPE": (415, "The body has another content type than this operation takes."),
    "UNPROCESSABLE_ENTITY": (422, "Fields or parameters are invalid. `errors` lists all of them."),
    "PRECONDITION_REQUIRED": (428, "The header If-Match is missing."),
    "TOO_MANY_REQUESTS": (429, "Too many different wrong tokens came from this address within a minute."),
    "NOT_IMPLEMENTED": (501, "This server lacks the extra for PDF."),
    "SERVICE_UNAVAILABLE": (503, "The database cannot be used now. Nothing was stored."),
}
_NAMES = {status: name for name, (status, _) in REFUSALS.items()}
# Headers of refusals beside X-Request-Id. A refusal that left a record, such as a refused load, is kept for repeats too.
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
    says = "The request was refused or failed. The problem document says why and what to do."
    return {**found, "DEFAULT_ERROR": {"description": says, "headers": _headers("X-Request-Id"), "content": content}}


def _headers(*names: str) -> dict[str, dict[str, str]]:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


def document_shared(doc: dict[str, Any], info: dict[str, Any], *, method: str, **_: Any) -> dict[str, Any]:
    """Documents what every operation has: roles, refusals, headers, the example, the key of a repeatable POST, the ETag that a PATCH needs."""
    responses = doc.setdefault("responses", {})
    responses["default"] = "DEFAULT_ERROR"
    doc["operationId"] = info.get("operation_id")
    doc["x-roles"] = list(dict.fromkeys([*info.get("roles", ()), ADMIN]))
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


def _sent(method: str, status: int, response: dict[str, Any], info: dict[str, Any]) -> list[str]:
    """Names of the headers of a success."""
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
    """Statuses with which an operation refuses: those of its kind, and those that its own description names."""
    # What guards every path; the query of every path is checked.
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
                "A repeat with the same key and body gets the first answer again; with another body, 422. An answer is kept for as many "
                "days as the server's setting repeat_days says, 7 unless it was changed. A repeat after that is done anew."
            ),
        },
        "patch": {
            "name": "If-Match",
            "required": True,
            "schema": {"type": "string"},
            "description": "The ETag of what you read. 428 without it, 412 when it is stale.",
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
    """Answers by the name of their operation, as this program gave them to the examples of requests. Only short ones are shown."""
    text = (resources.files("lots.api.http.openapi") / "answer_examples.json").read_text("utf-8")
    return json.loads(text)  # type: ignore[no-any-return]  # an object


def example_of(schema: Any) -> dict[str, Any]:
    """Returns a whole request as the schema's class gives it (`example`), else the examples of its required fields; {} when one has none."""
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
