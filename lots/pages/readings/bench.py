"""The bench: a spool scanned or typed, its readings typed in, and what the lot still lacks; or a whole file of readings."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import unquote, urlsplit

from flask import g, redirect, render_template, request, url_for

from lots.domain.characteristics.declaring.declaration import Characteristic, Entry
from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.measuring import may_measure
from lots.pages.readings import bench_answers
from lots.pages.readings.bench_answers import ONCE, parts_of
from lots.pages.site.api_client import Answer, ask, at
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in, unpack

_PLAIN = re.compile(r"[-+]?\d{1,15}(\.\d{1,15})?")
# Lots that the first page of the bench names.
_MOST_WAITING = 12


# Readings that the bench offers, in order.
KINDS = tuple(sorted(DECLARED.values(), key=lambda declared: not declared.form.first))


def number(text: str) -> Any:
    """Returns what somebody typed as the number it is; anything else stays text, so that the API can say what is wrong with it.

    Example:
        >>> number(" 1.75 "), number("1,75"), number("")
        (1.75, '1,75', '')
    """
    plain = text.strip()
    if not _PLAIN.fullmatch(plain):
        return plain
    return float(plain) if "." in plain else int(plain)


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


def kinds_of(role: str) -> tuple[Characteristic, ...]:
    """Returns the characteristics that a role may measure, in the order of the bench."""
    return tuple(kind for kind in KINDS if role in (*kind.measured_by, "admin"))


def _chosen() -> Characteristic:
    mine = kinds_of(g.me["role"])
    wanted = request.values.get("kind", "")
    return next((kind for kind in mine if kind.name == wanted), mine[0])


def _elsewhere(shown: Characteristic) -> Characteristic | None:
    """The kind that was asked for, when another desk measures it."""
    wanted = request.values.get("kind", "")
    return next((kind for kind in KINDS if kind.name == wanted != shown.name), None)


@pages.get("/bench")
@signed_in("receiving", "quality")
def bench() -> Any:
    """Asks for a spool; with one, offers the form for its readings."""
    kind, code = _chosen(), scanned(request.args.get("spool", ""))
    kept, done = bench_answers.of_address(request.args.get("told", ""))
    typed = kept or {"instrument_id": request.args.get("instrument", "")}
    label = ask("GET", at("spools", code, "label")) if code else None
    page = _page(kind, code, label, typed, done, {})
    return page, 200 if label is None else label.status


@pages.post("/bench")
@signed_in("receiving", "quality")
def measured() -> Any:
    """Stores the readings of one spool and leads to what came of it; refused, it says beside each field what is wrong and keeps what was typed."""
    kind, code = _chosen(), scanned(request.form.get("spool", ""))
    label = ask("GET", at("spools", code, "label"))
    if not label.good:
        return _page(kind, code, label, request.form, None, {}), label.status
    readings, rows = _readings(kind, request.form, label.body)
    done = ask("POST", kind.path, readings, key=request.form.get("once"))
    if not done.good:
        faults = bench_answers.faults(done.body.get("errors", ()), kind, rows)
        return _page(kind, code, label, request.form, done, faults), done.status
    kept = {name: request.form.get(name, "") for name in ("instrument_id", *(entry.name for entry in kind.form.shared))}
    told = bench_answers.for_address(done, kept, kind)
    # Going back, or loading the page anew, then sends nothing again.
    return redirect(url_for("pages.bench", spool=code, kind=kind.name, told=told), 303)


def _page(
    kind: Characteristic,
    code: str,
    label: Answer | None,
    typed: Mapping[str, str],
    done: Answer | None,
    faults: dict[str, list[str]],
) -> str:
    """The page of the bench, whatever came of the last entry."""
    found = label.body if label and label.good else None
    # As it stands on the label, however it was typed.
    code = found["spool_code"] if found else code
    lot = ask("GET", at("lots", found["lot_id"])).body if found else None
    return render_template(
        "readings/bench.html",
        kind=kind,
        kinds=kinds_of(g.me["role"]),
        code=code,
        answer=label,
        meant=label.meant if label else "",
        elsewhere=_elsewhere(kind),
        focus=bench_answers.first_at_fault(faults, kind),
        label=found,
        lot=lot,
        sampled=_sampled(found["lot_id"], code) if found else None,
        spool=next((one for one in lot["spools"] if one["code"] == code), None) if lot else None,
        typed=typed,
        done=done,
        undone=unpack(request.args["undone"]) if "undone" in request.args else None,
        faults=faults,
        instruments=_instruments(kind),
        waiting=[] if code else _waiting(),
    )


def _sampled(lot_id: int, code: str) -> dict[str, Any]:
    """What a spool is in the sample of its lot: whether it was drawn, what took its place, and which drawn spools are not measured yet."""
    sample = ask("GET", at("lots", lot_id, "sample")).body
    parts = sample["deliveries"]
    swaps = [one for part in parts for one in part["substitutes"]]
    return {
        "drawn": not sample["only_drawn"] or any(code in part["drawn"] or not part["drawn"] for part in parts),
        "replaced": next((one for one in swaps if one["drawn"] == code), None),
        "instead": next((one for one in swaps if one["substitute"] == code), None),
        "not_measured": [other for part in parts for other in part["not_measured"]],
    }


def _waiting() -> Any:
    found = ask("GET", at("lots", standing="quarantined", order="newest", limit=_MOST_WAITING)).body["items"]
    return [lot for lot in found if not lot["closed"]]


def _instruments(kind: Characteristic) -> list[tuple[str, str]]:
    """The instruments that may be named with readings of a kind."""
    every = ask("GET", "/directory").body["instruments"]
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
