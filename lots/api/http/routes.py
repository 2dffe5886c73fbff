"""What every resource shares: who may, strict JSON in, answers kept for repeats, pages and ETags out."""

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
from lots.api.http.openapi.operations import document_shared, example_of
from lots.api.http.roles import admitted
from lots.domain.code_identity import has_control
from lots.services.errors import Clash, Fault, Invalid
from lots.services.setup import access
from lots.services.setup.access import Answer

_MAX_LIST = 5_000
# The forms in which readings come.
OBJECT, LIST, COLUMNS = "object", "list", "columns"
# By which a request says that it wants an answer only if something changed, or did not (RFC 9110, 13.1).
_CONDITIONS = {"HTTP_IF_NONE_MATCH", "HTTP_IF_MATCH", "HTTP_IF_MODIFIED_SINCE", "HTTP_IF_UNMODIFIED_SINCE"}
_KEY = re.compile(r'"?([\x21\x23-\x7e]{1,255})"?')


class Refused(Exception):
    """A refusal with its answer ready."""

    def __init__(self, answer: Response) -> None:
        super().__init__(answer.status)
        self.answer = answer


class Resource(MethodView):
    """A path. `who` says which roles may use each of its methods; admin may use all. A method without a row answers 403 to everyone else."""

    who: ClassVar[dict[str, tuple[str, ...]]] = {}
    # Fields of what POST answers that a repeat gets as null: they are shown once and kept nowhere for it.
    shown_once: ClassVar[frozenset[str]] = frozenset()
    # False where a repeated POST does its work again, whatever key it carries.
    repeatable: ClassVar[bool] = True
    # How what GET answers is written as CSV, None where it has no rows; found when the path is registered.
    csv_table: ClassVar[csv_answers.Table | None] = None
    # Address of what POST makes, such as /v1/suppliers/{id}, sent as its Location.
    made_at: ClassVar[str] = ""

    def dispatch_request(self, **kwargs: Any) -> Any:
        """Answers a request: token, role, then the method, a repeated POST from the answer kept."""
        method = "GET" if request.method == "HEAD" else request.method
        answer: Response = admitted(self.who.get(method, ()), self._admitted)(**kwargs)
        if place := answer.headers.get("Location"):
            # Resources name, and keep for repeats, their paths as they are without the prefix of a proxy.
            answer.headers["Location"] = request.script_root + place
        return answer

    def _admitted(self, **kwargs: Any) -> Any:
        _check_query()
        answer = super().dispatch_request
        # Nothing is at a path with a control character, and PostgreSQL could not keep one beside the key.
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
        """Returns the Location header of what was made, without the path prefix of a proxy."""
        path = re.sub(r"\{(\w+)\}", lambda name: quote(str(made[name[1]]), safe=""), self.made_at)
        return {"Location": path}

    def csv_leaves_out(self) -> Collection[str]:
        """Fields of a list's rows that have no column in its CSV, by what the request asks for."""
        return ()


def _check_query() -> None:
    """Refuses a query that cannot be read, or says one thing twice: the second would be dropped without a word."""
    try:
        twice = sorted(name for name, values in request.args.lists() if len(values) > 1)
    except UnicodeDecodeError:
        raise Refused(http_problem(400, "The query is not UTF-8 text.")) from None
    if twice:
        raise Invalid(
            *(Fault(name, f"The parameter {name} stands twice in the query.", "Give it once.") for name in twice)
        )


def _as_response(answer: Any) -> Response:
    if not isinstance(answer, Response):
        raise TypeError("a resource must answer with a response")
    return answer


def _once(answer: Callable[[], Response], shown_once: frozenset[str]) -> Response:
    key = _KEY.fullmatch(request.headers["Idempotency-Key"].strip())
    if key is None:
        fault = Fault("Idempotency-Key", "A key is 1 to 255 visible characters.", "A fresh UUID makes a good one.")
        raise Invalid(fault)
    if has_control(request.full_path):
        # It would be kept beside the key, and PostgreSQL takes no NUL.
        raise Refused(
            http_problem(400, "The query holds a control character. Write it with a percent sign (RFC 3986).")
        )

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
        # The same key came twice at once and the other was faster; its answer is there now.
        kept, repeated = kept_or_run()
    response = Response(kept.body, kept.status, kept.headers)
    if repeated:
        response.headers["Idempotent-Replayed"] = "true"
    return response


