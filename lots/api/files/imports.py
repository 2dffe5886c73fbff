"""Imports of readings and deliveries from CSV, and of colours from colour exchange text. Each import is atomic."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

from flask import request
from marshmallow import Schema, ValidationError, fields
from werkzeug.datastructures import FileStorage

from lots.api.files.file_rows import Watch, draft_from
from lots.api.files.file_shapes import SCHEMAS, shape_of
from lots.api.http.errors import FaultSchema, faults_from, http_problem, problem
from lots.api.http.fields import Instant, Said, Strict, Text, WrittenNumber, WrittenTruth, WrittenWhole, answered
from lots.api.http.roles import BENCH
from lots.api.http.routes import PageArgs, Refused, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LotLineSchema
from lots.api.receiving.lots_and_deliveries import SampleSchema
from lots.api.setup.shades import Lit
from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import FACES
from lots.services.errors import Fault, Invalid
from lots.services.files import cell_parsing, imports
from lots.services.files.color_exchange import KEYWORDS
from lots.services.files.csv_tables import DELIMITERS, Options
from lots.services.files.import_outcome import Imported
from lots.services.setup.access import Person
from lots.services.setup.roles import ADMIN, INTEGRATION

routes = Routes(
    "imports", __name__, url_prefix="/v1/imports", description="Imports of readings and deliveries from files."
)
KINDS = tuple(SCHEMAS)
# The same roles as for JSON requests.
WHO = {name: declared.measured_by for name, declared in DECLARED.items()} | {imports.DELIVERIES: ("receiving",)}


def _who_may() -> str:
    """Returns the roles for each kind of file, in sentences."""
    readings: dict[tuple[str, ...], list[str]] = {}
    for name, declared in DECLARED.items():
        readings.setdefault(WHO[name], []).append(declared.said)
    told = ", ".join(f"of {_and(names)} for {_and(roles)}" for roles, names in readings.items())
    return f"Readings {told.replace(' for ', ' are for ', 1)}. Deliveries are for {_and(WHO[imports.DELIVERIES])}. A program with the role {INTEGRATION} may import all."


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


_TOLD = f"""\
The file has readings or deliveries as CSV, or colours as colour exchange text. The import is atomic. Columns have the names of JSON fields.
422 lists the first 100 errors with `row` (1 is the header) and `column`. `line` is added if it differs from `row`.
A repeated file is answered with 200 and the first answer. A dry run is answered with 200 and stores nothing.
403 if the role may not import this kind of file. {_who_may()}"""


class Zone(Text):
    """The IANA name of a time zone."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> str:
        text = super()._deserialize(value, attr, data, **kw)
        try:
            cell_parsing.zone(text)
        except cell_parsing.BadCell as bad:
            raise ValidationError(Said(bad.detail, bad.hint)) from None
        return text


class OptionArgs(Strict):
    """Options for a whole file. Measuring conditions replace missing columns of colour readings."""

    delimiter = Text(1, one_of=DELIMITERS, load_default=",", metadata={"description": "cell separator"})
    decimal = Text(5, one_of=("point", "comma"), load_default="point", metadata={"description": "decimal sign"})
    time_zone = Zone(
        60, metadata={"description": "IANA time zone for times without an offset", "example": "Europe/Vienna"}
    )
    illuminant = Text(20, metadata={"example": "D65"})
    observer_deg = WrittenWhole(2, 10, metadata={"enum": [2, 10]})
    geometry = Text(20, metadata={"example": "d/8"})
    specular = Lit()
    uv = Lit()
    backing = Text(60)
    age_h = WrittenNumber(0, 100_000)
    face = Text(10, one_of=FACES)
    thickness_mm = WrittenNumber(0.1, 20)
    texture = Text(60)
    aperture_mm = WrittenNumber(0.1, 100)
    orientation_deg = WrittenNumber(0, 360)


class ImportArgs(OptionArgs):
    """A file to import."""

    kind = Text(12, one_of=KINDS, required=True, metadata={"description": "kind of rows"})
    dry_run = WrittenTruth(load_default=False, metadata={"description": "true for a dry run, which stores nothing"})


class ImportFormSchema(ImportArgs):
    """The form with an imported file."""

    example = {"kind": "diameter", "dry_run": True, "file": "spool_code,d1_mm,d2_mm\nA-1,1.748,1.752\n"}

    file = fields.Raw(
        required=True, metadata={"type": "string", "format": "binary", "description": "CSV file in UTF-8"}
    )


class ImportSchema(Schema):
    """A file that was imported."""

    id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the import; null in a dry run"}
    )
    kind = fields.String(required=True, metadata={"enum": list(KINDS)})
    file_name = fields.String(required=True)
    digest = fields.String(required=True, metadata={"description": "SHA-256 of kind, options and content"})
    rows = fields.Integer(required=True, metadata={"description": "number of rows below the header"})
    items = fields.Integer(required=True, metadata={"description": "number of readings or deliveries stored"})
    lot_ids = fields.List(fields.Integer(), required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ImportedLotSchema(LotLineSchema):
    """The state of a lot after the import."""

    id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the lot; null for a new lot in a dry run"}
    )
    to_measure = fields.List(fields.String(), required=True)
    says = fields.String(required=True)
    exposure_says = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "open loads of a lot that may no longer be used; null without any"},
    )


class ImportedDeliverySchema(Schema):
    """A delivery of the file. A dry run gives no new numbers, codes or sample."""

    id = fields.Integer(required=True, allow_none=True)
    lot_id = fields.Integer(required=True, allow_none=True)
    supplier_lot = fields.String(required=True)
    new_lot = fields.Boolean(required=True)
    spool_codes = fields.List(fields.String(), required=True)
    sample = fields.Nested(SampleSchema, required=True, allow_none=True)


