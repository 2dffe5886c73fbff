"""Calls of services by pages: validation by the API's schema, idempotent forms, and refusals as values."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Protocol, TypeAlias, TypeVar

from flask import abort, g, redirect, request
from marshmallow import Schema, ValidationError, fields
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response

from lots.api.http.errors import status_of
from lots.api.http.fields import MAX_ID
from lots.domain.code_identity import has_control
from lots.services.errors import MOST_LISTED, BadCursor, Clash, Fault, Invalid, KeyReused, LotsError
from lots.services.files.csv_tables import CellFault
from lots.services.setup import access

_T = TypeVar("_T")


class NotADay(str):
    """Text of a date field that is no date."""


# The answer of a service, for a template.
Shown: TypeAlias = Mapping[str, Any]
# The form of an idempotency key.
_KEY = re.compile(r"[!-~]{1,255}")
_CHANGED = "This form is not valid. Go back, reload the page and send the form again."
_SENT_BEFORE = "This form was already sent with other values. Open it again."
_PAGE = 500


@dataclass(frozen=True, slots=True)
class Told:
    """One fault for a person: JSON pointer, label of the field, detail, and hint."""

    pointer: str
    label: str
    detail: str
    hint: str = ""
    # The field that confirms a questioned value; "" if it cannot be confirmed.
    confirm: str = ""
    # Row and column of a file.
    row: int | None = None
    column: str | None = None

    @property
    def says(self) -> str:
        """The detail and the hint."""
        return " ".join(filter(None, (self.detail, self.hint)))

    @property
    def path(self) -> list[str]:
        """The parts of the pointer, from the outside."""
        return self.pointer.strip("/").split("/")


@dataclass(frozen=True, slots=True)
class Refusal:
    """A refused call: HTTP status, detail, the first hundred faults of `total`, and further members such as `candidates`."""

    status: int
    detail: str
    faults: tuple[Told, ...] = ()
    total: int = 0
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def meant(self) -> str:
        """The single proposed spool code; "" without one or with several."""
        named = self.more.get("candidates", ())
        return str(named[0].get("code", "")) if len(named) == 1 else ""

    @property
    def confirms(self) -> frozenset[str]:
        """The names of the fields that confirm a questioned value."""
        return frozenset(told.confirm for told in self.faults if told.confirm)

    def beside(self) -> dict[str, list[str]]:
        """Returns the sentences by the first part of their pointers; "" holds those without a field."""
        found: dict[str, list[str]] = {}
        for told in self.faults:
            found.setdefault(told.path[0], []).append(told.says)
        return found


def refusal_of(error: LotsError | BadCursor, schema: type[Schema] | None = None) -> Refusal:
    """Returns an error of a service as a refusal, with the field labels of the schema."""
    if isinstance(error, BadCursor):
        return Refusal(422, "This page of the list does not exist. Start at the first page.")
    if isinstance(error, KeyReused):
        return Refusal(422, _SENT_BEFORE)
    told = tuple(
        Told(
            fault.pointer,
            label_of(schema, fault.pointer),
            fault.detail,
            fault.hint,
            fault.confirm,
            *((fault.row, fault.column) if isinstance(fault, CellFault) else ()),
        )
        for fault in error.faults[:MOST_LISTED]
    )
    return Refusal(status_of(error), error.detail, told, len(error.faults), error.more)


def attempt(work: Callable[[], _T], schema: type[Schema] | None = None) -> _T | Refusal:
    """Returns the result of `work`, or its refusal."""
    try:
        return work()
    except (LotsError, BadCursor) as error:
        return refusal_of(error, schema)


def once(work: Callable[[], str | Refusal], schema: type[Schema] | None = None) -> Response | Refusal:
    """Does the work of a form once, however often it is sent, and redirects to the address that `work` returns.

    Args:
        work: an exception rolls it back; a returned refusal is stored.
        schema: of the body that the form makes, for the labels of its fields.
    """
    try:
        done = _kept(work)
    except LotsError as error:
        return refusal_of(error, schema)
    return done if isinstance(done, Refusal) else redirect(done, 303)


def _sent_file(name: str, file: FileStorage) -> list[str | None]:
    """Returns name, file name and digest of an uploaded file. A corrected file of the same name is another request."""
    digest = hashlib.sha256(file.stream.read()).hexdigest()
    file.stream.seek(0)
    return [name, file.filename, digest]


def _kept(work: Callable[[], str | Refusal]) -> str | Refusal:
    key = request.form.get("once")
    # A database cannot store an address with a control character, and no page has one.
    if key is None or has_control(request.path):
        return work()
    if not _KEY.fullmatch(key):
        abort(400, _CHANGED)
    said = sorted((name, values) for name, values in request.form.lists() if name != "seal")
    body = json.dumps([said, [_sent_file(name, file) for name, file in request.files.items()]]).encode()

    def answer() -> access.Answer:
        done = work()
        return access.Answer(*((done.status, done.detail) if isinstance(done, Refusal) else (303, done)), {})

    def kept_or_done() -> access.Answer:
        return access.once(g.person.name, "POST", request.path, key, body, answer)[0]

    try:
        kept = kept_or_done()
    except Clash:
        # The same form was sent twice at once, and the other one was stored first.
        kept = kept_or_done()
    return kept.body if kept.status == 303 else Refusal(kept.status, kept.body)


def version_read() -> int:
    """Returns the version that a form was made from, so that later changes are not overwritten."""
    version = request.form.get("version", type=int)
    if version is None:
        abort(400, _CHANGED)
    return version


def form_number(name: str) -> int:
    """Returns the row number in a hidden field of a form, or in the address of a page; 0, which no row has, if it is missing."""
    sent = request.form if request.method == "POST" else request.args
    found: int = sent.get(name, 0, type=int)
    return found if 0 <= found <= MAX_ID else 0


def checked(schema: type[Schema], said: Any) -> Any:
    """Returns the values of a form as the API reads them.

    Raises:
        Invalid: all faults, without hints about JSON.
    """
    try:
        return _made(schema).load(said)
    except ValidationError as error:
        raise Invalid(*(_of_day(fault, said) for fault in _faults(error.messages))) from None


def checked_list(
    schema: type[Schema], said: list[Any], of_the_rest: Callable[[dict[int, Any]], list[Fault]]
) -> list[Any]:
    """Returns a list as the API reads it.

    Args:
        of_the_rest: returns the faults of the readable objects, given by their places, if others are unreadable.

    Raises:
        Invalid: all faults.
    """
    try:
        return list(_made(schema).load(said, many=True))
    except ValidationError as error:
        unread: Any = error.messages
        read_well = {place: one for place, one in enumerate(error.valid_data or ()) if place not in unread}
        raise Invalid(*_faults(unread), *(of_the_rest(read_well) if read_well else ())) from None


@cache
def _made(schema: type[Schema]) -> Schema:
    return schema()


def _faults(messages: Any, at: str = "") -> list[Fault]:
    if isinstance(messages, dict):
        places = {key: at if key == "_schema" else f"{at}/{key}" for key in messages}
        return [fault for key, inner in messages.items() for fault in _faults(inner, places[key])]
    return [Fault(at, _at_form(str(one)), getattr(one, "at_form", "")) for one in messages]


def _at_form(detail: str) -> str:
    """Returns a message for a form, where null is an empty field."""
    return "This is required." if detail.endswith(", not null.") else detail


def _of_day(fault: Fault, said: Any) -> Fault:
    """Returns a fault, in the words for a date where the field is one."""
    if isinstance(said, Mapping) and isinstance(said.get(fault.pointer.strip("/")), NotADay):
        empty = not said[fault.pointer.strip("/")]
        return Fault(
            fault.pointer, *(("This is required.",) if empty else ("This is not a date.", "Write it like 2026-11-25."))
        )
    return fault


def label_of(schema: type[Schema] | None, pointer: str) -> str:
    """Returns the label of the field at a pointer, from its schema; "" for a field that no page shows."""
    below: Schema | None = _made(schema) if schema else None
    label = ""
    for name in pointer.strip("/").split("/"):
        if below is not None and not name.isdigit():
            named = {field.data_key or key: field for key, field in below.fields.items()}
            one: Any = named.get(name)
            label = str(one.metadata.get("label", "")) if one else ""
            while isinstance(one, fields.List):
                one = one.inner
            below = one.schema if isinstance(one, fields.Nested) else None
    return label


class Paged(Protocol[_T]):
    """A page of a list, as services return it."""

    @property
    def rows(self) -> list[_T]:
        """The rows of the page."""

    @property
    def next(self) -> str | None:
        """The cursor of the next page, or None."""


def every(page: Callable[[str | None, int], Paged[_T]], most: int = 2000) -> list[_T]:
    """Returns the rows of a list, page after page, until there are `most` or more."""
    found: list[_T] = []
    cursor: str | None = None
    while True:
        got = page(cursor, min(_PAGE, most))
        found += got.rows
        cursor = got.next
        if cursor is None or len(found) >= most:
            return found
