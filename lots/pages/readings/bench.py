"""The bench: readings of a spool are checked and stored, and the form for the next measurement follows."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.readings.reading_args import ARGS
from lots.api.readings.readings import READINGS
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED
from lots.domain.receiving.next_measurement import Next
from lots.pages.readings import bench_answers
from lots.pages.readings.bench_form import MOST_ROWS, readings_of, rows_shown, written_rows
from lots.pages.site import cookies
from lots.pages.site.calls import Refusal, Shown, attempt, checked_list, once
from lots.pages.site.frame import pages
from lots.pages.site.place import place
from lots.pages.site.session import may_call, signed_in, unpack
from lots.services import clock
from lots.services.documents.search import scanned
from lots.services.lookups import spool_of
from lots.services.readings import at_the_bench, recording
from lots.services.readings.at_the_bench import Bench, Offered
from lots.services.receiving import labels, receiving, substitutes

# Lots listed before a spool is chosen.
_MOST_WAITING = 12

# The bench is open to roles that may record at least one kind of reading.
_RECORDING = tuple((resource, "POST") for resource in READINGS.values())
# The kinds of reading in the order of the bench.
KINDS = tuple(sorted(DECLARED.values(), key=lambda declared: not declared.form.first))
# A cookie with the instrument last used in this browser for each kind, as in color.3-gloss.4. It only preselects.
_INSTRUMENTS = "lots_instruments"
_REMEMBERED = re.compile(r"[a-z_]{1,30}\.\d{1,9}(-[a-z_]{1,30}\.\d{1,9}){0,29}")
_REMEMBER = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Entry:
    """The result of an entry at the bench.

    Args:
        typed: the values of the fields.
        unknown: the refusal of an unknown spool code.
        stored: the result of the last stored entry.
        refused, faults: why nothing was stored, and each fault at its field.
        tried: row -> the result of its check.
    """

    typed: Mapping[str, str] = field(default_factory=dict)
    unknown: Refusal | None = None
    stored: Shown | None = None
    refused: Refusal | None = None
    faults: Mapping[str, list[str]] = field(default_factory=dict)
    tried: Mapping[int, Shown] | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """A spool at the bench: its label, its lot, the sample of the lot, and the open measurements."""

    label: Shown
    lot: Shown
    sample: Shown
    bench: Bench


def my_kinds() -> tuple[Characteristic, ...]:
    """Returns the characteristics that the signed-in person may measure, in the order of the bench."""
    return tuple(kind for kind in KINDS if may_call(READINGS[kind.name], "POST"))


def _chosen() -> Characteristic:
    mine = my_kinds()
    wanted = request.values.get("kind", "")
    return next((kind for kind in mine if kind.name == wanted), mine[0])


def _first_needed(seen: Seen) -> Characteristic:
    """Returns the first characteristic that the limits still need on a spool and this person may measure, else the first of the bench."""
    mine = my_kinds()
    return next((kind for kind in mine if seen.bench.wanted(kind.name, seen.label["spool_code"])), mine[0])


def _of_other_role(shown: Characteristic) -> Characteristic | None:
    """Returns the requested characteristic if another role measures it, else None."""
    wanted = request.values.get("kind", "")
    return next((kind for kind in KINDS if kind.name == wanted != shown.name), None)


@pages.get("/bench")
@signed_in(*_RECORDING, any_of=True)
def bench() -> Any:
    """Asks for a spool; with one, offers the form for its readings."""
    code = scanned(request.args.get("spool", ""))
    seen = attempt(lambda: _seen(code)) if code else None
    kind = _chosen() if "kind" in request.args or not isinstance(seen, Seen) else _first_needed(seen)
    told = bench_answers.of_address(request.args.get("told", ""))
    kept: Mapping[str, str] = told["kept"] if told and told["kind"] == kind.name else {}
    if not kept and (named := request.args.get("instrument", "")):
        kept = {"instrument_id": named}
    if isinstance(seen, Refusal):
        return _page(kind, code, None, Entry(kept, unknown=seen, stored=told)), seen.status
    return _page(kind, code, seen, Entry(kept, stored=told))


@pages.post("/bench")
@signed_in(*_RECORDING, any_of=True)
def measured() -> Any:
    """Checks the readings of one spool or, with the button Store, stores them and redirects to the next measurement."""
    kind, code = _chosen(), scanned(request.form.get("spool", ""))
    seen = attempt(lambda: _seen(code))
    if isinstance(seen, Refusal):
        return _page(kind, code, None, Entry(request.form, unknown=seen)), seen.status
    if request.form.get("step") == "store":
        done = _stored(kind, seen.label)
    else:
        done = attempt(lambda: _tried(kind, seen), ARGS[kind.name])
    if isinstance(done, Refusal):
        faults = bench_answers.faults(done.faults, kind, written_rows(kind, request.form) or [0])
        return _page(kind, code, seen, Entry(request.form, refused=done, faults=faults)), done.status
    return _page(kind, code, seen, Entry(request.form, tried=done)) if isinstance(done, dict) else done


def _seen(code: str) -> Seen:
    """Returns a spool at the bench, with the record of its lot.

    Raises:
        NotFound: no spool has this code.
    """
    row = spool_of(code)
    record = recording.everything_of(row.lot_id)
    lot, sample = substitutes.lot_and_sample(record)
    drawn = _drawn_spools(sample)
    return Seen(labels.at_the_bench(row, drawn), lot, sample, Bench(record, drawn))


def _sent(kind: Characteristic, label: Shown) -> list[Any]:
    """Returns the readings as the API reads them."""
    said, _ = readings_of(kind, request.form, label)
    return checked_list(ARGS[kind.name], said, partial(recording.faults_of, kind.name))


def _tried(kind: Characteristic, seen: Seen) -> dict[int, Shown]:
    """Returns for each row the reading that would be stored and the place of each value on its scale."""
    found = recording.tried(kind.name, _sent(kind, seen.label), g.me["name"])
    scales = seen.bench.scales(kind)
    rows = written_rows(kind, request.form) or [0]
    return {row: bench_answers.checked_row(one, kind, scales) for row, one in zip(rows, found, strict=True)}


def _stored(kind: Characteristic, label: Shown) -> Any:
    """Stores readings once and redirects to the next measurement, so that going back or reloading sends nothing again."""

    def record() -> str:
        done = recording.record(kind.name, _sent(kind, label), g.me["name"], as_list=True)
        shared = ("instrument_id", *(entry.name for entry in kind.form.shared))
        kept = {name: request.form.get(name, "") for name in shared}
        coming = _next_measurement(_seen(label["spool_code"]), kind)
        spool, then = (coming.spool, coming.kind) if coming else (label["spool_code"], kind.name)
        return url_for("pages.bench", spool=spool, kind=then, told=bench_answers.for_address(done, kept, kind))

    done = once(record, ARGS[kind.name])
    if not isinstance(done, Refusal):
        used = request.form.get("instrument_id", "")
        _remember(done, kind.name, used)
    return done


def _drawn_spools(sample: Shown) -> list[str]:
    """Returns the drawn spools of a lot, delivery by delivery."""
    return [code for part in sample["deliveries"] for code in part["drawn"]]


def _next_measurement(seen: Seen, kind: Characteristic) -> Next | None:
    """Returns the measurement that follows one of this kind on a spool, or None."""
    return seen.bench.next([one.name for one in my_kinds()], kind.name, seen.label["spool_code"])


def _remembered() -> dict[str, str]:
    said = cookies.read(_INSTRUMENTS, _REMEMBERED)
    return dict(one.split(".") for one in said.split("-")) if said else {}


def _remember(answer: Any, name: str, used: str) -> None:
    """Keeps in the browser which instrument measured a kind last."""
    said = "-".join(f"{kind}.{number}" for kind, number in {**_remembered(), name: used}.items())
    if used and _REMEMBERED.fullmatch(said):
        cookies.put(answer, _INSTRUMENTS, said, _REMEMBER)


def _page(kind: Characteristic, code: str, seen: Seen | None, entry: Entry) -> str:
    """Returns the page of the bench with the result of the last entry. `seen` is None without a known spool."""
    # The code as printed on the label, whatever was typed.
    code = seen.label["spool_code"] if seen else code
    coming = _next_measurement(seen, kind) if seen else None
    wanted = seen.bench.wanted(kind.name, code) if seen else 0
    rows = rows_shown(kind, entry.typed, wanted)
    offered = at_the_bench.instruments_for(kind.name, clock.now()) if seen else []
    return render_template(
        "readings/bench.html",
        kind=kind,
        kinds=my_kinds(),
        code=code,
        elsewhere=_of_other_role(kind),
        entry=entry,
        typed=entry.typed,
        faults=entry.faults,
        focus=_focus(kind, entry, rows, nothing_left=coming is None),
        label=seen.label if seen else None,
        lot=seen.lot if seen else None,
        sampled=_sampled(seen.sample, code) if seen else None,
        coming=coming,
        coming_kind=DECLARED[coming.kind] if coming else None,
        drawn=seen.bench.drawn if seen else (),
        wanted=wanted,
        rows=rows,
        leave=bool(entry.stored) and coming is None,
        most_rows=MOST_ROWS,
        scales=seen.bench.scales(kind) if seen else (),
        undone=unpack("void", request.args.get("undone", "")),
        told=request.args.get("told", ""),
        instruments=offered,
        instrument=_instrument(kind, offered, entry.typed),
        stored_kind=DECLARED.get(entry.stored["kind"]) if entry.stored else None,
        waiting=[] if code else _waiting(),
        now=clock.now(),
        comma=place().decimal_sign == "comma",
    )


def _focus(kind: Characteristic, entry: Entry, rows: int, *, nothing_left: bool) -> str:
    """Returns the field with the focus: the first with a fault, else the first to fill; "" where a button or another spool comes next."""
    if entry.refused:
        return bench_answers.first_at_fault(dict(entry.faults), kind, rows)
    if entry.tried or (entry.stored and nothing_left):
        return ""
    once = [one.name for one in kind.form.shared if one.needed and not entry.typed.get(one.name)]
    return next(iter((*once, *(f"{one.name}-0" for one in kind.form.row if one.form in ("number", "text")))))


def _instrument(kind: Characteristic, offered: Sequence[Offered], typed: Mapping[str, str]) -> str:
    """Returns the preselected instrument: the named one, else the last used in this browser, else the first with a valid calibration."""
    if "instrument_id" in typed:
        return typed["instrument_id"]
    in_order = [str(one.id) for one in offered if one.doubt is None and one.stated]
    last = _remembered().get(kind.name, "")
    return last if last in in_order else next(iter(in_order), "")


def _sampled(sample: Shown, code: str) -> dict[str, Any]:
    """Returns whether a spool was drawn, its substitute, and the drawn spools that are not measured yet."""
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