class RowWarningSchema(Schema):
    """A suspected error. The row was stored nevertheless."""

    row, column, detail, hint = answered(FaultSchema, "row", "column", "detail", "hint", null=False)


class ImportedSchema(ImportSchema):
    """The result of an import."""

    dry_run = fields.Boolean(required=True)
    already_imported = fields.Boolean(
        required=True, metadata={"description": "true if the file was already imported and nothing changed"}
    )
    skipped_voided = fields.Integer(
        required=True,
        metadata={"description": "number of voided and excluded readings in the file, which were skipped"},
    )
    lots = fields.List(fields.Nested(ImportedLotSchema), required=True)
    deliveries = fields.List(fields.Nested(ImportedDeliverySchema), required=True)
    warnings = fields.List(fields.Nested(RowWarningSchema), required=True)
    notes = fields.List(fields.String(), required=True)


_ARGS = ImportArgs()


def import_file(
    kind: str, file_name: str, content: bytes, options: Options, by: str, *, dry_run: bool = False, watch: Watch = iter
) -> Imported:
    """Imports a file and returns the result, see `lots.services.files.imports.store`.

    Raises:
        Invalid: All faults of the file with row and column. Nothing was stored.
    """
    known = imports.earlier(imports.digest_of(kind, options, content), dry_run=dry_run)
    if known is None:
        known = imports.store(draft_from(kind, _plain_name(file_name), content, options, watch), by, dry_run=dry_run)
    return known


def not_admitted(kind: str, who: Person) -> str:
    """Returns the reason why a person may not import a kind of file; empty if permitted."""
    # A program may import every kind of file.
    roles = (*WHO[kind], INTEGRATION, ADMIN)
    if who.role in roles:
        return ""
    return f"{who.name} has the role {who.role}. Importing {kind} requires {' or '.join(roles)}."


def args_from(said: Mapping[str, str | None]) -> dict[str, Any]:
    """Returns loaded arguments of a form or command line, without blank ones.

    Raises:
        Invalid: Unknown names or invalid values.
    """
    try:
        return dict(_ARGS.load({name: value for name, value in said.items() if value}))
    except ValidationError as error:
        found = faults_from(error.messages, _ARGS)
        raise Invalid(*(Fault(f.pointer.strip("/"), f.detail, f.hint) for f in found)) from None


def options_from(args: dict[str, Any]) -> Options:
    """Returns the options among loaded arguments.

    Raises:
        Invalid: Measuring conditions for rows without colours.
    """
    conditions = {name: args[name] for name in KEYWORDS if name in args}
    if conditions and shape_of(args["kind"]).name_of("conditions") is None:
        detail = "Measuring conditions are for colour readings only."
        raise Invalid(*(Fault(name, detail, "Leave it out.") for name in conditions))
    return Options(args["delimiter"], args["decimal"], args.get("time_zone"), conditions)


def _plain_name(name: str) -> str:
    """Returns a file name without folders and invisible characters."""
    last = re.split(r"[/\\]", name)[-1]
    shown = "".join(char for char in last if unicodedata.category(char) not in ("Cc", "Cs", "Cf"))
    return shown.strip()[:200] or "unnamed"


def _read_form() -> tuple[dict[str, Any], FileStorage]:
    """Returns the arguments and the file of a form.

    Raises:
        Refused: 415 if the body is not a form.
        Invalid: Unknown, repeated or invalid fields, or a missing file.
    """
    if request.mimetype != "multipart/form-data":
        hint = "Send multipart/form-data with the fields kind and file, as `curl -F kind=diameter -F file=@readings.csv` does."
        raise Refused(problem(415, "wrong-type", "Body is not a form", hint))
    sent: list[tuple[str, list[Any]]] = [*request.form.lists(), *request.files.lists()]
    twice = [name for name, values in sent if len(values) > 1]
    faults = [Fault(name, f"The field {name} appears twice in the form.", "Give it once.") for name in twice]
    args: dict[str, Any] = {}
    try:
        args = args_from({name: value for name, value in request.form.items() if name != "file"})
    except Invalid as refused:
        faults += refused.faults
    others = [name for name in request.files if name != "file"]
    faults += [Fault(name, "Unknown file field.", "Name it file.") for name in others]
    file = request.files.get("file")
    if file is None:
        faults.append(Fault("file", "The file is missing.", "Send it as a file: `-F file=@readings.csv`, with the @."))
    if faults or file is None:
        raise Invalid(*faults)
    return args, file


@routes.route("")
class Imports(Resource):
    """Files that were imported."""

    who = {"GET": (*BENCH, INTEGRATION), "POST": (*BENCH, INTEGRATION)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(ImportSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List imported files.

        Each has its digest, its rows and its lots. They are in the order they were imported.
        """
        return page_answer(imports.listed(args.get("cursor"), args["limit"]))

    @routes.doc(
        description=_TOLD,
        requestBody={
            "required": True,
            "content": {"multipart/form-data": {"schema": ImportFormSchema, "example": ImportFormSchema.example}},
        },
    )
    @routes.alt_response(
        200,
        schema=ImportedSchema,
        description="Result of a dry run, or of an earlier import of the same file",
        success=True,
    )
    @routes.response(201, ImportedSchema)
    def post(self) -> Any:
        """Import a file."""
        args, file = _read_form()
        if detail := not_admitted(args["kind"], person()):
            raise Refused(http_problem(403, detail))
        content = file.stream.read()
        done = import_file(
            args["kind"], file.filename or "", content, options_from(args), person().name, dry_run=args["dry_run"]
        )
        return done, 200 if done["dry_run"] or done["already_imported"] else 201
