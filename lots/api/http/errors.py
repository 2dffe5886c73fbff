"""Every refusal as one shape: RFC 9457 problem documents, and the one table from error to status."""

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
    """Returns the status of a refusal."""
    return next(code for kind, code in STATUS.items() if isinstance(error, kind))


# Characters of one text in an answer: more than any sentence here has that quotes nothing.
_LONGEST = 2_000
# A name is compared with those there are by so much of it.
_NAME = 100
# What each refusal of the HTTP layer itself means, and what to do about it.
_HTTP = {
    400: ("malformed", "This request cannot be read", ""),
    401: (
        "no-token",
        "A token is needed",
        "Send `Authorization: Bearer TOKEN`. An administrator makes one with `lots token add NAME --role ROLE`.",
    ),
    403: ("not-your-desk", "This is not for your role", ""),
    404: ("not-found", "Not found", "The paths are listed at /docs."),
    405: ("wrong-method", "This path does not do that", ""),
    408: ("timed-out", "The request took too long to arrive", "Send it again."),
    412: ("stale", "Changed meanwhile", "It has another ETag than the header If-Match names. Read it again."),
    413: ("too-large", "The body is too large", "Send it in several requests."),
    414: ("uri-too-long", "The address is too long", "Ask in several requests."),
    415: ("wrong-type", "The body is not JSON", "Send JSON, with the header `Content-Type: application/json`."),
    422: ("invalid", "Invalid request", ""),
    428: (
        "needs-if-match",
        "Which version are you changing?",
        "Read it, and send its ETag back in the header `If-Match`.",
    ),
    429: (
        "too-many-wrong-tokens",
        "Too many wrong tokens",
        (
            "Too many different wrong tokens came from your address within a minute. Wait as long as the header "
            "`Retry-After` says; a right token works meanwhile."
        ),
    ),
    431: ("head-too-large", "The head of this request is too large", "Ask with a shorter query or fewer headers."),
    500: (
        "broken",
        "Something broke on our side",
        (
            "Look whether it was stored before you send it again; a request with an Idempotency-Key can simply be "
            "repeated. If it stays, tell the administrator the request id."
        ),
    ),
    503: (
        "unavailable",
        "The database cannot be used now",
        "Nothing was stored. Try again in a moment; if it stays, tell the administrator.",
    ),
    507: (
        "full",
        "There is no room left to store this",
        (
            "Nothing was stored; what is stored can still be read. The administrator has to make room where the database lies; then "
            "send it again."
        ),
    ),
}


class FaultSchema(Schema):
    """One thing wrong: where, what, and what to do."""

    pointer = fields.String(
        required=True, metadata={"description": "JSON pointer into the body, or the name of a query parameter"}
    )
    detail = fields.String(required=True)
    hint = fields.String()
    confirm = fields.String(metadata={"description": "field to set to true where the value is right"})
    row = fields.Integer(metadata={"description": "row of an imported file, 1 for its header"})
    column = fields.String(metadata={"description": "column of an imported file"})
    line = fields.Integer(metadata={"description": "line of an imported file, where it is not the row's number"})


class ProblemSchema(Schema):
    """A problem document (RFC 9457). Some carry more members, such as `reasons` or `candidates`."""

    type = fields.String(required=True, metadata={"format": "uri-reference", "description": "ends in a stable slug"})
    title = fields.String(required=True)
    status = fields.Integer(required=True)
    detail = fields.String(required=True)
    errors = fields.List(fields.Nested(FaultSchema), required=True, metadata={"maxItems": MOST_LISTED})
    errors_total = fields.Integer(
        metadata={
            "description": f"how many errors there are, where they are more than the {MOST_LISTED} that `errors` lists"
        }
    )
    request_id = fields.String(
        metadata={"description": "names this request in the log of the server; also in X-Request-Id"}
    )

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
    """Returns a problem document. It lists the first `MOST_LISTED` faults, and says how many there are where that is not all."""
    found = list(faults)
    errors = [_told(fault) for fault in found[:MOST_LISTED]]
    detail = _cut(detail)
    if len(found) > MOST_LISTED:
        detail = f"{detail} {MOST_LISTED} of {len(found):,} errors are listed."
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
    # Half of a surrogate pair, quoted from a request, has no UTF-8 form.
    text = (json.dumps(body, ensure_ascii=False) + "\n").encode("utf-8", "replace")
    answer = Response(text, status, mimetype="application/problem+json")
    answer.headers.extend(list(headers))
    return answer


def _cut(text: str) -> str:
    """A text of an answer, cut where it quotes something endless."""
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}... ({len(text):,} characters)"


def _told(fault: Fault) -> dict[str, Any]:
    place = {"row": fault.row, "column": fault.column, "line": fault.line} if isinstance(fault, CellFault) else {}
    more = {"hint": _cut(fault.hint) or None, "confirm": fault.confirm or None, **place}
    told = {"pointer": _cut(fault.pointer), "detail": _cut(fault.detail)}
    return {**told, **{k: v for k, v in more.items() if v is not None}}


