"""Logged deliveries: shown, corrected, and closed where a correction is not possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.code_identity import identity, likeness
from lots.domain.receiving.coverage import Sampling, redraw
from lots.domain.receiving.delivery_corrections import ADDED, MASSES, WITHDRAWN
from lots.domain.receiving.severity import Severity
from lots.domain.words import clause, counted
from lots.services import clock, views
from lots.services.assessment.judging import judge_lot, revisions_for
from lots.services.errors import Conflict, NotFound, Settled, Stale
from lots.services.lookups import lot_of
from lots.services.receiving.bodies import DeliveryChange
from lots.services.receiving.correction_checks import Change, ask, checked
from lots.services.receiving.inspection_severity import severity_of
from lots.services.receiving.receiving import keep_received, numbered, sample_view
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.engine.sorted_pages import SortedPage
from lots.store.receiving import deliveries as store
from lots.store.receiving import delivery_list, samples
from lots.store.tables.deliveries import KeptSample
from lots.store.tables.models import Delivery, Lot, Spool

_CLERK = "receiving"
# Respooled spools, withdrawn together with those they came from: code -> net mass before and after.
_RESPOOLED = "wound"
# Names of the corrected fields in sentences.
_CHANGED = {
    "order_ref": "order",
    "received_at": "time of receipt",
    "ordered_at": "day of the order",
    "due_at": "promised date",
    "cost": "cost",
    "currency": "currency",
    "note": "note",
    "supplier_id": "supplier",
    "grade_id": "grade",
    "supplier_lot": "lot number",
    "resubmission_of": "resubmission",
    WITHDRAWN: "spools withdrawn",
    MASSES: "net masses",
    ADDED: "spools added",
    "spool_count": "number of spools",
    "sample": "sample",
}


def listed(filters: store.DeliveryFilter, cursor: str | None, limit: int, *, newest_first: bool = False) -> Page[View]:
    """Returns a page of deliveries. Three queries."""
    found = store.listed(filters, cursor, limit, newest_first=newest_first)
    changed = samples.changes_of((row.id for row in found.rows), withdrawn=False)
    return found.map(lambda row: views.delivery(row, changed[row.id]))


def sorted_list(filters: Mapping[str, object], sort: str, cursor: str | None, limit: int) -> SortedPage[View]:
    """Returns a page of deliveries in one of `delivery_list.ORDERS`. Three queries."""
    found = delivery_list.listed(filters, sort, cursor, limit)
    changed = samples.changes_of((row.id for row in found.rows), withdrawn=False)
    rows = [views.delivery(row, changed[row.id]) for row in found.rows]
    return SortedPage(rows, found.next, found.previous)


def get(number: int) -> View:
    """Returns a delivery as corrected, with all its spools and its corrections. Six queries.

    Raises:
        NotFound: no such delivery.
    """
    row = find(number)
    lot, spools = lot_of(row.lot_id), store.spools_of(row)
    view = views.delivery(row, samples.changes_of([number], withdrawn=False)[number])
    return {
        **view,
        "lot": views.lot(lot),
        "spools": [views.spool_line(one, lot) for one in spools],
        "corrections": [views.correction(one) for one in store.corrections_of([number]).get(number, ())],
        "says": _says(row, sum(one.withdrawn_at is None for one in spools)),
    }


def find(number: int) -> Delivery:
    """Returns a delivery with lot, supplier and grade, as it was logged.

    Raises:
        NotFound: no such delivery.
    """
    row = store.find(number)
    if row is None:
        raise NotFound(f"Delivery {number} does not exist. See the list of deliveries.")
    return row


def _says(row: Delivery, spools: int) -> str:
    now = store.current(row)
    if now.closed is not None:
        return f"This delivery is closed: {clause(now.closed)} Set its spools aside and log them as a new delivery."
    return f"{counted(spools, 'spool')} of lot {row.lot.supplier_lot}. {now.sample['says']}"


def correct(number: int, version: int, values: DeliveryChange, by: str, role: str) -> View:
    """Corrects a delivery, stores the correction, and assesses its lot again.

    Args:
        version: version that the caller read.
        values: new values of fields. None empties one.
        role: role of the caller. After the first reading or load only quality can correct a delivery, with a `reason`.

    Raises:
        NotFound: the delivery does not exist.
        Stale: it was changed meanwhile.
        Conflict: it is closed.
        Settled: it was handled, and this correction is no longer allowed.
        Invalid: with every fault of the request.
        AlreadyThere, SimilarLot: another lot has this or a similar number.
        UnusualCount: far more spools than usual.
    """
    at = clock.now()
    with transaction():
        row, lot = open_delivery(number)
        now = store.current(row)
        if now.version != version:
            raise Stale(
                "This delivery was changed after you read it. Read it again and repeat your change with the new ETag."
            )
        handled = store.handled(row)
        if handled and role == _CLERK:
            text = "Spools of this delivery were measured or loaded. Ask quality to correct it, with a reason."
            raise Settled(text)
        change = checked(row, lot, now, values, at, handled=handled)
        ask(row, lot, change)
        if change.empty:
            return get(number)
        if change.renamed:
            lot = _rename(lot, change)
        changes, numbers = _carry_out(change, row, lot, now, at)
        made = store.correct(row, changes, values.get("reason") or "", by, at)
        keep_received(lot)
        why = f"Delivery {number} was corrected: {', '.join(_CHANGED[name] for name in changes)}."
        wrote = {"delivery_correction": [made.id], "spool": numbers}
        judge_lot(lot, by, at, reason=why, what="delivery corrected", wrote=wrote)
        return get(number)


def open_delivery(number: int) -> tuple[Delivery, Lot]:
    """Returns an open delivery and its lot, which is locked.

    Raises:
        NotFound: no such delivery.
        Conflict: it is closed.
    """
    lot = lots.lock([find(number).lot_id])
    row = find(number)
    closed = store.current(row).closed
    if closed is not None:
        raise Conflict(f"Delivery {number} is closed: {clause(closed)} Log its filament as a new delivery.")
    return row, lot[row.lot_id]


def _rename(lot: Lot, change: Change) -> Lot:
    """Changes number, supplier or grade of a lot that is not yet in use, and returns the lot."""
    renamed, number = change.renamed, change.values.get("supplier_lot")
    values: dict[str, object] = {"supplier": change.supplier, "grade": change.grade}
    if "supplier_lot" in renamed and number is not None:
        values |= {"supplier_lot": number, "identity": identity(number), "likeness": likeness(number)}
    if "grade_id" in renamed:
        values |= {"limits_revision": None, "shade_revision": None}
    if "resubmission_of" in renamed:
        values["resubmission_of"] = None
    store.set_lot(lot, values)
    held: Lot = lots.lock([lot.id])[lot.id]
    return held


def _carry_out(
    change: Change, row: Delivery, lot: Lot, now: store.Current, at: datetime
) -> tuple[store.Changes, list[int]]:
    """Changes the spools of a delivery as planned.

    Returns every change of the correction, and the numbers of the written spools.
    """
    plan = change.plan
    changes: dict[str, Sequence[object]] = {name: [getattr(now, name), value] for name, value in change.plain.items()}
    changes |= change.renamed
    if plan.withdrawn:
        store.withdraw(plan.withdrawn, at)
        changes[WITHDRAWN] = [_masses(plan.withdrawn), {}]
    if plan.masses:
        before = _masses([one for one, _ in plan.masses])
        for one, mass in plan.masses:
            store.set_mass(one, mass)
        changes[MASSES] = [before, {one.code: mass for one, mass in plan.masses}]
    added = lots.add_spools(lot, row, numbered(lot, plan.added)) if plan.added else []
    if added:
        changes[ADDED] = [{}, _masses(added)]
    if plan.count != len(plan.rows):
        changes["spool_count"] = [len(plan.rows), plan.count]
    if change.renamed or plan.withdrawn or plan.added:
        codes = [one.code for one in (*plan.kept, *added)]
        sample = _sample(lot, row, now.sample, codes, change.measured, anew=bool(change.renamed))
        if sample != now.sample:
            changes["sample"] = [now.sample, sample]
    return changes, [one.id for one in (*plan.withdrawn, *(one for one, _ in plan.masses), *added)]


def _masses(spools: Sequence[Spool]) -> dict[str, float]:
    return {one.code: one.net_mass_g for one in spools}


def _sample(
    lot: Lot, row: Delivery, kept: KeptSample, codes: list[str], measured: set[str], *, anew: bool
) -> KeptSample:
    """Returns the first sample of the corrected spools, as close as possible to the old one.

    It is drawn under the severity of the old sample, or under today's where supplier or grade changed (`anew`).
    """
    later = samples.changes_of([row.id])[row.id]
    # Spools drawn later and substitutes are already in the sample.
    taken = {code for one in later.draws for code in one.spool_codes} | {
        one.substitute.code for one in later.substitutes
    }
    limits, _ = revisions_for(lot)
    sampling = limits_from(limits.body).sampling if limits else Sampling()
    severity = severity_of(lot.supplier_id, lot.grade_id, sampling, but=lot.id)
    if not anew and (then := kept.get("severity", severity.state)) != severity.state:
        severity = Severity(then, severity.since, f"Inspection was {then} at the time of receipt.")
    size, rule = sampling.size(len(codes), severity.state)
    free = [code for code in codes if code not in taken] or codes
    drawn = redraw(kept["spool_codes"], free, size, kept["seed"], rule, measured)
    return sample_view(drawn, sampling, len(codes), severity)


def close(number: int, reason: str, by: str) -> View:
    """Closes a wrongly logged delivery, withdraws its spools and those respooled from them, and reassesses their lots.

    Raises:
        NotFound: no such delivery.
        Conflict: it is already closed, or a spool is on a machine.
    """
    at = clock.now()
    with transaction():
        row = find(number)
        lots.lock({row.lot_id, *(one.lot_id for one in store.with_descendants(row))})
        row, _ = open_delivery(number)
        spools = store.with_descendants(row)
        held = lots.lock({row.lot_id, *(one.lot_id for one in spools)})
        if on := [f"{one.code} on {one.machine}" for one in spools if one.machine is not None]:
            raise Conflict(f"Spools of this delivery are loaded: {', '.join(on)}. Unload them first.")
        came = _masses([one for one in spools if one.delivery_id == number and not one.spliced])
        wound = _masses([one for one in spools if one.code not in came])
        changes = {WITHDRAWN: [came, {}], **({_RESPOOLED: [wound, {}]} if wound else {})}
        store.withdraw(spools, at)
        made = store.correct(row, changes, reason, by, at, closes=True)
        keep_received(held[row.lot_id])
        # The lot of the delivery comes first in the shop's history.
        for lot in sorted(held.values(), key=lambda one: (one.id != row.lot_id, one.id)):
            wrote = {"spool": [one.id for one in spools if one.lot_id == lot.id]}
            if lot.id == row.lot_id:
                wrote["delivery_correction"] = [made.id]
            why = f"Delivery {number} was closed: {clause(reason)}"
            judge_lot(lot, by, at, action="close", reason=why, what="delivery closed", wrote=wrote)
        view = get(number)
        jobs = store.jobs_of(row)
        ran = f" Its spools were loaded for {', '.join(jobs)}. Check the printed parts." if jobs else ""
        return {**view, "says": f"{view['says']}{ran}"}
