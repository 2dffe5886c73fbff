"""Import of readings or deliveries from a file or pasted rows: first checked, then stored."""

from __future__ import annotations

import base64
import binascii
import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from flask import g, render_template, request, url_for
from werkzeug.wrappers import Response

from lots.api.files.imports import ImportArgs, Imports, import_file, not_admitted, options_from
from lots.api.receiving.lots_and_deliveries import Deliveries
from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import Conditions
from lots.pages.readings.bench import my_kinds
from lots.pages.site.calls import Refusal, Shown, Told, attempt, checked, once
from lots.pages.site.frame import pages
from lots.pages.site.session import may_call, pack, signed_in, unpack
from lots.services.assessment.lot_after import status_sentences
from lots.services.files import imports

DELIMITERS = (
    (",", "comma"),
    (";", "semicolon"),
    ("tab", "tab, as pasted from a spreadsheet"),
)
DECIMALS = (("point", "point: 1.75"), ("comma", "comma: 1,75"))
# Measuring conditions of colour, given once for a file without columns for them.
CONDITIONS = tuple(field.name for field in fields(Conditions))
_OPTIONS = ("kind", "delimiter", "decimal", "time_zone", *CONDITIONS)
# A row of a file: its number, its cells, its faults.
_Row = tuple[int, list[str], list[Told]]
# The most rows without a fault that are shown. All rows with a fault are shown.
_SHOWN = 20


@pages.get("/bench/file")
@signed_in((Imports, "POST"))
def bench_file() -> str:
    """Shows the form for a file or pasted rows and, after storing, the result."""
    told = unpack("file", request.args.get("stored", ""))
    stored = imports.earlier(told["digest"], dry_run=False) if told else None
    done = stored and {**stored, "already_imported": told["before"]}
    return _page({"kind": request.args.get("kind", "")}, done)


@pages.post("/bench/file")
@signed_in((Imports, "POST"))
def file_tried() -> Any:
    """Checks a file and shows its rows with every fault, or stores it."""
    said = {name: request.form.get(name, "").strip() for name in _OPTIONS}
    said["text"] = request.form.get("text", "")
    content, name = _content()
    if content is None:
        return _page(said, Refusal(422, "", (Told("/text", "", "Choose a file, or paste rows."),), 1)), 422
    storing = request.form.get("step") == "store"
    sent, delimiter = _as_sent(content, said["delimiter"])
    form = {option: said[option] for option in _OPTIONS if said[option]}
    declared = DECLARED.get(said["kind"])
    if declared is None or declared.of_type("conditions") is None:
        form = {option: value for option, value in form.items() if option not in CONDITIONS}
    form["delimiter"] = delimiter

    def take_in() -> Shown | Refusal:
        args = checked(ImportArgs, form)
        if not_mine := not_admitted(args["kind"], g.person):
            return Refusal(403, not_mine)
        return import_file(args["kind"], name, sent, options_from(args), g.me["name"], dry_run=not storing)

    def store() -> str | Refusal:
        done = take_in()
        if isinstance(done, Refusal):
            return done
        told = {"digest": done["digest"], "before": done["already_imported"]}
        return url_for("pages.bench_file", kind=said["kind"], stored=pack("file", told))

    done = once(store, ImportArgs) if storing else attempt(take_in, ImportArgs)
    if isinstance(done, Response):
        return done
    rows = _rows(sent, delimiter, done.faults if isinstance(done, Refusal) else ())
    page = _page(said, done, rows=rows, kept=(base64.b64encode(content).decode(), name))
    return page, done.status if isinstance(done, Refusal) else 200


def _content() -> tuple[bytes | None, str]:
    """Returns the bytes of the file unchanged, and its name. The file is uploaded, checked before or pasted."""
    upload = request.files.get("file")
    if upload is not None and upload.filename:
        return upload.stream.read(), upload.filename
    name = request.form.get("name", "pasted.csv")
    if request.form.get("content"):
        try:
            return base64.b64decode(request.form["content"], validate=True), name
        except (ValueError, binascii.Error):
            return None, name
    text = request.form.get("text", "")
    return (text.encode(), name) if text.strip() else (None, name)


def _as_sent(content: bytes, delimiter: str) -> tuple[bytes, str]:
    """Returns the file and its separator as the API takes them. Tabs become semicolons."""
    if delimiter != "tab":
        return content, delimiter or ","
    out = io.StringIO(newline="")
    rows = csv.reader(io.StringIO(content.decode("utf-8-sig", "surrogateescape"), newline=""), delimiter="\t")
    csv.writer(out, delimiter=";").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape"), ";"


def _rows(content: bytes, delimiter: str, faults: Sequence[Told]) -> list[_Row]:
    """Returns the header, the first rows and every row with a fault, as number, cells and faults; [] for an unreadable file."""
    wrong: dict[int, list[Told]] = {}
    for fault in faults:
        wrong.setdefault(fault.row or 0, []).append(fault)
    try:
        read = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=delimiter))
    except (UnicodeDecodeError, csv.Error):
        return []
    return [
        (row, cells, wrong.get(row, [])) for row, cells in enumerate(read, start=1) if row <= _SHOWN + 1 or row in wrong
    ]


def _page(
    said: Mapping[str, str],
    done: Shown | Refusal | None,
    rows: list[_Row] | None = None,
    kept: tuple[str, str] = ("", ""),
) -> str:
    kinds = [(kind.name, f"{kind.form.title} readings") for kind in my_kinds()]
    kinds += [("deliveries", "Deliveries")] if may_call(Deliveries, "POST") else []
    refused = done if isinstance(done, Refusal) else None
    at_fields = (*_OPTIONS, "text")
    return render_template(
        "readings/bench_file.html",
        said=said,
        options=_OPTIONS,
        done=None if refused else done,
        refused=refused,
        rows=rows or [],
        kept=kept,
        loose=[one for one in refused.faults if not one.row and one.path[0] not in at_fields] if refused else [],
        faults=refused.beside() if refused else {},
        kinds=kinds,
        delimiters=DELIMITERS,
        decimals=DECIMALS,
        status_said=status_sentences,
    )
