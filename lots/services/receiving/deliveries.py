"""A delivery after it was logged: shown, corrected while that is possible, closed where it is not."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.code_identity import identity, likeness
from lots.domain.receiving.coverage import Sampling, redraw
from lots.domain.receiving.delivery_corrections import ADDED, MASSES, WITHDRAWN
from lots.domain.receiving.severity import Severity
from lots.domain.words import clause, counted, moment
from lots.services import clock, lookups, views
from lots.services.assessment.judging import judge_lot, revisions_for
from lots.services.errors import AlreadyThere, Conflict, Fault, Invalid, NotFound, Settled, Stale, UnusualCount
from lots.services.receiving.delivery_spools import Plan, planned
from lots.services.receiving.inspection_severity import severity_of
from lots.services.receiving.receiving import (
    ask_similar,
    cost_faults,
    count_question,
    keep_received,
    numbered,
    sample_view,
)
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.receiving import deliveries as store
from lots.store.receiving import samples

# What is said of the receipt itself, and may be corrected at any time.
_PLAIN = ("order_ref", "received_at", "due_at", "cost", "currency", "note")
_CLERK = "receiving"
# Spools that others were wound from, and were taken out with those: code -> net mass before and after.
_WOUND = "wound"


def listed(filters: dict[str, Any], cursor: str | None, limit: int, *, newest_first: bool = False) -> Page:
    """Returns a page of deliveries. Three queries."""
    found = store.listed(filters, cursor, limit, newest_first=newest_first)
    changed = samples.changes_of((row.id for row in found.rows), withdrawn=False)
    return found.map(lambda row: views.delivery(row, changed[row.id]))


def get(number: int) -> dict[str, Any]:
    """Returns a delivery as corrected, with its spools, withdrawn ones included, and its corrections. Six queries.

    Raises:
        NotFound: no such delivery.
    """
    row = _found(number)
    lot, spools = lots.find(row.lot_id), store.spools_of(row)
    view = views.delivery(row, samples.changes_of([number], withdrawn=False)[number])
    return {
        **view,
        "lot": views.lot(lot),
        "spools": [views.spool_line(one, lot) for one in spools],
        "corrections": [views.correction(one) for one in store.corrections_of([number]).get(number, ())],
        "says": _says(view, sum(one.withdrawn_at is None for one in spools)),
    }


def _found(number: int) -> Any:
    row = store.find(number)
    if row is None:
        raise NotFound(f"Delivery {number} does not exist. See the list of deliveries.")
    return row


def _says(view: dict[str, Any], spools: int) -> str:
    if view["closed"] is not None:
        return f"This delivery is closed: {clause(view['closed'])} Put its spools aside, and log them anew."
    return f"{counted(spools, 'spool')} of lot {view['lot']['supplier_lot']}. {view['sample']['says']}"


def correct(number: int, version: int, values: dict[str, Any], by: str, role: str) -> dict[str, Any]:
    """Corrects what was logged of a delivery, adds the correction beside it, and judges its lot again.

    Args:
        version: of what the caller read.
        values: fields to be as given; None empties one.
        role: of the person who asks. After the first reading or load a clerk has to leave it to quality, which gives a `reason`.

    Raises:
        NotFound, Stale: it is not there, or somebody changed it since.
        Conflict: it is closed.
        Settled: it was handled already, and the correction is not the clerk's, or nobody's, any more.
        Invalid: everything that makes no sense, all at once.
        AlreadyThere, SimilarLot: another lot has the lot number, or nearly; UnusualCount: far more spools than usual.
    """
    at = clock.now()
    with transaction():
        row, lot = _held(number)
        now = store.current(row)
        if now.version != version:
            raise Stale(
                "This delivery was changed since you read it. Read it again, and repeat your change on the new ETag."
            )
        handled = store.handled(row)
        if handled and role == _CLERK:
            text = "Spools of this delivery were measured or loaded. Ask quality to correct it, with a reason."
            raise Settled(text)
        rows = [one for one in store.spools_of(row) if one.withdrawn_at is None]
        used = store.used_spools(row) if handled else set()
        plan = planned(values, rows, used)
        supplier, grade, faults = _of_whom(values, lot)
        plain = {name: values[name] for name in _PLAIN if name in values and values[name] != getattr(now, name)}
        faults += plan.faults + _plain_faults(row, now, plain, values, at)
        if handled and not values.get("reason"):
            hint = "Say why, such as what the packing slip says."
            faults.append(Fault("/reason", "A correction after the first reading or load has a reason.", hint))
        if faults:
            raise Invalid(*faults)
        renamed = _renamed(lot, supplier, grade, values)
        _ask(row, lot, supplier, grade, plan, values, renamed=bool(renamed), handled=handled)
        if not (plain or renamed or plan.withdrawn or plan.added or plan.masses):
            return get(number)
        if renamed:
            lot = _rename(lot, supplier, grade, renamed)
        changes = {name: [getattr(now, name), value] for name, value in plain.items()} | renamed
        spools = _carry_out(plan, row, lot, at)
        changes |= spools.changes
        if renamed or plan.withdrawn or plan.added:
            measured = {one.code for one in rows if one.id in used}
            sample = _sample(lot, row, now.sample, spools.codes, measured, anew=bool(renamed))
            changes |= {"sample": [now.sample, sample]} if sample != now.sample else {}
        made = store.correct(row, changes, values.get("reason") or "", by, at)
        keep_received(lot)
        why = f"Delivery {number} was corrected: {', '.join(name.replace('_', ' ') for name in changes)}."
        wrote = {"delivery_correction": [made.id], "spool": spools.numbers}
        judge_lot(lot, by, at, reason=why, what="delivery corrected", wrote=wrote)
        return get(number)


def _held(number: int) -> tuple[Any, Any]:
    """A delivery that is open, read under the lock of its lot, and the lot."""
    lot = lots.lock([_found(number).lot_id])
    row = _found(number)
    closed = store.current(row).closed
    if closed is not None:
        raise Conflict(f"Delivery {number} was closed: {clause(closed)} Log its filament anew instead.")
    return row, lot[row.lot_id]


def _of_whom(values: dict[str, Any], lot: Any) -> tuple[Any, Any, list[Fault]]:
    """Supplier and grade as they shall be."""
    found: list[Any] = []
    faults: list[Fault] = []
    for subject in ("supplier", "grade"):
        number, code = values.get(f"{subject}_id"), values.get(f"{subject}_code")
        if number is None and code is None:
            found.append(getattr(lot, subject))
            continue
        row, wrong = lookups.by_id_or_code(subject, number, code)
        found.append(row)
        faults += wrong
    return found[0], found[1], faults


def _plain_faults(
    row: Any, now: store.Current, plain: Mapping[str, Any], values: dict[str, Any], at: datetime
) -> list[Fault]:
    paid = {name: values.get(name, getattr(now, name)) for name in ("cost", "currency")}
    faults = cost_faults(paid) + clock.doubt_future("/received_at", plain.get("received_at"), at)
    first = store.first_handled(row) if "received_at" in plain else None
    if first is not None and plain["received_at"] > first:
        hint = "State a time before that."
        faults.append(
            Fault("/received_at", f"A spool of this delivery was measured, loaded or opened at {moment(first)}.", hint)
        )
    return faults


def _renamed(lot: Any, supplier: Any, grade: Any, values: dict[str, Any]) -> dict[str, list[Any]]:
    """What changes of which lot the delivery is of."""
    wanted = {
        "supplier_id": (lot.supplier_id, supplier.id),
        "grade_id": (lot.grade_id, grade.id),
        "supplier_lot": (lot.supplier_lot, values.get("supplier_lot", lot.supplier_lot)),
    }
    found = {name: [was, now] for name, (was, now) in wanted.items() if was != now}
    if lot.resubmission_of_id is not None and {"supplier_id", "grade_id"} & set(found):
        found["resubmission_of"] = [lot.resubmission_of_id, None]
    return found


def _ask(
    row: Any,
    lot: Any,
    supplier: Any,
    grade: Any,
    plan: Plan,
    values: dict[str, Any],
    *,
    renamed: bool,
    handled: bool,
) -> None:
    """Refuses or asks about what the lot or the number of spools would be."""
    doubt = count_question(supplier.id, plan.count, values, but=row.id) if plan.added else ()
    if renamed:
        anew = "Ask quality to close this delivery with a reason, and log it anew."
        if handled:
            raise Settled(f"Supplier, grade and lot number stay after the first reading or load. {anew}")
        if not store.alone(lot) or lot.by_hand is not None:
            raise Settled(f"More than this delivery rests on lot {lot.supplier_lot}, so it stays. {anew}")
        number = values.get("supplier_lot", lot.supplier_lot)
        other = lots.same_number(supplier, grade, number)
        if other is not None and other.id != lot.id:
            raise AlreadyThere(
                f'Lot {other.id} of this supplier and grade has the number "{other.supplier_lot}". {anew}',
                existing_id=other.id,
            )
        ask_similar(supplier, grade, {**values, "supplier_lot": number}, doubt, but=lot.id)
    if doubt:
        raise UnusualCount(doubt[0].detail, faults=doubt, candidates=[])


def _rename(lot: Any, supplier: Any, grade: Any, renamed: Mapping[str, list[Any]]) -> Any:
    """Makes a lot that nothing rests on that of another number, supplier or grade, and returns it as it is now."""
    values: dict[str, Any] = {"supplier": supplier, "grade": grade, "resubmission_of": lot.resubmission_of_id}
    if "supplier_lot" in renamed:
        number = renamed["supplier_lot"][1]
        values |= {"supplier_lot": number, "identity": identity(number), "likeness": likeness(number)}
    if "grade_id" in renamed:
        values |= {"limits_revision": None, "shade_revision": None}
    if "resubmission_of" in renamed:
        values["resubmission_of"] = None
    store.set_lot(lot, values)
    return lots.lock([lot.id])[lot.id]


class _Done:
    """What was done to spools: the changes to be kept, the rows that were written, and the codes of those that came."""

    def __init__(self) -> None:
        self.changes: dict[str, list[Any]] = {}
        self.numbers: list[int] = []
        self.codes: list[str] = []


def _carry_out(plan: Plan, row: Any, lot: Any, at: datetime) -> _Done:
    done = _Done()
    before = len(plan.rows)
    if plan.withdrawn:
        store.withdraw(plan.withdrawn, at)
        done.changes[WITHDRAWN] = [{one.code: one.net_mass_g for one in plan.withdrawn}, {}]
    if plan.masses:
        for one, mass in plan.masses:
            store.set_mass(one, mass)
        was, now = ({one.code: g for one, g in pair} for pair in (_masses(plan), plan.masses))
        done.changes[MASSES] = [was, now]
    added = lots.add_spools(lot, row, numbered(lot, plan.added)) if plan.added else []
    if added:
        done.changes[ADDED] = [{}, {one.code: one.net_mass_g for one in added}]
    if plan.count != before:
        done.changes["spool_count"] = [before, plan.count]
    done.numbers = [one.id for one in (*plan.withdrawn, *(one for one, _ in plan.masses), *added)]
    done.codes = [one.code for one in (*plan.kept, *added)]
    return done


def _masses(plan: Plan) -> list[tuple[Any, float]]:
    return [(one, one.net_mass_g) for one, _ in plan.masses]


def _sample(
    lot: Any, row: Any, kept: dict[str, Any], codes: list[str], measured: set[str], *, anew: bool
) -> dict[str, Any]:
    """The first sample of these spools, next to the one that was drawn, under the severity of its day; for another supplier or grade, of today."""
    later = samples.changes_of([row.id])[row.id]
    # What was drawn later, or stands in for a drawn spool, is in the sample already.
    taken = {code for one in later.draws for code in one.spool_codes} | {
        one.substitute.code for one in later.substitutes
    }
    limits, _ = revisions_for(lot)
    sampling = limits_from(limits.body).sampling if limits else Sampling()
    severity = severity_of(lot.supplier_id, lot.grade_id, sampling, but=lot.id)
    if not anew and (then := kept.get("severity", severity.state)) != severity.state:
        severity = Severity(then, severity.since, f"Inspection was {then} when it came.")
    size, rule = sampling.size(len(codes), severity.state)
    free = [code for code in codes if code not in taken] or codes
    drawn = redraw(kept["spool_codes"], free, size, kept["seed"], rule, measured)
    return sample_view(drawn, sampling, len(codes), severity)


def close(number: int, reason: str, by: str) -> dict[str, Any]:
    """Closes a delivery that was logged wrongly: its spools, and those wound from them, count for nothing any more. Every lot concerned is judged again.

    Raises:
        NotFound: no such delivery.
        Conflict: it is closed already, or a spool is on a machine.
    """
    at = clock.now()
    with transaction():
        row = _found(number)
        lots.lock({row.lot_id, *(one.lot_id for one in store.with_descendants(row))})
        row, _ = _held(number)
        spools = store.with_descendants(row)
        held = lots.lock({row.lot_id, *(one.lot_id for one in spools)})
        if on := [f"{one.code} on {one.machine}" for one in spools if one.machine is not None]:
            raise Conflict(f"Spools of this delivery are loaded: {', '.join(on)}. Unload them first.")
        came = {one.code: one.net_mass_g for one in spools if one.delivery_id == number and not one.spliced}
        wound = {one.code: one.net_mass_g for one in spools if one.code not in came}
        changes = {WITHDRAWN: [came, {}], **({_WOUND: [wound, {}]} if wound else {})}
        store.withdraw(spools, at)
        made = store.correct(row, changes, reason, by, at, closes=True)
        keep_received(held[row.lot_id])
        # The lot of the delivery first, so that its history tells of it before those of lots that were wound together with it.
        for lot in sorted(held.values(), key=lambda one: (one.id != row.lot_id, one.id)):
            wrote = {"spool": [one.id for one in spools if one.lot_id == lot.id]}
            if lot.id == row.lot_id:
                wrote["delivery_correction"] = [made.id]
            why = f"Delivery {number} was closed: {clause(reason)}"
            judge_lot(lot, by, at, action="close", reason=why, what="delivery closed", wrote=wrote)
        view = get(number)
        jobs = store.jobs_of(row)
        ran = f" Its spools were loaded for {', '.join(jobs)}: look after what was printed." if jobs else ""
        return {**view, "says": view["says"] + ran}
