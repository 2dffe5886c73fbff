"""Errors as problem documents (RFC 9457), and the table of error types and statuses."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from flask import Flask, Response, has_request_context, request
from marshmallow import INCLUDE, Schema, fields
from werkzeug.exceptions import HTTPException

from lots.api.http import logs
from lots.domain.words import listed
from lots.services.errors import (
    MOST_LISTED,
    BadCursor,
    Clash,
    Conflict,
    Damaged,
    Fault,
    Full,
    Gone,
    Invalid,
    KeyReused,
    LotsError,
    NotAuthor,
    NotFound,
    ReadOnly,
    Stale,
    Unanswered,
    Unavailable,
    Uncertain,
    of_engine,
)
from lots.services.files.csv_tables import CellFault

log = logging.getLogger(__name__)

STATUS: dict[type[LotsError], int] = {
    NotAuthor: 403,
    NotFound: 404,
    Invalid: 422,
    Conflict: 409,
    Stale: 412,
    KeyReused: 422,
}


def status_of(error: LotsError) -> int:
    """Returns the HTTP status of an error."""
    return next(code for kind, code in STATUS.items() if isinstance(error, kind))


# Maximum length of one text in an answer, characters.
_LONGEST = 2_000
# Length of a name that is compared with known names, characters.
_NAME = 100
# Slug, title and advice for each HTTP status.
_HTTP = {
    400: ("malformed", "Unreadable request", ""),
    401: (
        "no-token",
        "Token required",
        "Send `Authorization: Bearer TOKEN`. An administrator adds a token with `lots token add NAME --role ROLE`.",
    ),
    403: ("not-your-desk", "Role not permitted", ""),
    404: ("not-found", "Not found", "See /docs for all paths."),
    405: ("wrong-method", "Method not allowed", ""),
    408: ("timed-out", "Request timed out", "Send the request again."),
    412: ("stale", "Changed meanwhile", "The ETag in If-Match is outdated. Read the resource again."),
    413: ("too-large", "Request too large", "Split it into several requests."),
    414: ("uri-too-long", "URL too long", "Split it into several requests."),
    415: ("wrong-type", "Body is not JSON", "Send JSON, with the header `Content-Type: application/json`."),
    422: ("invalid", "Invalid request", ""),
    428: (
        "needs-if-match",
        "If-Match required",
        "Read the resource and send its ETag in the header `If-Match`.",
    ),
    429: (
        "too-many-wrong-tokens",
        "Too many wrong tokens",
        (
            "Your address sent too many wrong tokens within a minute. Wait for the time in the header `Retry-After`. A valid token still works."
        ),
    ),
    431: ("head-too-large", "Request header too large", "Send a shorter query or fewer headers."),
    500: (
        "broken",
        "Internal server error",
        (
            "Check whether it was stored before you send it again. A request with an Idempotency-Key can be repeated safely. If the error persists, give the administrator the request id."
        ),
    ),
    503: (
        "unavailable",
        "Database unavailable",
        "Nothing was stored. Try again shortly. If the error persists, tell the administrator.",
    ),
    507: (
        "full",
        "Storage full",
        (
            "Nothing was stored. Stored data can still be read. Ask the administrator to free space for the database, then send the request again."
        ),
    ),
}


class FaultSchema(Schema):
    """One error, with place, detail and hint."""

    pointer = fields.String(
        required=True, metadata={"description": "JSON pointer into the body, or the name of a query parameter"}
    )
    detail = fields.String(required=True)
    hint = fields.String()
    confirm = fields.String(metadata={"description": "field to set to true if the value is correct"})
    row = fields.Integer(metadata={"description": "row number in the imported file; the header is row 1"})
    column = fields.String(metadata={"description": "column name in the imported file"})
    line = fields.Integer(
        metadata={"description": "line number in the imported file, if it differs from the row number"}
    )


class ProblemSchema(Schema):
    """A problem document (RFC 9457). Some carry more members, such as `reasons` or `candidates`."""

    type = fields.String(
        required=True, metadata={"format": "uri-reference", "description": "problem type; ends in a stable slug"}
    )
    title = fields.String(required=True)
    status = fields.Integer(required=True)
    detail = fields.String(required=True)
    errors = fields.List(fields.Nested(FaultSchema), required=True, metadata={"maxItems": MOST_LISTED})
    errors_total = fields.Integer(
        metadata={"description": f"total number of errors, given if there are more than {MOST_LISTED}"}
    )
    request_id = fields.String(metadata={"description": "request id in the server log; also in X-Request-Id"})

    class Meta:
        unknown = INCLUDE


def problem(
    status: int,
    slug: str,
    title: str,
    detail: str,
    faults: Iterable[Fault] = (),
    headers: Iterable[tuple[str, str]] = (),
    **more: Any,
) -> Response:
    """Returns a problem document with the first `MOST_LISTED` faults and their total number."""
    found = list(faults)
    errors = [_told(fault) for fault in found[:MOST_LISTED]]
    detail = _cut(detail)
    if len(found) > MOST_LISTED:
        detail = f"{detail} The first {MOST_LISTED} of {len(found):,} errors are listed."
        more = {"errors_total": len(found), **more}
    prefix = request.script_root if has_request_context() else ""
    body = {
        "type": f"{prefix}/problems/{slug}",
        "title": title,
        "status": status,
        "detail": detail,
        "errors": errors,
        **more,
    }
    if (request_id := logs.request_id()) is not None:
        body["request_id"] = request_id
    # An unpaired surrogate, quoted from a request, cannot be encoded as UTF-8.
    text = (json.dumps(body, ensure_ascii=False) + "\n").encode("utf-8", "replace")
    answer = Response(text, status, mimetype="application/problem+json")
    answer.headers.extend(list(headers))
    return answer


def _cut(text: str) -> str:
    """Returns a text, shortened to the maximum length."""
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}... ({len(text):,} characters)"


def _told(fault: Fault) -> dict[str, Any]:
    place = {"row": fault.row, "column": fault.column, "line": fault.line} if isinstance(fault, CellFault) else {}
    more = {"hint": _cut(fault.hint) or None, "confirm": fault.confirm or None, **place}
    told = {"pointer": _cut(fault.pointer), "detail": _cut(fault.detail)}
    return {**told, **{k: v for k, v in more.items() if v is not None}}


def http_problem(
    status: int, detail: str = "", headers: Iterable[tuple[str, str]] = (), *, advise: bool = True
) -> Response:
    """Returns the problem document for an HTTP status, with advice if `advise` is true."""
    slug, title, advice = _HTTP.get(status, ("refused", "Request refused", ""))
    advice = advice if advise else ""
    return problem(status, slug, title, " ".join(part for part in (detail, advice) if part), headers=headers)


# Slug, title and advice for statuses given by the server, not by the application.
_BY_SERVER = {
    503: (
        "busy",
        "Server busy",
        "A newer request replaced this incomplete one. Send it again.",
    ),
    500: ("broken", "Internal server error", "The answer could not be written. Send the request again."),
    501: ("no-such-coding", "Unsupported transfer coding", "Send the body with Content-Length, or in chunks."),
}


def server_problem(status: int, detail: str, request_id: str) -> Response:
    """Returns the problem document for a request that never reached the application."""
    slug, title, advice = _BY_SERVER.get(status) or _HTTP.get(status, _HTTP[400])
    said = " ".join(part for part in (detail, advice) if part) or "The bytes are not an HTTP/1.1 request (RFC 9112)."
    headers = [("Retry-After", "2")] if status == 503 else []
    return problem(status, slug, title, said, headers=headers, request_id=request_id)


def unavailable(error: Exception) -> Response:
    """Returns the answer for an unavailable database: locked, slow, unreachable, full, read-only, damaged or removed."""
    later = [("Retry-After", "2")]
    if isinstance(error, Damaged | Gone):
        # The message states problem and remedy, so a traceback is not needed.
        log.error("%s", error)
        kept = _UNCERTAIN if isinstance(error, Uncertain) else "Nothing was stored."
        what = "was removed or replaced while it was in use" if isinstance(error, Gone) else "is damaged"
        return http_problem(503, f"The database {what}. {kept} {_ASK}", later, advise=False)
    log.error("database unavailable: %s", error, exc_info=error)
    if isinstance(error, Unanswered):
        text = f"The connection to the database was lost during the commit. {_UNCERTAIN}"
        return http_problem(503, text, later, advise=False)
    if isinstance(error, Full):
        return http_problem(507)
    if isinstance(error, ReadOnly):
        text = "Nothing was stored. Stored data can still be read. If the error persists, tell the administrator."
        return problem(503, "read-only", "Database is read-only", text, headers=later)
    return http_problem(503, headers=later)


_ASK = "Tell the administrator. The server log says what to do."
_UNCERTAIN = "It is not certain whether this was stored. Check before you send it again, or repeat it with the same Idempotency-Key."


def faults_from(messages: Any, schema: Schema | None, at: str = "") -> list[Fault]:
    """Returns nested marshmallow messages as faults with JSON pointers. Unknown fields get similar names as hint."""
    return _faults(messages, schema, at, [])


def _faults(messages: Any, schema: Schema | None, at: str, found: list[Fault]) -> list[Fault]:
    """Adds the faults to `found`, and returns it."""
    if isinstance(messages, dict):
        # Faults of a map are {"key": ..., "value": ...} below their entry.
        if schema is None and set(messages) <= {"key", "value"}:
            for inner in messages.values():
                _faults(inner, None, at, found)
            return found
        for key, inner in messages.items():
            place = at if key == "_schema" else f"{at}/{_escaped(key)}"
            looked_up = len(found) < MOST_LISTED
            _faults(_with_near_names(inner, key, schema) if looked_up else inner, _below(schema, key), place, found)
        return found
    every = messages if isinstance(messages, list) else [messages]
    found += [Fault(at, str(said), getattr(said, "hint", "")) for said in every]
    return found


def _escaped(key: Any) -> str:
    return str(key).replace("~", "~0").replace("/", "~1")


def _below(schema: Schema | None, key: Any) -> Schema | None:
    if schema is None or isinstance(key, int):
        return schema
    field = schema.fields.get(str(key)) if hasattr(schema, "fields") else None
    while isinstance(field, fields.List):
        field = field.inner
    return field.schema if isinstance(field, fields.Nested) else None


def _with_near_names(messages: Any, key: Any, schema: Schema | None) -> Any:
    from lots.api.http.fields import Said

    if schema is not None and messages == ["This is required."] and not getattr(messages[0], "hint", ""):
        field = schema.fields.get(str(key))
        return [Said(messages[0], _what_to_give(field.metadata if field else {}))]
    if schema is None or messages != ["Unknown field."]:
        return messages
    near = get_close_matches(str(key)[:_NAME], list(schema.fields), n=2, cutoff=0.6)
    hint = f"Did you mean {listed(near, 'or')}?" if near else f"Use one of these fields: {', '.join(schema.fields)}."
    return [Said(messages[0], hint)]


def _what_to_give(about: Mapping[str, Any]) -> str:
    """Returns the hint for a missing field: permitted values, or else description and example."""
    if allowed := about.get("enum"):
        return f"Give {listed([*map(str, allowed)], 'or')}."
    says, example = str(about.get("description", "")), about.get("example")
    such_as = f", such as {example}" if isinstance(example, str | int | float) and "such as" not in says else ""
    if says:
        return f"Give the {says}{such_as}."
    return f"Give a value{such_as}." if such_as else ""


def register(app: Flask) -> None:
    """Answers every error of the application with a problem document."""

    def of_desk(error: LotsError) -> Response:
        return problem(status_of(error), error.slug, error.title, error.detail, error.faults, (), **error.more)

    def of_cursor(error: BadCursor) -> Response:
        fault = Fault(
            "cursor",
            "This cursor does not belong to this list.",
            "Use `next` unchanged, or start without a cursor.",
        )
        return problem(422, "invalid", "Invalid request", fault.detail, [fault])

    def of_clash(error: Clash) -> Response:
        return problem(
            409,
            "clash",
            "Simultaneous change",
            "Another request wrote the same record at the same time. Read it again, then repeat your change if still needed.",
        )

    def of_http(error: HTTPException) -> Response:
        status = error.code or 500
        detail = {
            404: "This path does not exist.",
            405: f"This path accepts {', '.join(getattr(error, 'valid_methods', None) or [])}.",
            413: f"The limit is {app.config['MAX_CONTENT_LENGTH']:,} bytes.",
        }.get(status, "")
        kept = [(k, v) for k, v in error.get_headers() if k.lower() not in ("content-type", "content-length")]
        return http_problem(status, detail, kept)

    def of_anything(error: Exception) -> Response:
        if meant := of_engine(error):
            return unavailable(meant)
        log.exception("unexpected error in %s %s", logs.method(), logs.route())
        return http_problem(500, f"The request id is {logs.request_id()}.")

    app.register_error_handler(LotsError, of_desk)
    app.register_error_handler(BadCursor, of_cursor)
    app.register_error_handler(Clash, of_clash)
    app.register_error_handler(Unavailable, unavailable)
    app.register_error_handler(HTTPException, of_http)
    app.register_error_handler(Exception, of_anything)
