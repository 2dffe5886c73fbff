"""The open work of each desk: counts, the first entries, and links to act on them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from flask import url_for

from lots.api.readings.readings import READINGS
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.step_rule import without_decision
from lots.domain.words import counted, hyphenated
from lots.pages.site.calls import Shown
from lots.pages.site.frame import can_open
from lots.pages.site.place import day, num, place
from lots.pages.site.red_bar import spools as coming_off
from lots.pages.site.session import may_call
from lots.services import clock, exposure
from lots.services.assessment import concessions
from lots.services.instruments import due
from lots.services.production import loads, stock
from lots.services.purchasing import corrective_actions, week
from lots.services.readings import voids
from lots.services.receiving import receiving, to_measure

# The most lines of a part, and the most rows that are counted.
SHOWN, _COUNTED = 5, 500
# Due dates within so many days are listed.
_SOON_DAYS = 7


@dataclass(frozen=True, slots=True)
class Line:
    """One task: its name, the address to act on it, its description, and further links (word, address)."""

    name: str
    url: str
    says: str = ""
    links: Sequence[tuple[str, str]] = ()
    late: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of work on Home.

    `count` is how many there are, `lines` the first of them, and `every` the address of all. `act` is a button (word, address), `empty` the
    sentence where there are none. An `urgent` part is red.
    """

    key: str
    title: str
    count: int
    lines: Sequence[Line]
    empty: str
    every: str = ""
    act: tuple[str, str] | None = None
    urgent: bool = field(default=False)

    @property
    def more(self) -> int:
        """The number of rows without a line."""
        return self.count - len(self.lines)


def _part(
    key: str, title: str, rows: Sequence[Any], line: Callable[[Any], Line], empty: str, every: str = "", **more: Any
) -> Part:
    return Part(key, title, len(rows), [line(row) for row in rows[:SHOWN]], empty, every, **more)


def _to(endpoint: str, fallback: str = "", **values: Any) -> str:
    """Returns the address of a page if the signed-in person may open it, else `fallback`."""
    return url_for(endpoint, **values) if can_open(endpoint) else fallback


def _lot(number: int) -> str:
    return url_for("pages.lot", number=number)


def receiving_desk() -> list[Part]:
    """Returns the work of receiving: today's deliveries and spools to measure."""
    begun, _ = place().today(clock.now())
    return [
        _part(
            "logged",
            "Deliveries logged today",
            to_measure.logged_since(begun),
            lambda one: Line(
                one.supplier_lot,
                _to("pages.received", _lot(one.lot_id), number=one.id),
                ", ".join([one.supplier, one.grade, *([f"order {one.order_ref}"] if one.order_ref else [])]),
            ),
            "No deliveries logged today.",
            _to("pages.deliveries"),
            act=("Log a delivery", url_for("pages.receiving")),
        ),
        _spools_to_measure(),
    ]


def _spools_to_measure() -> Part:
    mine = {kind for kind in DECLARED if may_call(READINGS[kind], "POST")}
    rows = [(one, kinds) for one in to_measure.spools_to_measure() if (kinds := [k for k in one.kinds if k in mine])]

    def line(row: tuple[to_measure.ToMeasure, list[str]]) -> Line:
        one, kinds = row
        at = {kind: url_for("pages.bench", spool=one.spool_code, kind=kind) for kind in kinds}
        says = f"lot {one.supplier_lot}, {one.supplier}, received {day(one.received_at)}"
        return Line(one.spool_code, at[kinds[0]], says, [(DECLARED[kind].title, at[kind]) for kind in kinds])

    return _part("measure", "Spools to measure", rows, line, "No spools to measure.", url_for("pages.bench"))


def quality_desk() -> list[Part]:
    """Returns the work of quality: everything that needs a measurement, a decision, a check or an answer."""
    waiting, blocked = receiving.waiting_for_quality()
    every = url_for("pages.quality")
    return [
        _part(
            "waiting",
            "Lots in quarantine",
            waiting,
            lambda lot: Line(
                lot.supplier_lot,
                _lot(lot.id),
                f"{lot.supplier}, {lot.grade}: {'; '.join(without_decision(lot.to_measure, not lot.by_hand)) or 'manual decision'}",
            ),
            "No lots in quarantine.",
            url_for("pages.lots", standing="quarantined"),
        ),
        _part(
            "concessions",
            "Concessions to approve",
            concessions.to_approve(),
            lambda one: Line(
                one["lot"]["supplier_lot"],
                _to("pages.concession", every, number=one["id"]),
                f"{hyphenated(', '.join(one['uses']))}, requested by {one['requested_by']}",
            ),
            "No concessions waiting for approval.",
            every,
        ),
        _part(
            "voids",
            "Voids to agree to",
            voids.listed(waiting=True, cursor=None, limit=_COUNTED).rows,
            lambda one: Line(
                one["spool_code"],
                _to("pages.agreeing", f"{every}#voids", number=one["reading_id"]),
                f"lot {one['supplier_lot']}: {one['says']}",
            ),
            "No voids need agreement.",
            f"{every}#voids",
        ),
        _due(every),
        _drift(),
        _actions(),
        _part(
            "blocked",
            "Blocked lots",
            blocked,
            lambda lot: Line(lot.supplier_lot, _lot(lot.id), f"{lot.supplier}, {lot.grade}"),
            "No blocked lots.",
            url_for("pages.lots", standing="blocked"),
        ),
    ]


