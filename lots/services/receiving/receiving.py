"""The receiving clerk: deliveries in, lots and spools logged, the sample drawn."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator
from dataclasses import asdict
from itertools import count
from typing import Any

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.code_identity import identity, misreadings
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import CLOSED_LOT, Sampling, draw
from lots.domain.receiving.delivery_corrections import doubt_count
from lots.domain.receiving.severity import Severity
from lots.services import clock, lookups, views
from lots.services import exposure as tracing
from lots.services.assessment.judging import judge_lot, revisions_for
from lots.services.errors import Fault, Invalid, SimilarLot, UnusualCount
from lots.services.lookups import lot_of
from lots.services.receiving.inspection_severity import severity_of
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.receiving import deliveries
from lots.store.setup import spool_codes

# A reel holds from a sample coil to a drum. Common practice, no source.
_LEAST_G, _MOST_G = 20.0, 60_000.0


def receive(values: dict[str, Any], by: str) -> dict[str, Any]:
    """Logs a delivery: joins or makes the lot, numbers the spools, draws the sample, judges the lot.

    The lot is the supplier's batch of one grade: the same number from the same supplier for the same grade is the same lot, in however
    many deliveries it comes. A number that may be a known one misread is asked about, as is a number of spools far above the usual.

    Raises:
        Invalid: fields that make no sense, each with its place and a hint.
        SimilarLot: a known lot has this number, written otherwise, or nearly this number and `confirm_new_lot` was not set.
        UnusualCount: far more spools than usual and `confirm_spool_count` was not set.
    """
    now = clock.now()
    with transaction():
        supplier, faults = lookups.by_id_or_code("supplier", values.get("supplier_id"), values.get("supplier_code"))
        grade, more = lookups.by_id_or_code("grade", values.get("grade_id"), values.get("grade_code"))
        faults += more + clock.doubt_future("/received_at", values["received_at"], now)
        wanted, more = wanted_spools(values)
        faults += more + cost_faults(values)
        faults += _resubmission_faults(values.get("resubmission_of"), supplier, grade)
        if faults:
            raise Invalid(*faults)
        doubt = count_question(supplier.id, len(wanted), values)
        lot = lots.same_number(supplier, grade, values["supplier_lot"])
        if is_new := lot is None or lot.supplier_lot != values["supplier_lot"]:
            ask_similar(supplier, grade, values, doubt)
        if doubt:
            raise UnusualCount(doubt[0].detail, faults=doubt, candidates=[])
        if is_new:
            came, before = values["received_at"], values.get("resubmission_of")
            lot = lots.add(supplier, grade, values["supplier_lot"], came, now, before)
        held = lots.lock([lot.id])[lot.id]
        limits, _ = revisions_for(held)
        spools = numbered(held, wanted)
        sampling = limits_from(limits.body).sampling if limits else Sampling()
        severity = severity_of(supplier.id, grade.id, sampling, but=held.id)
        size, rule = sampling.size(len(spools), severity.state)
        sample = draw([code for code, _ in spools], size, secrets.randbits(32), rule)
        kept = {
            "order_ref": values.get("order_ref"),
            "received_at": values["received_at"],
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
            reason=f"{len(rows)} {'spool' if len(rows) == 1 else 'spools'} received.",
            what="delivery received",
            wrote={"delivery": [delivery.id], "spool": [row.id for row in rows]},
        )
        return {
            **views.delivery(delivery),
            "lot": views.lot(held),
            "new_lot": is_new,
            "says": _says(held, is_new),
            "spools": [views.spool_line(row, held) for row in rows],
        }


def sample_view(sample: Any, sampling: Sampling, spools: int, severity: Severity) -> dict[str, Any]:
    """The sample as it is kept with its delivery and answered."""
    plan = sampling.plan(spools, severity.state)
    view = {**asdict(sample), "spool_codes": list(sample.spool_codes)}
    if plan is None:
        return view
    proof = protection.says(spools, plan.size, plan.reject - 1)
    says = f"{sample.says} {severity.says} {proof}"
    numbers = {"accept": plan.accept, "reject": plan.reject, "code_letter": plan.code_letter}
    return {**view, **numbers, "severity": severity.state, "says": says}


def _says(lot: Any, is_new: bool) -> str:
    """What the clerk should know of the lot that a delivery went to."""
    if is_new:
        return f"Lot {lot.supplier_lot} is new. It stays in quarantine until its sample is measured."
    if lot.by_hand in ENDINGS:
        return f"Lot {lot.supplier_lot} was {lot.standing} before: put these spools aside and tell quality."
    return f"These spools join lot {lot.supplier_lot}, which stands {lot.standing} with them."


def _resubmission_faults(number: int | None, supplier: Any, grade: Any) -> list[Fault]:
    """A lot comes again only after one of the same supplier and grade that was refused."""
    if number is None or supplier is None or grade is None:
        return []
    before = lots.find(number)
    if before is None or (before.supplier_id, before.grade_id) != (supplier.id, grade.id):
        hint = "Give the number of the lot of this supplier and grade that was refused, or leave it out."
        return [Fault("/resubmission_of", f"Lot {number} is not a lot of this supplier and grade.", hint)]
    return []


def cost_faults(values: dict[str, Any]) -> list[Fault]:
    """A sum of money is one number with one currency."""
    cost, currency = values.get("cost"), values.get("currency")
    if currency is not None and not re.fullmatch(r"[A-Z]{3}", currency):
        hint = "Write its three capital letters (ISO 4217), such as EUR."
        return [Fault("/currency", f'"{currency}" is not the code of a currency.', hint)]
    if (cost is None) != (currency is None):
        missing = "currency" if currency is None else "cost"
        return [Fault(f"/{missing}", "Cost and currency go together.", "Give both, or neither.")]
    return []


def wanted_spools(values: dict[str, Any]) -> tuple[list[tuple[str | None, float]], list[Fault]]:
    """The spools of a delivery, in whichever of its two forms it came, with every fault found."""
    listed, spool_count, each_g = values.get("spools"), values.get("spool_count"), values.get("net_mass_g")
    if (listed is None) == (spool_count is None):
        return [], [
            Fault(
                "/spools",
                "Say once how many spools came.",
                "Give spools, one entry each, or spool_count with net_mass_g.",
            )
        ]
    if listed is None:
        if each_g is None:
            return [], [
                Fault(
                    "/net_mass_g",
                    "How much filament is on each spool?",
                    "Give net_mass_g, the net mass of one spool in grams.",
                )
            ]
        return [(None, each_g)] * (spool_count or 0), doubt_mass("/net_mass_g", each_g)
    faults: list[Fault] = []
    seen: dict[str, tuple[int, str]] = {}
    for index, entry in enumerate(listed):
        mass, code = entry.get("net_mass_g", each_g), entry.get("code")
        pointer = f"/spools/{index}"
        if mass is None:
            faults.append(
                Fault(f"{pointer}/net_mass_g", "How much filament is on this spool?", "Give its net mass in grams.")
            )
        else:
            faults += doubt_mass(f"{pointer}/net_mass_g", mass)
        if code is not None:
            first, written = seen.setdefault(identity(code), (index, code))
            if first != index:
                twice = "stands twice" if written == code else f"is the same as {written}"
                detail = f"The code {code} {twice} in this delivery."
                faults.append(Fault(f"{pointer}/code", detail, "Each spool needs its own code."))
    taken = spool_codes.taken([code for _, code in seen.values()])
    faults += [
        Fault(
            f"/spools/{index}/code",
            f"The code {code} is on another spool{'' if taken[code] == code else f' as {taken[code]}'}.",
            "Stick on a new code, or leave code out to be given one.",
        )
        for index, code in seen.values()
        if code in taken
    ]
    return [(entry.get("code"), entry.get("net_mass_g", each_g)) for entry in listed], faults


def doubt_mass(pointer: str, mass_g: float) -> list[Fault]:
    """Returns a fault where a net mass is not that of a spool."""
    if _LEAST_G <= mass_g <= _MOST_G:
        return []
    hint = "Give the net mass of one spool in grams."
    if 0 < mass_g < _LEAST_G:
        hint = f"This looks like kilograms: {mass_g:g} kg is {1000 * mass_g:g} g. Enter grams."
    return [
        Fault(pointer, f"{mass_g:g} g is not a plausible net mass of a spool ({_LEAST_G:g} to {_MOST_G:g} g).", hint)
    ]


def count_question(supplier_id: int, spools: int, values: dict[str, Any], but: int | None = None) -> tuple[Fault, ...]:
    """Returns what to ask about the number of spools in a delivery, nothing where it is usual or confirmed.

    Args:
        but: number of a delivery that says nothing of what is usual, the one asked about.
    """
    if values.get("confirm_spool_count"):
        return ()
    doubt = doubt_count(spools, deliveries.usual_counts(supplier_id, but))
    hint = "Count again, or confirm with confirm_spool_count: true if so many came."
    return (Fault("/spool_count", doubt, hint),) if doubt else ()


def ask_similar(
    supplier: Any, grade: Any, values: dict[str, Any], beside: tuple[Fault, ...] = (), but: int | None = None
) -> None:
    """Asks whether a lot number is a known one misread, unless `confirm_new_lot` says that it is not.

    Args:
        beside: what else there is to ask, told at once.
        but: number of a lot that is not asked about, the one to be corrected.

    Raises:
        SimilarLot: known lots of this supplier and grade have nearly this number.
    """
    number = values["supplier_lot"]
    known = lots.same_number(supplier, grade, number)
    if known is not None and known.id != but:
        raise _same_lot(number, known, beside)
    if values.get("confirm_new_lot"):
        return
    similar = [lot for lot in lots.similar_numbers(supplier, grade, number) if lot.id != but]
    if not similar:
        return
    names = ", ".join(f'"{lot.supplier_lot}" (lot {lot.id})' for lot in similar)
    slips = list(dict.fromkeys(slip for lot in similar for slip in misreadings(number, lot.supplier_lot)))
    hint = "Send the number as it stands there to add to that lot, or confirm_new_lot: true if it really is another."
    differs = f"It differs only in {', '.join(slips) or 'the way it was typed'}."
    raise SimilarLot(
        f'"{number}" may be {names} of the same supplier and grade. {differs}',
        faults=(Fault("/supplier_lot", f"Most likely this is {names}. {differs}", hint), *beside),
        candidates=[{"id": lot.id, "supplier_lot": lot.supplier_lot, "standing": lot.standing} for lot in similar],
    )


def _same_lot(number: str, known: Any, beside: tuple[Fault, ...]) -> SimilarLot:
    """The refusal of a number that is a known lot's, written otherwise: a second lot of that number could not be told from it."""
    detail = (
        f'"{number}" is lot "{known.supplier_lot}" (lot {known.id}) of the same supplier and grade, written otherwise.'
    )
    hint = f'Send "{known.supplier_lot}" to add these spools to that lot.'
    named = [{"id": known.id, "supplier_lot": known.supplier_lot, "standing": known.standing}]
    return SimilarLot(detail, faults=(Fault("/supplier_lot", detail, hint), *beside), candidates=named, same_lot=True)


