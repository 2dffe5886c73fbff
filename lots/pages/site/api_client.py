"""How a page asks the API: the same paths, bodies and answers as any other client, without leaving the process."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

from flask import abort, current_app, g, request
from werkzeug.test import Client

from lots.pages.site.words import worded
from lots.services.setup.access import HANDED_PERSON

_VISIBLE = re.compile(r"[!-~]+")


class Said(dict[str, Any]):
    """An object of an answer. A template writes `answer.clear`: that must be the field, never the method that every dict has of that name."""

    def __getattribute__(self, name: str) -> Any:
        if not name.startswith("_") and name in self:
            return self[name]
        return super().__getattribute__(name)


@dataclass(frozen=True, slots=True)
class Answer:
    """What the API answered: `body` is JSON where it sent JSON, else text or bytes."""

    status: int
    body: Any
    etag: str | None = None
    kind: str = "application/json"

    @property
    def good(self) -> bool:
        """True for a success."""
        return self.status < 300

    @property
    def detail(self) -> str:
        """A refusal in words."""
        return str(self.body.get("detail", "")) if isinstance(self.body, dict) else str(self.body)

    @property
    def meant(self) -> str:
        """The one spool code that a refusal proposes instead of what was typed; empty without one, or where several may be meant."""
        named = self.body.get("candidates") if isinstance(self.body, dict) else None
        return str(named[0].get("code", "")) if named and len(named) == 1 else ""

    def faults(self) -> dict[str, list[str]]:
        """A refusal field by field: the first name of each pointer to what is wrong and what to do. "" holds what belongs to no field."""
        found: dict[str, list[str]] = {}
        for fault in self.body.get("errors", ()) if isinstance(self.body, dict) else ():
            field = fault["pointer"].strip("/").rpartition("/")[2]
            found.setdefault(field, []).append(" ".join(filter(None, (fault["detail"], fault.get("hint")))))
        return found


def ask(
    method: str,
    path: str,
    body: Any = None,
    *,
    accept: str = "application/json",
    key: str | None = None,
    etag: str | None = None,
    form: Mapping[str, Any] | None = None,
) -> Answer:
    """Sends one request to the API in the name of whoever is signed in.

    Args:
        path: below /v1, beginning with a slash; parts that people typed are quoted with `at`.
        body: sent as JSON.
        key: an Idempotency-Key, so that a form sent twice does its work once.
        etag: what a PATCH was read as.
        form: sent as multipart/form-data instead, for files.
    """
    headers = {"Accept": accept}
    headers |= {"Idempotency-Key": _of_form(key)} if key else {}
    headers |= {"If-Match": _of_form(etag)} if etag else {}
    sent: dict[str, Any] = {"data": dict(form)} if form is not None else {} if body is None else {"json": body}
    # From where the page was asked, at the address it was asked at: addresses in the answer lead a phone to where the browser is.
    told = {
        name: value for name, value in request.environ.items() if name in ("HTTP_HOST", "SERVER_NAME", "SERVER_PORT")
    }
    told |= {"REMOTE_ADDR": request.remote_addr or "127.0.0.1", HANDED_PERSON: g.person}
    sent |= {"environ_overrides": told, "base_url": request.root_url}
    with Client(current_app).open(f"/v1{path}", method=method, headers=headers, **sent) as got:
        kind = got.mimetype or ""
        text = got.get_data()
        found = (
            json.loads(text, object_hook=lambda said: Said(worded(said)))
            if kind.endswith("json")
            else text
            if kind == "application/pdf"
            else text.decode()
        )
        return Answer(got.status_code, found, got.headers.get("ETag"), kind)


def _of_form(text: str) -> str:
    """Returns what stood hidden in a form and goes into a header; anything but visible ASCII was never put there by a page."""
    if not _VISIBLE.fullmatch(text):
        abort(400, "This form was changed on its way. Go back, load the page again and send it once more.")
    return text


def items(path: str, most: int = 2000) -> list[Any]:
    """Returns the rows of a list, page after page, at most `most`."""
    found: list[Any] = []
    following: str | None = f"{path}{'&' if '?' in path else '?'}limit=500"
    while following and len(found) < most:
        answer = ask("GET", following.removeprefix(f"{request.script_root}/v1"))
        if not answer.good:
            return found
        found += answer.body["items"]
        following = answer.body["next"]
    return found


def at(*parts: object, **query: object) -> str:
    """Returns a path of parts, each quoted, with a query of whatever is not empty.

    Example:
        >>> at("spools", "A 1", "clearance", use="cosmetic", job="")
        '/spools/A%201/clearance?use=cosmetic'
    """
    path = "/" + "/".join(quote(str(part), safe="") for part in parts)
    wanted = {name: value for name, value in query.items() if value not in (None, "")}
    return f"{path}?{urlencode(wanted)}" if wanted else path


def end_of(day: str) -> str:
    """Returns the moment a day ends, as the API takes it; what is no day stays as it was typed, so that the API can say so.

    Example:
        >>> end_of("2026-11-30"), end_of("soon")
        ('2026-11-30T23:59:59Z', 'soon')
    """
    return f"{day}T23:59:59Z" if re.fullmatch(r"\d{4}-\d\d-\d\d", day) else day