def http_problem(
    status: int, detail: str = "", headers: Iterable[tuple[str, str]] = (), *, advise: bool = True
) -> Response:
    """Returns the problem document for a status of the HTTP layer, with what to do about it unless the detail says so."""
    slug, title, advice = _HTTP.get(status, ("refused", "This request was refused", ""))
    advice = advice if advise else ""
    return problem(status, slug, title, " ".join(part for part in (detail, advice) if part), headers=headers)


# What a status means where the server, not the application, gives it.
_BY_SERVER = {
    503: (
        "busy",
        "Too many requests are arriving",
        "This request had not arrived in full, and a newer one needed its place. Send it again.",
    ),
    500: ("broken", "Something broke on our side", "The answer could not be written. Send the request again."),
    501: ("no-such-coding", "This server cannot read this body", "Send it with Content-Length, or in chunks."),
}


def server_problem(status: int, detail: str, request_id: str) -> Response:
    """Returns the problem document for a request that the server answers because it never reached the application."""
    slug, title, advice = _BY_SERVER.get(status) or _HTTP.get(status, _HTTP[400])
    said = " ".join(part for part in (detail, advice) if part) or "Its bytes are no request of HTTP/1.1 (RFC 9112)."
    headers = [("Retry-After", "2")] if status == 503 else []
    return problem(status, slug, title, said, headers=headers, request_id=request_id)


def unavailable(error: Exception) -> Response:
    """Returns the answer for a database that cannot be used now: locked, too slow, away, full, read-only, damaged or gone."""
    later = [("Retry-After", "2")]
    if isinstance(error, Damaged | Gone):
        # What happened and what to do is all in the message; where the program noticed it helps nobody.
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
        text = "Nothing was stored; what is stored can still be read. If it stays, tell the administrator."
        return problem(503, "read-only", "The database takes no changes now", text, headers=later)
    return http_problem(503, headers=later)


_ASK = "Tell the administrator: the log of the server says what to do."
_UNCERTAIN = "It is not certain whether this was stored: look before you send it again, or repeat it with the same Idempotency-Key."


def faults_from(messages: Any, schema: Schema | None, at: str = "") -> list[Fault]:
    """Returns marshmallow's nested messages as faults with JSON pointers, and near names for unknown fields among those that are listed."""
    return _faults(messages, schema, at, [])


def _faults(messages: Any, schema: Schema | None, at: str, found: list[Fault]) -> list[Fault]:
    """Adds the faults to those that were found before them."""
    if isinstance(messages, dict):
        # A map's own faults come as {"key": ..., "value": ...} under the entry they belong to.
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

    if schema is not None and messages == ["This is needed."] and not getattr(messages[0], "hint", ""):
        field = schema.fields.get(str(key))
        return [Said(messages[0], _what_to_give(field.metadata if field else {}))]
    if schema is None or messages != ["There is no such field."]:
        return messages
    near = get_close_matches(str(key)[:_NAME], list(schema.fields), n=2, cutoff=0.6)
    hint = f"Did you mean {listed(near, 'or')}?" if near else f"Known here: {', '.join(schema.fields)}."
    return [Said(messages[0], hint)]


def _what_to_give(about: Mapping[str, Any]) -> str:
    """Returns the hint on a field that is missing: what it may be, else what it is, with an example."""
    if allowed := about.get("enum"):
        return f"Give {listed([*map(str, allowed)], 'or')}."
    says, example = str(about.get("description", "")), about.get("example")
    such_as = f", such as {example}" if isinstance(example, str | int | float) and "such as" not in says else ""
    if says:
        return f"Expected: {says}{such_as}."
    return f"Give a value{such_as}." if such_as else ""


def register(app: Flask) -> None:
    """Answers every error of the application with a problem document."""

    def of_desk(error: LotsError) -> Response:
        return problem(status_of(error), error.slug, error.title, error.detail, error.faults, (), **error.more)

    def of_cursor(error: BadCursor) -> Response:
        fault = Fault(
            "cursor",
            "This cursor was not given out by this list.",
            "Follow `next` as it stands, or start without a cursor.",
        )
        return problem(422, "invalid", "Invalid request", fault.detail, [fault])

    def of_clash(error: Clash) -> Response:
        return problem(
            409,
            "clash",
            "Somebody was faster",
            "The same thing was written at the same moment. Read it again, then repeat yours if it is still needed.",
        )

    def of_http(error: HTTPException) -> Response:
        status = error.code or 500
        detail = {
            404: "Nothing is served at this path.",
            405: f"It takes {', '.join(getattr(error, 'valid_methods', None) or [])}.",
            413: f"At most {app.config['MAX_CONTENT_LENGTH']:,} bytes are taken.",
        }.get(status, "")
        kept = [(k, v) for k, v in error.get_headers() if k.lower() not in ("content-type", "content-length")]
        return http_problem(status, detail, kept)

    def of_anything(error: Exception) -> Response:
        if meant := of_engine(error):
            return unavailable(meant)
        log.exception("unexpected error in %s %s", logs.method(), logs.route())
        return http_problem(500, f"The id of this request is {logs.request_id()}.")

    app.register_error_handler(LotsError, of_desk)
    app.register_error_handler(BadCursor, of_cursor)
    app.register_error_handler(Clash, of_clash)
    app.register_error_handler(Unavailable, unavailable)
    app.register_error_handler(HTTPException, of_http)
    app.register_error_handler(Exception, of_anything)