def keep_received(lot: Any) -> None:
    """Keeps on a lot's row when the first of its deliveries came that is not closed."""
    first = deliveries.received_first(lot)
    if first is not None and first != lot.received_at:
        deliveries.set_lot(lot, {"received_at": first})
        lot.received_at = first


def numbered(lot: Any, wanted: list[tuple[str | None, float]]) -> list[tuple[str, float]]:
    """Gives every spool without a code one of its own, such as L7-S003: third spool of lot 7."""
    given = {identity(code) for code, _ in wanted if code}
    free = free_codes(lot, given)
    return [(code or next(free), mass) for code, mass in wanted]


def free_codes(lot: Any, given: set[str]) -> Iterator[str]:
    """Codes of this lot that nobody has used: a clerk may have typed some of the same form.

    Args:
        lot: whose spools they are for.
        given: identities of codes that are about to be used.
    """
    for start in count(lots.spool_count(lot) + 1, 100):
        block = [f"L{lot.id}-S{number:03d}" for number in range(start, start + 100)]
        taken = spool_codes.taken(block)
        yield from (code for code in block if code not in taken and identity(code) not in given)


def get_lot(number: int) -> dict[str, Any]:
    """Returns a lot with its spools, and what of it is loaded when it may not be."""
    row = lot_of(number)
    return {**views.lot(row), "spools": [views.spool_line(spool, row) for spool in lots.spools_of(row)]}


def listed(filters: dict[str, Any], cursor: str | None, limit: int, *, newest_first: bool = False) -> Page:
    """Returns a page of lots."""
    return lots.listed(filters, cursor, limit, newest_first=newest_first).map(views.lot)


def exposure(number: int) -> dict[str, Any]:
    """Returns every machine and job that a lot has reached, what is still loaded first."""
    row = lot_of(number)
    return tracing.exposure(row)


def waiting_for_quality() -> tuple[list[lots.WaitingLot], list[lots.WaitingLot]]:
    """Returns the lots in quarantine of which something may still be used, and the blocked ones. One query."""
    found = lots.of_standings(("quarantined", "blocked"))
    quarantined = [lot for lot in found if lot.standing == "quarantined" and CLOSED_LOT not in lot.to_measure]
    return quarantined, [lot for lot in found if lot.standing == "blocked"]
