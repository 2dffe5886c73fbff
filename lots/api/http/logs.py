"""Request logs on standard error, with a request id shared by answer, log line and traceback."""

from __future__ import annotations

import functools
import json
import logging
import re
import sys
import time
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, TextIO

from flask import Flask, Response, g, has_request_context, request

# Fits UUID and ULID. A token has 43 characters, so it is never logged as an id.
_SANE_ID = re.compile(r"[A-Za-z0-9._-]{8,40}")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT"})
_log = logging.getLogger("lots.requests")


class _StandardError(logging.StreamHandler[TextIO]):
    """A handler for the current standard error, which may be redirected."""

    def __init__(self, style: str) -> None:
        logging.Handler.__init__(self)
        self.setFormatter(_Json() if style == "json" else _Plain())

    @property
    def stream(self) -> TextIO:  # type: ignore[override]  # an attribute there, looked up here
        """Standard error as it is now."""
        return sys.stderr


class _Json(logging.Formatter):
    """A formatter with one JSON object per line."""

    def format(self, record: logging.LogRecord) -> str:
        """Returns the line."""
        line: dict[str, Any] = {
            "time": _moment(record).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            "request_id": request_id(),
            **getattr(record, "said", {}),
        }
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line)


class _Plain(logging.Formatter):
    """A formatter for readable lines."""

    def format(self, record: logging.LogRecord) -> str:
        """Returns the line, followed by any traceback."""
        said = getattr(record, "said", None)
        text = _in_words(said) if said else f"{record.levelname.lower()}: {record.getMessage()}"
        number = said.get("request_id", request_id()) if said else request_id()
        known = "" if number is None else f" [{number}]"
        shown = "".join(char if char.isprintable() else "?" for char in f"{_moment(record):%H:%M:%S} {text}{known}")
        return f"{shown}\n{self.formatException(record.exc_info)}" if record.exc_info else shown


def _moment(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC)


def _in_words(said: dict[str, Any]) -> str:
    who = f" {said['person']} ({said['role']})" if said["person"] else ""
    return f"{said['method']} {said['route'] or '(no such path)'} {said['status']} {said['duration_ms']} ms{who}"


def set_up(style: str, level: str, names: Iterable[str] = ("lots", "waitress")) -> None:
    """Sends the log of the program and of its server to standard error.

    Args:
        style: `json` with one object per line, or `plain` for people.
        level: Minimum level: debug, info (a line per request), warning or error.
        names: Names of the loggers.

    Notes:
        Errors are always logged.
    """
    for name in names:
        logger = logging.getLogger(name)
        logger.handlers = [_StandardError(style)]
        logger.setLevel(level.upper())
        logger.propagate = False


def register(app: Flask) -> None:
    """Registers ids and log lines for requests. Register it first, so that it starts first and ends last."""
    app.before_request(_begin)
    app.after_request(_end)


def request_id() -> str | None:
    """Returns the id of the current request; None outside a request."""
    return g.get("request_id") if has_request_context() else None


def chosen_id(sent: str) -> str:
    """Returns the request id of the client if valid, else a new one."""
    return sent if _SANE_ID.fullmatch(sent) else str(uuid.uuid4())


def route() -> str | None:
    """Returns the documented path of this request, such as /v1/lots/{number}; None for an unknown path."""
    rule = request.url_rule
    return None if rule is None else _documented(rule.rule)


@functools.cache  # one entry for each path that is served
def _documented(rule: str) -> str:
    return re.sub(r"<(?:[^:<>]*:)?(\w+)>", r"{\1}", rule)


def method() -> str:
    """Returns the method of this request; `other` for an unknown method."""
    return request.method if request.method in _METHODS else "other"


def seconds() -> float:
    """Returns the processing time of this request so far, s, >= 0."""
    return time.perf_counter() - float(g.started)


def _begin() -> None:
    g.started = time.perf_counter()
    g.request_id = chosen_id(request.headers.get("X-Request-Id", ""))


def _end(answer: Response) -> Response:
    answer.headers["X-Request-Id"] = g.request_id
    comer = g.get("comer")
    size = answer.content_length if answer.content_length is not None else answer.calculate_content_length()
    said = {
        "method": method(),
        "route": route(),
        "status": answer.status_code,
        "duration_ms": round(1_000 * seconds(), 1),
        "person": comer.name if comer else None,
        "role": comer.role if comer else None,
        "bytes": 0 if request.method == "HEAD" or answer.status_code in (204, 304) else size,
    }
    _log.log(_level(answer.status_code), "request", extra={"said": said})
    return answer


def note_given(method: str, route: str, status: int, took_s: float, size: int, request_id: str) -> None:
    """Writes the line of a request that was answered before it reached the application.

    Args:
        method: Method of the request.
        route: Documented path.
        status: Status of the answer.
        took_s: Processing time, s.
        size: Size of the answer body, bytes.
        request_id: Id of the request.
    """
    said = {"request_id": request_id, "method": method, "route": route, "status": status}
    said |= {"duration_ms": round(1_000 * took_s, 1), "person": None, "role": None, "bytes": size}
    _log.log(_level(status), "request", extra={"said": said})


def _level(status: int) -> int:
    """Returns the log level for a status: error for 5xx, warning for invalid or insufficient tokens."""
    if status >= 500:
        return logging.ERROR
    return logging.WARNING if status in (401, 403, 429) else logging.INFO
