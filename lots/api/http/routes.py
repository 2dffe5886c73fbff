"""Shared parts of resources: roles, strict JSON, stored answers for repeats, pages and ETags."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Collection, Iterable, Mapping
from functools import partial, wraps
from typing import Any, ClassVar, NoReturn
from urllib.parse import quote, urlencode

from flask import Response, current_app, request
from flask.views import MethodView
from flask_smorest import Blueprint
from marshmallow import Schema, ValidationError, fields
from webargs.flaskparser import FlaskParser

from lots.api.http import columns, csv_answers, strict_json
from lots.api.http.authentication import person
from lots.api.http.errors import ProblemSchema, faults_from, http_problem, problem
from lots.api.http.fields import Strict, Text, WrittenWhole
from lots.api.http.openapi.operations import document_shared, example_of, path_parameters
from lots.api.http.roles import admitted
from lots.domain.code_identity import has_control
from lots.services.errors import Clash, Fault, Invalid
from lots.services.setup import access
from lots.services.setup.access import Answer

_MAX_LIST = 5_000
# Forms of readings in a body.
OBJECT, LIST, COLUMNS = "object", "list", "columns"
# Headers of conditional requests (RFC 9110, 13.1).
_CONDITIONS = {"HTTP_IF_NONE_MATCH", "HTTP_IF_MATCH", "HTTP_IF_MODIFIED_SINCE", "HTTP_IF_UNMODIFIED_SINCE"}
_KEY = re.compile(r'"?([\x21\x23-\x7e]{1,255})"?')


class Refused(Exception):
    """A refusal with a ready answer."""

    def __init__(self, answer: Response) -> None:
        super().__init__(answer.status)
        self.answer = answer


class Resource(MethodView):
    """A path. `who` names the roles for each method; admin may use all. Without an entry only admin may use the method."""

    who: ClassVar[dict[str, tuple[str, ...]]] = {}
    # Fields of a POST answer that are shown once and are null in a repeat.
    shown_once: ClassVar[frozenset[str]] = frozenset()
    # False if a repeated POST is always processed again.
    repeatable: ClassVar[bool] = True
    # CSV table of the GET answer, None without rows. Set at registration.
    csv_table: ClassVar[csv_answers.Table | None] = None
    # Location of the resource made by POST, such as /v1/suppliers/{id}.
    made_at: ClassVar[str] = ""

    def dispatch_request(self, **kwargs: Any) -> Any:
        """Answers a request after checking token and role. A repeated POST gets the stored answer."""
        method = "GET" if request.method == "HEAD" else request.method
        answer: Response = admitted(self.who.get(method, ()), self._admitted)(**kwargs)
        if place := answer.headers.get("Location"):
            # Resources return and store paths without the prefix of a proxy.
            answer.headers["Location"] = request.script_root + place
        return answer

    def _admitted(self, **kwargs: Any) -> Any:
        _check_query()
        answer = super().dispatch_request
        # No path has a control character, and PostgreSQL could not store one with the key.
        keyed = self.repeatable and "Idempotency-Key" in request.headers and not has_control(request.path)
        if request.method == "POST" and keyed:
            return _once(lambda: _as_response(answer(**kwargs)), self.shown_once)
        response = _as_response(answer(**kwargs))
        if request.method in ("GET", "HEAD") and response.status_code == 200:
            response = csv_answers.as_asked(response, self.csv_table, self.csv_leaves_out(), getattr(self, "get", None))
            if response.status_code == 200:
                response.add_etag()  # of its text, where it has no version of its own
        conditional = response.get_etag()[0] and not _CONDITIONS.isdisjoint(request.environ)
        if not conditional:
            return response
        answered = response.make_conditional(request)
        return http_problem(412) if answered.status_code == 412 else answered

    def location(self, made: Mapping[str, Any]) -> dict[str, str]:
        """Returns the Location header of a new resource, without the path prefix of a proxy."""
        path = re.sub(r"\{(\w+)\}", lambda name: quote(str(made[name[1]]), safe=""), self.made_at)
        return {"Location": path}

    def csv_leaves_out(self) -> Collection[str]:
        """Returns the fields that this request omits from the CSV."""
        return ()


def _check_query() -> None:
    """Refuses an unreadable query and repeated parameters, which would otherwise be dropped silently."""
    try:
        twice = sorted(name for name, values in request.args.lists() if len(values) > 1)
    except UnicodeDecodeError:
        raise Refused(http_problem(400, "The query is not UTF-8 text.")) from None
    if twice:
        raise Invalid(
            *(Fault(name, f"The parameter {name} appears twice in the query.", "Give it once.") for name in twice)
        )


def _as_response(answer: Any) -> Response:
    if not isinstance(answer, Response):
        raise TypeError("a resource must answer with a response")
    return answer


def _once(answer: Callable[[], Response], shown_once: frozenset[str]) -> Response:
    key = _KEY.fullmatch(request.headers["Idempotency-Key"].strip())
    if key is None:
        fault = Fault("Idempotency-Key", "An Idempotency-Key has 1 to 255 visible characters.", "Send a new UUID.")
        raise Invalid(fault)
    if has_control(request.full_path):
        # The query is stored with the key, and PostgreSQL does not accept NUL.
        raise Refused(http_problem(400, "The query contains a control character. Percent-encode it (RFC 3986)."))

    def run() -> Answer:
        response = answer()
        kept = {name: value for name, value in response.headers.items() if name in ("Content-Type", "Location", "ETag")}
        body = response.get_data(as_text=True)
        hidden = dict.fromkeys(shown_once & json.loads(body).keys()) if shown_once else {}
        again = json.dumps({**json.loads(body), **hidden}, ensure_ascii=False) if hidden else None
        return Answer(response.status_code, body, kept, again)

    def kept_or_run() -> tuple[Answer, bool]:
        return access.once(person().name, request.method, request.full_path, key[1], _body_said(), run)

    try:
        kept, repeated = kept_or_run()
    except Clash:
        # Another request with the same key was faster, and its answer is now stored.
        kept, repeated = kept_or_run()
    response = Response(kept.body, kept.status, kept.headers)
    if repeated:
        response.headers["Idempotent-Replayed"] = "true"
    return response


def _body_said() -> bytes:
    """Returns the content of a body: its bytes, or the fields and files of a form, whose boundary varies."""
    if request.mimetype != "multipart/form-data":
        return request.get_data()
    said: list[Any] = [sorted((name, values) for name, values in request.form.lists())]
    for name, file in sorted(request.files.items(multi=True)):
        said.append([name, file.filename, hashlib.sha256(file.stream.read()).hexdigest()])
        file.stream.seek(0)
    return json.dumps(said).encode()


def read_json() -> Any:
    """Returns the request's body as strict JSON.

    Raises:
        Refused: 400 or 415, with a hint.
    """
    if request.mimetype != "application/json" and not request.mimetype.endswith("+json"):
        raise Refused(http_problem(415))
    try:
        return strict_json.parse(request.get_data())
    except strict_json.Malformed as error:
        raise Refused(http_problem(400, str(error))) from None


class Parser(FlaskParser):
    """A parser with strict JSON and problem documents."""

    DEFAULT_UNKNOWN_BY_LOCATION = {"json": None, "query": "raise", "headers": "exclude", "path": None}

    def load_querystring(self, req: Any, schema: Schema) -> Any:
        """Returns the query. Repeated parameters were refused before."""
        return req.args.to_dict()

    def load_json(self, req: Any, schema: Schema) -> Any:
        """Returns the body."""
        return read_json()

    def handle_error(self, error: ValidationError, req: Any, schema: Schema, **kwargs: Any) -> NoReturn:
        """Raises all faults found."""
        messages = error.messages
        in_query = isinstance(messages, dict) and set(messages) == {"query"}
        raise_invalid(
            messages[next(iter(messages))] if isinstance(messages, dict) else messages, schema, in_query=in_query
        )


def raise_invalid(messages: Any, schema: Schema, *, in_query: bool = False, further: Iterable[Fault] = ()) -> NoReturn:
    """Raises marshmallow messages as faults, followed by `further` faults."""
    faults = [*faults_from(messages, schema), *further]
    if in_query:
        faults = [_of_parameter(fault) for fault in faults]
    raise Invalid(*faults)


def _of_parameter(fault: Fault) -> Fault:
    """Returns a fault of the query at the name of its parameter, and in the words of parameters."""
    detail = fault.detail.replace("Unknown field.", "Unknown parameter.")
    hint = fault.hint.replace("Use one of these fields:", "Use one of these parameters:")
    return Fault(fault.pointer.lstrip("/"), detail, hint)


class Routes(Blueprint):  # type: ignore[misc]  # flask-smorest ships no types
    """A blueprint with strict arguments, documented errors and paged lists."""

    ARGUMENTS_PARSER = Parser()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._prepare_doc_cbks.append(document_shared)

    def route(self, rule: str, **options: Any) -> Callable[[Any], Any]:
        """Registers a resource with its roles in the documentation."""
        whole = f"{self.url_prefix or ''}{rule}"
        register = super().route(rule, parameters=path_parameters(whole), **options)

        def decorate(view: type[Resource]) -> Any:
            view.csv_table = csv_answers.table_of(getattr(view, "get", None))
            told = {"made_at": view.made_at, "rule": whole}
            for name, roles in view.who.items():
                method: Any = getattr(view, name.lower())
                named: dict[str, Any] = {"roles": roles, "operation_id": f"{name.lower()}{view.__name__}", **told}
                if name == "GET" and view.csv_table:
                    named |= {"as_csv": view.csv_table.says, "paged": not view.csv_table.about}
                method._apidoc = {**getattr(method, "_apidoc", {}), **named}
            return register(view)

        return decorate

    def register_views_in_doc(self, api: Any, *args: Any, **kwargs: Any) -> None:
        """Defers the documentation of paths until the document is requested."""
        api.document_later(partial(super().register_views_in_doc, api, *args, **kwargs))

    def arguments(self, schema: Any, **options: Any) -> Callable[[Any], Any]:
        """Reads arguments with one schema instance. Given a class, the library would make one per request."""
        return super().arguments(schema() if isinstance(schema, type) else schema, **options)  # type: ignore[no-any-return]  # the same

    def response(
        self, status_code: int, schema: Any = None, *, rows: str | csv_answers.Table | None = None, **options: Any
    ) -> Callable[[Any], Any]:
        """Documents the answer of a method, which is sent as JSON unchanged.

        The schema is for documentation only, since serialising each answer would be slow. Tests validate every answer against it.

        Args:
            status_code: Status of the answer.
            schema: Schema of the answer, a class or an instance.
            rows: Name of the list with the CSV rows, or a table. A page of a list needs neither.
            options: Options of the library.
        """
        document = super().response(status_code, schema, **options)
        made = schema() if isinstance(schema, type) else schema
        table = csv_answers.of_list(made, rows) if isinstance(rows, str) else rows

        def decorate(method: Any) -> Any:
            @wraps(method)
            def answer(*args: Any, **kwargs: Any) -> Response:
                given = method(*args, **kwargs)
                if isinstance(given, Response):
                    return given
                view, *rest = given if isinstance(given, tuple) else (given,)
                status = () if rest and isinstance(rest[0], int) else (status_code,)
                return current_app.make_response((view, *status, *rest))

            if table is not None:
                answer.csv_table = table  # type: ignore[attr-defined]  # read by `table_of`
            return document(answer)

        return decorate

    def one_or_many(
        self, schema: Schema, of_the_rest: Callable[[dict[int, Any]], list[Fault]] = lambda _: []
    ) -> Callable[[Any], Any]:
        """Decorates a method that takes one object, a list or columns. The method gets the items and their form.

        Args:
            schema: Schema of one object.
            of_the_rest: Returns further faults of the valid objects, by position, if others are invalid. All faults are then
                reported at once.
        """
        several = {"type": "array", "items": schema, "minItems": 1, "maxItems": _MAX_LIST}
        forms = [schema, several, columns.documented(schema, _MAX_LIST)]
        content = {"application/json": {"schema": {"oneOf": forms}, "example": example_of(schema)}}
        document = self.doc(requestBody={"required": True, "content": content})

        def decorate(method: Any) -> Any:
            @wraps(method)
            def read(self_: Any, *args: Any, **kwargs: Any) -> Any:
                body = read_json()
                if not columns.is_columns(body):
                    return method(self_, *_objects(schema, body, of_the_rest), *args, **kwargs)
                items = columns.load(schema, body, _MAX_LIST, of_the_rest)
                try:
                    return method(self_, items, COLUMNS, *args, **kwargs)
                except Invalid as invalid:
                    raise Invalid(*map(columns.in_column, invalid.faults)) from None

            return document(read)

        return decorate


def _objects(schema: Schema, body: Any, of_the_rest: Callable[[dict[int, Any]], list[Fault]]) -> tuple[list[Any], str]:
    """Returns the objects of a body, and its form (object or list)."""
    many = isinstance(body, list)
    if many and not 1 <= len(body) <= _MAX_LIST:
        hint = "Split longer lists into several requests." if body else "Send at least one reading."
        raise Invalid(Fault("", f"A list has 1 to {_MAX_LIST} readings. This one has {len(body)}.", hint))
    try:
        items = schema.load(body, many=many)
    except ValidationError as error:
        unread = error.messages if many and isinstance(error.messages, dict) else {}
        read_well = {n: item for n, item in enumerate(error.valid_data or ()) if n not in unread} if unread else {}
        raise_invalid(error.messages, schema, further=of_the_rest(read_well) if read_well else ())
    return (items, LIST) if many else ([items], OBJECT)


class PageArgs(Strict):
    """A page of a list."""

    limit = WrittenWhole(1, 500, load_default=50, metadata={"description": "rows per page"})
    cursor = Text(200, metadata={"description": "cursor from `next` of the previous page"})


def page_schema(item: type[Schema]) -> Schema:
    """Returns the schema of a page of `item`."""
    made = type(
        f"{item.__name__.removesuffix('Schema')}PageSchema",
        (Schema,),
        {
            "__doc__": "A page of a list.",
            "items": fields.List(fields.Nested(item), required=True),
            "next": fields.String(
                required=True, allow_none=True, metadata={"description": "URL of the next page; null on the last page"}
            ),
        },
    )
    return made()  # type: ignore[no-any-return]  # a class made here


def page_answer(page: Any) -> tuple[dict[str, Any], dict[str, str]]:
    """Returns a page with its Link header (RFC 8288)."""
    if page.next is None:
        return {"items": page.rows, "next": None}, {}
    arguments = {**request.args.to_dict(), "cursor": page.next}
    url = f"{request.script_root}{request.path}?{urlencode(arguments)}"
    return {"items": page.rows, "next": url}, {"Link": f'<{url}>; rel="next"'}


def etag(subject: str, view: dict[str, Any]) -> dict[str, str]:
    """Returns the ETag header of a versioned object."""
    return {"ETag": f'"{subject}-{view["id"]}-v{view["version"]}"'}


def version_to_change(subject: str, view: dict[str, Any]) -> int:
    """Returns the version that a PATCH may change, from its If-Match header.

    Raises:
        Refused: 428 without the header, 412 when it names another version.
    """
    if not request.headers.get("If-Match"):
        raise Refused(http_problem(428))
    current = etag(subject, view)["ETag"].strip('"')
    if not (request.if_match.star_tag or request.if_match.contains(current)):
        text = f"This {subject} is now at version {view['version']}. Read it again and repeat your change with the new ETag."
        raise Refused(problem(412, "stale", "Changed meanwhile", text))
    return int(view["version"])


__all__ = [
    "PageArgs",
    "ProblemSchema",
    "Refused",
    "Resource",
    "Routes",
    "etag",
    "page_answer",
    "page_schema",
    "person",
    "version_to_change",
]


def ordered_page(list_rows: Callable[..., Any], args: dict[str, Any]) -> Any:
    """Returns a page of a service in the requested order."""
    newest_first = args.pop("order") == "newest"
    return list_rows(*page_args(args), newest_first=newest_first)


def page_args(args: dict[str, Any]) -> tuple[dict[str, Any], str | None, int]:
    """Returns the filters, the cursor and the limit of a list."""
    filters = {name: value for name, value in args.items() if name not in ("cursor", "limit")}
    return filters, args.get("cursor"), args["limit"]
