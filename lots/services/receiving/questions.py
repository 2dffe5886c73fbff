"""What is asked about a delivery that looks like a slip: a lot number that is nearly a known one, and far more spools than usual."""

from __future__ import annotations

from lots.domain.code_identity import misreadings
from lots.domain.receiving.delivery_corrections import doubt_count
from lots.services.errors import Fault, SimilarLot
from lots.services.receiving.bodies import Confirmations
from lots.store.assessment import lots
from lots.store.receiving import deliveries
from lots.store.tables.models import Grade, Lot, Supplier


def count_question(supplier_id: int, spools: int, values: Confirmations, but: int | None = None) -> tuple[Fault, ...]:
    """Returns what to ask about the number of spools in a delivery, nothing where it is usual or confirmed.

    Args:
        but: number of a delivery that says nothing of what is usual, the one asked about.
    """
    if values.get("confirm_spool_count"):
        return ()
    doubt = doubt_count(spools, deliveries.usual_counts(supplier_id, but))
    hint = "Count again, or confirm the number if so many came."
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
    """Asks whether a lot number is a known one misread.

    Args:
        number: as it was typed.
        confirmed: somebody said that it is another lot, so a number that is merely similar is not asked about.
        beside: what else there is to ask, told at once.
        but: number of a lot that is not asked about, the one to be corrected.

    Raises:
        SimilarLot: known lots of this supplier and grade have nearly this number.
    """
    known = lots.same_number(supplier, grade, number)
    if known is not None and known.id != but:
        raise _same_lot(number, known, beside)
    if confirmed:
        return
    similar = [lot for lot in lots.similar_numbers(supplier, grade, number) if lot.id != but]
    if not similar:
        return
    names = ", ".join(f'"{lot.supplier_lot}" (lot {lot.id})' for lot in similar)
    slips = list(dict.fromkeys(slip for lot in similar for slip in misreadings(number, lot.supplier_lot)))
    hint = "Give the number as it stands there to add to that lot, or confirm it if it really is another lot."
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
    """The refusal of a number that is a known lot's, written otherwise: a second lot of that number could not be told from it."""
    detail = (
        f'"{number}" is lot "{known.supplier_lot}" (lot {known.id}) of the same supplier and grade, written otherwise.'
    )
    hint = f'Give "{known.supplier_lot}" to add these spools to that lot.'
    named = [{"id": known.id, "supplier_lot": known.supplier_lot, "standing": known.standing}]
    return SimilarLot(detail, faults=(Fault("/supplier_lot", detail, hint), *beside), candidates=named, same_lot=True)
