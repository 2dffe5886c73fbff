"""Questions about likely mistakes in a delivery: a similar lot number, and far more spools than usual."""

from __future__ import annotations

from lots.domain.code_identity import misreadings
from lots.domain.receiving.delivery_corrections import doubt_count
from lots.services.errors import Fault, SimilarLot
from lots.services.receiving.bodies import Confirmations
from lots.store.assessment import lots
from lots.store.receiving import deliveries
from lots.store.tables.models import Grade, Lot, Supplier


def count_question(supplier_id: int, spools: int, values: Confirmations, but: int | None = None) -> tuple[Fault, ...]:
    """Returns the question about an unusual number of spools, nothing where it is usual or confirmed.

    Args:
        but: number of the delivery in question, which is left out of the comparison.
    """
    if values.get("confirm_spool_count"):
        return ()
    doubt = doubt_count(spools, deliveries.usual_counts(supplier_id, but))
    hint = "Count the spools again, or confirm the number."
    return (Fault("/spool_count", doubt, hint, confirm="confirm_spool_count"),) if doubt else ()


def ask_similar(
    supplier: Supplier,
    grade: Grade,
    number: str,
    *,
    confirmed: bool,
    beside: tuple[Fault, ...] = (),
    but: int | None = None,
) -> None:
    """Raises a question when a lot number may be a misread known number.

    Args:
        number: as typed.
        confirmed: True when the sender confirmed a new lot. Similar numbers are then accepted.
        beside: further questions to raise at once.
        but: number of the lot to be corrected, which is left out.

    Raises:
        SimilarLot: a known lot of this supplier and grade has this number in another spelling, or a similar one.
    """
    known = lots.same_number(supplier, grade, number)
    if known is not None and known.id != but:
        raise _same_lot(number, known, beside)
    if confirmed:
        return
    similar = [lot for lot in lots.similar_numbers(supplier, grade, number) if lot.id != but]
    if not similar:
        return
    names = ", ".join(f'"{lot.supplier_lot}"' for lot in similar)
    slips = list(dict.fromkeys(slip for lot in similar for slip in misreadings(number, lot.supplier_lot)))
    hint = "Give the known number to add to that lot, or confirm that this is a new lot."
    differs = f"It differs only in {', '.join(slips) or 'the way it was typed'}."
    raise SimilarLot(
        f'"{number}" may be {names} of the same supplier and grade. {differs}',
        faults=(
            Fault("/supplier_lot", f"Most likely this is {names}. {differs}", hint, confirm="confirm_new_lot"),
            *beside,
        ),
        candidates=[{"id": lot.id, "supplier_lot": lot.supplier_lot, "standing": lot.standing} for lot in similar],
    )


def _same_lot(number: str, known: Lot, beside: tuple[Fault, ...]) -> SimilarLot:
    """Returns the error for a known lot number in another spelling.

    It cannot be confirmed, because the lots would be confused.
    """
    detail = f'"{number}" is another spelling of "{known.supplier_lot}" of the same supplier and grade.'
    hint = f'Give "{known.supplier_lot}" to add these spools to that lot.'
    named = [{"id": known.id, "supplier_lot": known.supplier_lot, "standing": known.standing}]
    return SimilarLot(detail, faults=(Fault("/supplier_lot", detail, hint), *beside), candidates=named, same_lot=True)