def _body_said() -> bytes:
    """What a body says: its bytes, but of a form the fields and files, since the line between them is drawn anew each time it is sent."""
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
        Refused: 400 or 415 with what to do.
    """
    if request.mimetype != "application/json" and not request.mimetype.endswith("+json"):
        raise Refused(http_problem(415))
    try:
        return strict_json.parse(request.get_data())
    except strict_json.Malformed as error:
        raise Refused(http_problem(400, str(error))) from None


class Parser(FlaskParser):
    """Reads arguments with the strict JSON above, and refuses with problem documents."""

    DEFAULT_UNKNOWN_BY_LOCATION = {"json": None, "query": "raise", "headers": "exclude", "path": None}

    def load_querystring(self, req: Any, schema: Schema) -> Any:
        """Returns the query; what stands twice in it was refused before."""
        return req.args.to_dict()

    def load_json(self, req: Any, schema: Schema) -> Any:
        """Returns the body."""
        return read_json()

    def handle_error(self, error: ValidationError, req: Any, schema: Schema, **kwargs: Any) -> NoReturn:
        """Refuses with every fault found."""
        messages = error.messages
        in_query = isinstance(messages, dict) and set(messages) == {"query"}
        raise_invalid(
            messages[next(iter(messages))] if isinstance(messages, dict) else messages, schema, in_query=in_query
        )


def raise_invalid(messages: Any, schema: Schema, *, in_query: bool = False, further: Iterable[Fault] = ()) -> NoReturn:
    """Raises what marshmallow found wrong, as faults, with those that were found otherwise behind them."""
    faults = [*faults_from(messages, schema), *further]
    if in_query:
        faults = [Fault(f.pointer.lstrip("/"), f.detail, f.hint) for f in faults]
    raise Invalid(*faults)


class Routes(Blueprint):  # type: ignore[misc]  # flask-smorest ships no types
    """A blueprint whose arguments are read strictly, whose errors are documented, and whose lists are pages."""

    ARGUMENTS_PARSER = Parser()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._prepare_doc_cbks.append(document_shared)

    def route(self, rule: str, **options: Any) -> Callable[[Any], Any]:
        """Registers a resource and writes its roles into the documentation."""
        register = super().route(rule, **options)

        def decorate(view: type[Resource]) -> Any:
            view.csv_table = csv_answers.table_of(getattr(view, "get", None))
            told = {"made_at": view.made_at, "rule": f"{self.url_prefix or ''}{rule}"}
            for name, roles in view.who.items():
                method: Any = getattr(view, name.lower())
                named: dict[str, Any] = {"roles": roles, "operation_id": f"{name.lower()}{view.__name__}", **told}
                if name == "GET" and view.csv_table:
                    named |= {"as_csv": view.csv_table.says, "paged": not view.csv_table.about}
                method._apidoc = {**getattr(method, "_apidoc", {}), **named}
            return register(view)

        return decorate

    def register_views_in_doc(self, api: Any, *args: Any, **kwargs: Any) -> None:
        """Documents the paths once the document is asked for."""
        api.document_later(partial(super().register_views_in_doc, api, *args, **kwargs))

    def arguments(self, schema: Any, **options: Any) -> Callable[[Any], Any]:
        """Reads arguments by a schema that is made once: given its class, the library would make one for every request."""
        return super().arguments(schema() if isinstance(schema, type) else schema, **options)  # type: ignore[no-any-return]  # the same

    def response(
        self, status_code: int, schema: Any = None, *, rows: str | csv_answers.Table | None = None, **options: Any
    ) -> Callable[[Any], Any]:
        """Documents what a method answers. What it returns goes out as the service made it, as JSON.

        The schema only documents: going over each answer field by field would take longer than finding it. Tests hold every answer against it.

        Args:
            status_code: of the answer.
            schema: of the answer, a class or made from one.
            rows: the list of the answer whose objects are the rows of its CSV, or how rows follow from it. A page of a list needs neither.
            options: as the library takes them.
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
        """Decorates a method that takes one object, a list of them, or a list as columns: it is given (items, the form they came in).

        Args:
            of_the_rest: asked, where some objects of a list cannot be read, what is wrong with the others, by their places; so that
                whoever sent the list is told everything at once.
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
    """Returns the objects of a body, one or a list of them, and which of the two it was."""
    many = isinstance(body, list)
    if many and not 1 <= len(body) <= _MAX_LIST:
        hint = "Send longer ones in several requests." if body else "Send at least one reading."
        raise Invalid(Fault("", f"A list holds 1 to {_MAX_LIST} readings, this one {len(body)}.", hint))
    try:
        items = schema.load(body, many=many)
    except ValidationError as error:
        unread = error.messages if many and isinstance(error.messages, dict) else {}
        read_well = {n: item for n, item in enumerate(error.valid_data or ()) if n not in unread} if unread else {}
        raise_invalid(error.messages, schema, further=of_the_rest(read_well) if read_well else ())
    return (items, LIST) if many else ([items], OBJECT)


class PageArgs(Strict):
    """Which page of a list."""

    limit = WrittenWhole(1, 500, load_default=50, metadata={"description": "rows on a page"})
    cursor = Text(200, metadata={"description": "from `next` of the page before"})


def page_schema(item: type[Schema]) -> Schema:
    """Returns the schema of a page of `item`."""
    made = type(
        f"{item.__name__.removesuffix('Schema')}PageSchema",
        (Schema,),
        {
            "__doc__": "A page of a list.",
            "items": fields.List(fields.Nested(item), required=True),
            "next": fields.String(required=True, allow_none=True, metadata={"description": "URL of the next page"}),
        },
    )
    return made()  # type: ignore[no-any-return]  # a class made here


def page_answer(page: Any) -> tuple[dict[str, Any], dict[str, str]]:
    """Returns a page as it is sent, with its Link header (RFC 8288)."""
    if page.next is None:
        return {"items": page.rows, "next": None}, {}
    arguments = {**request.args.to_dict(), "cursor": page.next}
    url = f"{request.script_root}{request.path}?{urlencode(arguments)}"
    return {"items": page.rows, "next": url}, {"Link": f'<{url}>; rel="next"'}


def etag(subject: str, view: dict[str, Any]) -> dict[str, str]:
    """Returns the ETag header of something with a version."""
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
        text = f"This {subject} is at version {view['version']} now. Read it again, and repeat your change on the new ETag."
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
    """Returns a page as a service lists it, from the end that was asked for."""
    newest_first = args.pop("order") == "newest"
    return list_rows(*page_args(args), newest_first=newest_first)


def page_args(args: dict[str, Any]) -> tuple[dict[str, Any], str | None, int]:
    """Returns the filters, the cursor and the limit of a list."""
    filters = {name: value for name, value in args.items() if name not in ("cursor", "limit")}
    return filters, args.get("cursor"), args["limit"]
