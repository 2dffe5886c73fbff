"""The bench: a spool scanned or typed, its readings typed in, and what the lot still lacks; or a whole file of readings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any
from urllib.parse import unquote, urlsplit

from flask import g, render_template, request, url_for

from lots.api.readings.reading_args import ARGS
from lots.api.readings.readings import READINGS
from lots.domain.characteristics.declaring.declaration import Characteristic, Entry
from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.measuring import may_measure
from lots.pages.readings import bench_answers
from lots.pages.readings.bench_answers import ONCE, parts_of
from lots.pages.site.calls import Refusal, Shown, attempt, checked_list, once
from lots.pages.site.frame import pages
from lots.pages.site.place import number
from lots.pages.site.session import may_call, signed_in, unpack
from lots.services.assessment.counting import OnRecord
from lots.services.lookups import lot_of
from lots.services.readings import recording
from lots.services.receiving import labels, receiving, substitutes
from lots.services.setup import catalog

# Lots that the first page of the bench names.
_MOST_WAITING = 12

# The bench is for whoever may record some kind of reading.
_RECORDING = tuple((resource, "POST") for resource in READINGS.values())
# Readings that the bench offers, in order.
KINDS = tuple(sorted(DECLARED.values(), key=lambda declared: not declared.form.first))


def scanned(text: str) -> str:
    """Returns a spool's code from what was typed or scanned: the code itself, or the address in the QR code of a label.

    Example:
        >>> scanned(" WB-Q03-1 "), scanned("https://lots.example.org/spools/WB%20Q03-1")
        ('WB-Q03-1', 'WB Q03-1')
    """
    typed = text.strip()
    if not typed.lower().startswith(("http://", "https://")):
        return typed
    try:
        path = urlsplit(typed).path
    except ValueError:
        return typed
    return unquote(path.rpartition("/spools/")[2]) if "/spools/" in path else typed


def my_kinds() -> tuple[Characteristic, ...]:
    """Returns the characteristics that the signed-in person may measure, in the order of the bench."""
    return tuple(kind for kind in KINDS if may_call(READINGS[kind.name], "POST"))


def _chosen() -> Characteristic:
    mine = my_kinds()
    wanted = request.values.get("kind", "")
    return next((kind for kind in mine if kind.name == wanted), mine[0])


def _elsewhere(shown: Characteristic) -> Characteristic | None:
    """The kind that was asked for, when another desk measures it."""
    wanted = request.values.get("kind", "")
    return next((kind for kind in KINDS if kind.name == wanted != shown.name), None)


@pages.get("/bench")
@signed_in(*_RECORDING, any_of=True)
def bench() -> Any:
    """Asks for a spool; with one, offers the form for its readings."""
    kind, code = _chosen(), scanned(request.args.get("spool", ""))
    kept, stored = bench_answers.of_address(request.args.get("told", ""))
    typed = kept or {"instrument_id": request.args.get("instrument", "")}
    label = attempt(lambda: labels.of_spool(code)) if code else None
    if isinstance(label, Refusal):
        return _page(kind, code, None, typed, unknown=label, stored=stored), label.status
    return _page(kind, code, label, typed, stored=stored)


@pages.post("/bench")
@signed_in(*_RECORDING, any_of=True)
def measured() -> Any:
    """Stores the readings of one spool and leads to what came of it; refused, it says beside each field what is wrong and keeps what was typed."""
    kind, code = _chosen(), scanned(request.form.get("spool", ""))
    label = attempt(lambda: labels.of_spool(code))
    if isinstance(label, Refusal):
        return _page(kind, code, None, request.form, unknown=label), label.status
    said, rows = _readings(kind, request.form, label)

    def record() -> str:
        items = checked_list(ARGS[kind.name], said, partial(recording.faults_of, kind.name))
        done = recording.record(kind.name, items, g.me["name"], as_list=True)
        shared = ("instrument_id", *(entry.name for entry in kind.form.shared))
        kept = {name: request.form.get(name, "") for name in shared}
        return url_for("pages.bench", spool=code, kind=kind.name, told=bench_answers.for_address(done, kept, kind))

    # Going back, or loading the page anew, then sends nothing again.
    done = once(record, ARGS[kind.name])
    if not isinstance(done, Refusal):
        return done
    faults = bench_answers.faults(done.faults, kind, rows)
    return _page(kind, code, label, request.form, refused=done, faults=faults), done.status


def _page(
    kind: Characteristic,
    code: str,
    label: Shown | None,
    typed: Mapping[str, str],
    *,
    unknown: Refusal | None = None,
    stored: Shown | None = None,
    refused: Refusal | None = None,
    faults: dict[str, list[str]] | None = None,
) -> str:
    """The page of the bench, whatever came of the last entry.

    Args:
        label: of the spool; None where none is asked for, or where there is none such (`unknown`).
        stored: what the last entry stored; `refused` and `faults` say why nothing was.
    """
    # As it stands on the label, however it was typed.
    code = label["spool_code"] if label else code
    lot, sample = substitutes.lot_and_sample(OnRecord(lot_of(label["lot_id"]))) if label else (None, None)
    faults = faults or {}
    return render_template(
        "readings/bench.html",
        kind=kind,
        kinds=my_kinds(),
        code=code,
        unknown=unknown,
        elsewhere=_elsewhere(kind),
        focus=bench_answers.first_at_fault(faults, kind),
        label=label,
        lot=lot,
        sampled=_sampled(sample, code) if sample else None,
        typed=typed,
        stored_now=stored,
        refused=refused,
        undone=unpack("void", request.args.get("undone", "")),
        faults=faults,
        instruments=_instruments(kind),
        waiting=[] if code else _waiting(),
    )


def _sampled(sample: Shown, code: str) -> dict[str, Any]:
    """What a spool is in the sample of its lot: whether it was drawn, what took its place, and which drawn spools are not measured yet."""
    parts = sample["deliveries"]
    swaps = [one for part in parts for one in part["substitutes"]]
    return {
        "drawn": not sample["only_drawn"] or any(code in part["drawn"] or not part["drawn"] for part in parts),
        "replaced": next((one for one in swaps if one["drawn"] == code), None),
        "instead": next((one for one in swaps if one["substitute"] == code), None),
        "not_measured": [other for part in parts for other in part["not_measured"]],
    }


def _waiting() -> list[Shown]:
    found = receiving.listed({"standing": "quarantined"}, None, _MOST_WAITING, newest_first=True).rows
    return [lot for lot in found if not lot["closed"]]


def _instruments(kind: Characteristic) -> list[tuple[str, str]]:
    """The instruments that may be named with readings of a kind."""
    every = catalog.directory("instrument")["instruments"]
    known = [one for one in every if may_measure(kind.name, one["measures"])]
    return [("", "none named"), *((str(one["id"]), f"{one['code']}: {one['says']}") for one in known)]


def _readings(
    kind: Characteristic, form: Mapping[str, str], label: dict[str, Any]
) -> tuple[list[dict[str, Any]], list[int]]:
    """What was typed as readings, and the row of each. Rows without a number or a word in them are left out, but for the first."""
    once: dict[str, Any] = {"spool_code": label["spool_code"], "screening": form.get("screening") == "on"}
    if form.get("instrument_id"):
        once["instrument_id"] = number(form["instrument_id"])
    once |= {name: form[name].strip() for name in ONCE[1:] if form.get(name, "").strip()}
    once |= _values(kind.form.shared, form, "")
    written = [entry.name for entry in kind.form.row if entry.form in ("number", "text")]
    filled = [row for row in range(kind.form.rows) if any(form.get(f"{name}-{row}", "").strip() for name in written)]
    rows = filled or [0]
    readings = [{**once, **_values(kind.form.row, form, f"-{row}")} for row in rows]
    conditions = kind.of_type("conditions")
    for reading in readings:
        for field, parts in parts_of(kind).items():
            reading[field] = [reading.pop(part, None) for part in parts]
        if conditions:
            reading[conditions.name] = label["color_conditions"]
    return readings, rows


def _values(entries: tuple[Entry, ...], form: Mapping[str, str], end: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for entry in entries:
        text = form.get(f"{entry.name}{end}", "").strip()
        if entry.form == "tick":
            found[entry.name] = text == "on"
        elif text:
            found[entry.name] = number(text) if entry.form == "number" else text
    return found