def _due(every: str) -> Part:
    found: Shown = due.due()
    soon = [one for one in found["items"] if (one["due_at"] - found["as_of"]).days < _SOON_DAYS]
    names = {"instrument": "Instrument", "master": "Master of", "working_copy": "Working copy"}

    def line(one: dict[str, Any]) -> Line:
        by_day = f"{'overdue since' if one['overdue'] else 'due by'} {day(one['due_at'])}"
        if one["why"] == "moved":
            by_day = f"colour has moved, found on {day(one['due_at'])}"
        if one["instrument_id"]:
            url = _to("pages.instrument_check", every, number=one["instrument_id"])
        else:
            url = _to("pages.shade", every, number=one["shade_id"])
        return Line(f"{names[one['what']]} {one['code']}", url, by_day, late=one["overdue"])

    return _part("due", "Instruments and references due", soon, line, f"Nothing due within {_SOON_DAYS} days.", every)


def _drift() -> Part:
    found: Shown = week.as_last_worked_out()
    moving = [one for one in found["items"] if one["measure"]]
    return _part("drift", "Drift signals", moving, _moving, "No active drift signals.", _to("pages.suppliers"))


def _moving(one: dict[str, Any]) -> Line:
    url = _lot(one["lot_id"])
    if one["what"] == "short_stock":
        url = _to("pages.stock", url, grade_id=one["grade_id"])
    if one["corrective_action_id"]:
        url = _to("pages.corrective_action", url, number=one["corrective_action_id"])
    if one["measure"]:
        about = one["measure"].split(".")[0]
        whose = {"supplier": one["supplier_id"], "grade_id": one["grade_id"]}
        url = _to("pages.supplier_drift", url, **whose, characteristic=about)
    return Line(f"{one['supplier']}, {one['grade']}", url, one["says"], late=one["what"] in week.LATE)


def _actions() -> Part:
    now = clock.now()
    found = corrective_actions.listed({"state": "pending"}, None, _COUNTED).rows

    def line(one: dict[str, Any]) -> Line:
        return Line(
            one["supplier_lot"],
            _to("pages.corrective_action", f"{_lot(one['lot_id'])}#supplier", number=one["id"]),
            one["says"],
            late=one["state"] == "open" and one["due_at"] < now,
        )

    return _part("actions", "Corrective actions", found, line, "No open corrective actions.")


def purchasing_desk() -> list[Part]:
    """Returns the work of purchasing: this week's list and corrective actions."""
    found: Shown = week.as_last_worked_out()
    every = url_for("pages.week")
    return [_part("week", "This week", found["items"], _moving, "Nothing to act on this week.", every), _actions()]


def production_desk() -> list[Part]:
    """Returns the work of production: spools to take off, loaded spools, released stock and containments."""
    off = coming_off()
    held = loads.listed({"open": True}, None, _COUNTED).rows
    places = exposure.containments({"open": True}, None, _COUNTED).rows
    loaded = url_for("pages.loaded")
    return [
        _part(
            "off",
            "Spools to take off now",
            off,
            lambda one: Line(
                f"Spool {one['spool_code']}",
                loaded,
                f"on {one['machine']}, job {one['job']}, lot {one['supplier_lot']}",
            ),
            "No spools to take off.",
            loaded,
            urgent=bool(off),
        ),
        _part(
            "loaded",
            "Loaded spools",
            held,
            lambda one: Line(
                one["machine"],
                loaded,
                f"spool {one['spool_code']}, job {one['job']}, since {day(one['loaded_at'])}",
            ),
            "No spools are loaded.",
            loaded,
            act=("Check a spool", url_for("pages.check")),
        ),
        _may_be_loaded(),
        _part(
            "containments",
            "Containments to close",
            places,
            lambda one: Line(
                f"Lot {one['supplier_lot']}",
                _to("pages.containment", _lot(one["lot_id"]), number=one["id"]),
                one["says"],
            ),
            "No containments to close.",
            _to("pages.containments"),
        ),
    ]


def _may_be_loaded() -> Part:
    grades = [
        (key, list(rows))
        for key, rows in groupby(stock.lots_in_stock(), lambda lot: (lot.grade_id, lot.grade, lot.color_name))
    ]

    def line(row: tuple[tuple[int, str, str], list[stock.LotInStock]]) -> Line:
        (number, code, color), lots = row
        spools, mass_kg = sum(lot.spools for lot in lots), sum(lot.mass_g for lot in lots) / 1000
        says = f"{color}: {counted(len(lots), 'lot')}, {counted(spools, 'spool')}, {num(mass_kg, 1)} kg. Newest:"
        newest = [(lot.supplier_lot, _lot(lot.id)) for lot in lots[:2]]
        # The list of lots filters by one status.
        by_standing = {
            standing: url_for("pages.lots", grade_id=number, standing=standing)
            for standing in ("released", "restricted")
            if any(lot.standing == standing for lot in lots)
        }
        every = [(f"All {standing}", url) for standing, url in by_standing.items()] if len(by_standing) > 1 else []
        return Line(code, next(iter(by_standing.values())), says, [*newest, *every])

    return _part(
        "stock",
        "Released and restricted lots in stock, by grade",
        grades,
        line,
        "No released or restricted lots in stock.",
        url_for("pages.lots"),
    )
