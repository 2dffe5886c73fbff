"""Receipt of deliveries: lots and spools logged, the sample drawn."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.code_identity import identity
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import CLOSED_LOT, Sample, Sampling, draw
from lots.domain.receiving.severity import Severity
from lots.domain.words import counted, plural, status_said
from lots.services import clock, lookups, views
from lots.services import exposure as tracing
from lots.services.assessment.judging import judge_lot, revisions_for
from lots.services.errors import Fault, Invalid, UnusualCount
from lots.services.lookups import lot_of
from lots.services.receiving.bodies import NewDelivery, Price
from lots.services.receiving.inspection_severity import severity_of
from lots.services.receiving.new_spools import Wanted, wanted_spools
from lots.services.receiving.questions import ask_similar, count_question
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.receiving import deliveries
from lots.store.setup import spool_codes
from lots.store.tables.deliveries import KeptSample
from lots.store.tables.models import Delivery, Grade, Lot, Spool, Supplier


@dataclass(frozen=True, slots=True)
class Logged:
    """A delivery that was just logged, with its lot and its spools.

    `new_lot` is False where the lot was already known.
    """

    delivery: Delivery
    lot: Lot
    spools: list[Spool]
    new_lot: bool


def receive(values: NewDelivery, by: str) -> View:
    """Logs a delivery and returns it with its lot, spools and sample. See `log`."""
    logged = log(values, by)
    return {
        **views.delivery(logged.delivery),
        "lot": views.lot(logged.lot),
        "new_lot": logged.new_lot,
        "says": _says(logged),
        "spools": [views.spool_line(row, logged.lot) for row in logged.spools],
    }


def log(values: NewDelivery, by: str) -> Logged:
    """Logs a delivery: finds or adds the lot, numbers the spools, draws the sample and assesses the lot.

    A lot is a supplier's batch of one grade. The same number from the same supplier for the same grade is the same lot,
    in any number of
    deliveries. A similar lot number and an unusual number of spools must be confirmed.

    Raises:
        Invalid: with every fault of the request.
        SimilarLot: a known lot has this number in another spelling, or a similar one without `confirm_new_lot`.
        UnusualCount: far more spools than usual without `confirm_spool_count`.
    """
    now = clock.now()
    with transaction():
        supplier, faults = lookups.by_id_or_code("supplier", values.get("supplier_id"), values.get("supplier_code"))
        grade, more = lookups.by_id_or_code("grade", values.get("grade_id"), values.get("grade_code"))
        faults += more + clock.doubt_future("/received_at", values["received_at"], now)
        wanted, more = wanted_spools(values)
        faults += more + cost_faults(values)
        faults += _resubmission_faults(values.get("resubmission_of"), supplier, grade)
        if faults or supplier is None or grade is None:
            raise Invalid(*faults)
        doubt = count_question(supplier.id, len(wanted), values)
        lot = lots.same_number(supplier, grade, values["supplier_lot"])
        if lot is None or lot.supplier_lot != values["supplier_lot"]:
            confirmed = values.get("confirm_new_lot", False)
            ask_similar(supplier, grade, values["supplier_lot"], confirmed=confirmed, beside=doubt)
        if doubt:
            raise UnusualCount(doubt[0].detail, faults=doubt, candidates=[])
        is_new = lot is None or lot.supplier_lot != values["supplier_lot"]
        if lot is None or is_new:
            came, before = values["received_at"], values.get("resubmission_of")
            lot = lots.add(supplier, grade, values["supplier_lot"], came, now, before)
        held = lots.lock([lot.id])[lot.id]
        limits, _ = revisions_for(held)
        spools = numbered(held, wanted)
        sampling = limits_from(limits.body).sampling if limits else Sampling()
        severity = severity_of(supplier.id, grade.id, sampling, but=held.id)
        size, rule = sampling.size(len(spools), severity.state)
        sample = draw([code for code, _ in spools], size, secrets.randbits(32), rule)
        kept: deliveries.LoggedDelivery = {
            "order_ref": values.get("order_ref"),
            "received_at": values["received_at"],
            "ordered_at": values.get("ordered_at"),
            "due_at": values.get("due_at"),
            "cost": values.get("cost"),
            "currency": values.get("currency"),
            "sample": sample_view(sample, sampling, len(spools), severity),
            "note": values.get("note"),
        }
        delivery = deliveries.add(held, kept, by, now)
        rows = lots.add_spools(held, delivery, spools)
        if not is_new:
            keep_received(held)
        judge_lot(
            held,
            by,
            now,
            action="received",
            reason=_reason(held, len(rows), is_new=is_new),
            what="delivery received",
            wrote={"delivery": [delivery.id], "spool": [row.id for row in rows]},
        )
        return Logged(delivery, held, rows, is_new)


def _reason(lot: Lot, spools: int, *, is_new: bool) -> str:
    """Returns the reason of the decision on a lot that a delivery reaches."""
    if is_new:
        return f"{counted(spools, 'spool')} received."
    return f"{counted(spools, 'new spool')} of lot {lot.supplier_lot} arrived and {plural(spools, 'is', 'are')} not measured."


def sample_view(sample: Sample, sampling: Sampling, spools: int, severity: Severity) -> KeptSample:
    """Returns a sample as it is stored and answered."""
    plan = sampling.plan(spools, severity.state)
    view: KeptSample = {
        "size": sample.size,
        "spool_codes": list(sample.spool_codes),
        "seed": sample.seed,
        "rule": sample.rule,
        "says": sample.says,
    }
    if plan is None:
        return view
    proof = protection.says(spools, plan.size, plan.reject - 1)
    return {
        **view,
        "says": f"{sample.says} {severity.says} {proof}",
        "accept": plan.accept,
        "reject": plan.reject,
        "code_letter": plan.code_letter,
        "severity": severity.state,
    }


def _says(logged: Logged) -> str:
    """Returns the sentence for the clerk about the lot of a delivery."""
    lot = logged.lot
    if logged.new_lot:
        return f"Lot {lot.supplier_lot} is new. It stays in quarantine until its sample is measured."
    if lot.by_hand in ENDINGS:
        return f"Lot {lot.supplier_lot} was {lot.standing} before. Set these spools aside and inform quality."
    return f"These spools were added to lot {lot.supplier_lot}, which is {status_said(lot.standing)}."


def _resubmission_faults(number: int | None, supplier: Supplier | None, grade: Grade | None) -> list[Fault]:
    """Returns a fault when the earlier lot is not of the same supplier and grade."""
    if number is None or supplier is None or grade is None:
        return []
    before = lots.find(number)
    if before is None or (before.supplier_id, before.grade_id) != (supplier.id, grade.id):
        hint = "Give the number of the rejected lot of this supplier and grade, or leave it out."
        return [Fault("/resubmission_of", f"Lot {number} is not a lot of this supplier and grade.", hint)]
    return []


def cost_faults(values: Price) -> list[Fault]:
    """Returns the faults in the cost of a delivery."""
    return money_faults("cost", values.get("cost"), values.get("currency"))


def money_faults(field: str, amount: float | None, currency: str | None) -> list[Fault]:
    """Returns the faults of an amount with its currency (ISO 4217). `field` is the name of the amount."""
    if currency is not None and not re.fullmatch(r"[A-Z]{3}", currency):
        hint = "Write three capital letters, for example EUR."
        return [Fault("/currency", f'"{currency}" is not a currency code (ISO 4217).', hint)]
    if (amount is None) != (currency is None):
        missing = "currency" if currency is None else field
        return [
            Fault(f"/{missing}", f"{field.capitalize()} and currency are required together.", "Give both, or neither.")
        ]
    return []


def keep_received(lot: Lot) -> None:
    """Stores on a lot the time of receipt of its first open delivery."""
    first = deliveries.received_first(lot)
    if first is not None and first != lot.received_at:
        deliveries.set_lot(lot, {"received_at": first})
        lot.received_at = first


def numbered(lot: Lot, wanted: Sequence[Wanted]) -> list[tuple[str, float]]:
    """Returns codes and net masses, g.

    A spool without a code is given one, such as L7-S003 for the third spool of lot 7.
    """
    given = {identity(code) for code, _ in wanted if code}
    free = free_codes(lot, given)
    return [(code or next(free), mass) for code, mass in wanted]


def free_codes(lot: Lot, given: set[str]) -> Iterator[str]:
    """Yields unused codes for spools of a lot. A clerk may have typed codes of the same form.

    Args:
        lot: the lot.
        given: identities of codes that this request uses.
    """
    for start in count(lots.spool_count(lot) + 1, 100):
        block = [f"L{lot.id}-S{number:03d}" for number in range(start, start + 100)]
        taken = spool_codes.taken(block)
        yield from (code for code in block if code not in taken and identity(code) not in given)


def get_lot(number: int) -> View:
    """Returns a lot with its spools."""
    row = lot_of(number)
    return {**views.lot(row), "spools": [views.spool_line(spool, row) for spool in lots.spools_of(row)]}


def listed(filters: Mapping[str, object], cursor: str | None, limit: int, *, newest_first: bool = False) -> Page[View]:
    """Returns a page of lots."""
    return lots.listed(dict(filters), cursor, limit, newest_first=newest_first).map(views.lot)


def exposure(number: int) -> views.Exposure:
    """Returns every machine and job that a lot reached. Spools still loaded come first."""
    row = lot_of(number)
    return tracing.exposure(row)


def waiting_for_quality() -> tuple[list[lots.WaitingLot], list[lots.WaitingLot]]:
    """Returns the lots in quarantine with open deliveries, and the blocked lots. One query."""
    found = lots.of_standings(("quarantined", "blocked"))
    quarantined = [lot for lot in found if lot.standing == "quarantined" and CLOSED_LOT not in lot.to_measure]
    return quarantined, [lot for lot in found if lot.standing == "blocked"]
