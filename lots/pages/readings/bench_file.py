"""The bench: a file of readings or deliveries, uploaded or pasted, tried first and stored when it is in order."""

from __future__ import annotations

import base64
import binascii
import csv
import io
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from flask import g, render_template, request

from lots.domain.characteristics.registry import DECLARED
from lots.domain.colorimetry.color_values import Conditions
from lots.pages.readings.bench import kinds_of
from lots.pages.site.api_client import Answer, ask
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in

DELIMITERS = (
    (",", "a comma"),
    (";", "a semicolon"),
    ("tab", "a tab, as a spreadsheet pastes it"),
)
DECIMALS = (("point", "a point: 1.75"), ("comma", "a comma: 1,75"))
# How colours were measured, said once for a file that does not say it in its columns.
CONDITIONS = tuple(field.name for field in fields(Conditions))
_OPTIONS = ("kind", "delimiter", "decimal", "time_zone", *CONDITIONS)
# Rows in order that are shown; those with a fault are shown however many they are.
_SHOWN = 20


@pages.get("/bench/file")
@signed_in("receiving", "quality")
def bench_file() -> str:
    """Asks for a file, or for text to paste."""
    return _page({"kind": request.args.get("kind", "")}, None)


@pages.post("/bench/file")
@signed_in("receiving", "quality")
def file_tried() -> Any:
    """Tries a file and shows its rows with every fault; then, when asked to, stores it."""
    said = {name: request.form.get(name, "").strip() for name in _OPTIONS}
    said["text"] = request.form.get("text", "")
    content, name = _content()
    if content is None:
        missing = Answer(
            422, {"detail": "", "errors": [{"pointer": "text", "detail": "Choose a file, or paste rows."}]}
        )
        return _page(said, missing), 422
    storing = request.form.get("step") == "store"
    sent, delimiter = _as_sent(content, said["delimiter"])
    form = {option: said[option] for option in _OPTIONS if said[option]}
    declared = DECLARED.get(said["kind"])
    if declared is None or declared.of_type("conditions") is None:
        form = {option: value for option, value in form.items() if option not in CONDITIONS}
    form |= {"delimiter": delimiter, "dry_run": "false" if storing else "true"}
    done = ask(
        "POST",
        "/imports",
        form={**form, "file": (io.BytesIO(sent), name)},
        key=request.form.get("once") if storing else None,
    )
    page = _page(said, done, rows=_rows(sent, delimiter, done), kept=(base64.b64encode(content).decode(), name))
    return page, done.status


def _content() -> tuple[bytes | None, str]:
    """The bytes of the file and its name: just uploaded, tried before, or pasted. Uploaded bytes are kept as they came."""
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
    """The file as the API takes it: what a spreadsheet pasted with tabs gets semicolons instead."""
    if delimiter != "tab":
        return content, delimiter or ","
    out = io.StringIO(newline="")
    rows = csv.reader(io.StringIO(content.decode("utf-8-sig", "surrogateescape"), newline=""), delimiter="\t")
    csv.writer(out, delimiter=";").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape"), ";"


def _rows(content: bytes, delimiter: str, done: Answer) -> list[tuple[int, list[str], list[dict[str, Any]]]]:
    """The header, the first rows and every row at fault: number, cells, faults. What no program can read has no rows."""
    wrong: dict[int, list[dict[str, Any]]] = {}
    for fault in done.body.get("errors", ()):
        wrong.setdefault(fault.get("row", 0), []).append(fault)
    try:
        read = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=delimiter))
    except (UnicodeDecodeError, csv.Error):
        return []
    return [
        (row, cells, wrong.get(row, [])) for row, cells in enumerate(read, start=1) if row <= _SHOWN + 1 or row in wrong
    ]


def _page(
    said: Mapping[str, str],
    done: Answer | None,
    rows: list[tuple[int, list[str], list[dict[str, Any]]]] | None = None,
    kept: tuple[str, str] = ("", ""),
) -> str:
    role = g.me["role"]
    kinds = [(kind.name, f"{kind.form.title} readings") for kind in kinds_of(role)]
    kinds += [("deliveries", "Deliveries")] if role in ("receiving", "admin") else []
    loose = [fault for fault in done.body.get("errors", ()) if not fault.get("row")] if done else []
    return render_template(
        "readings/bench_file.html",
        said=said,
        options=_OPTIONS,
        done=done,
        rows=rows or [],
        kept=kept,
        loose=[fault for fault in loose if fault["pointer"] not in (*_OPTIONS, "text")],
        faults=done.faults() if done and not done.good else {},
        kinds=kinds,
        delimiters=DELIMITERS,
        decimals=DECIMALS,
    )
