"""Which instrument a reading may name: one that measures its characteristic. An instrument of unknown kind keeps what it measures first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.instruments.measuring import may_measure, refusal
from lots.services import lookups
from lots.services.errors import Fault, Invalid
from lots.services.readings.sent import SentReading
from lots.store.setup import catalog
from lots.store.tables.models import Instrument

# Instruments that a hint names at most.
_MOST_NAMED = 5


def faults(
    declared: Characteristic, items: Sequence[SentReading], instruments: Mapping[int, Instrument], *, as_list: bool
) -> list[Fault]:
    """Returns the faults of readings that name an instrument which does not measure their characteristic. At most one query, none without a fault.

    Args:
        declared: what was measured.
        items: readings as they were sent.
        instruments: those that they name, by number.
        as_list: how the request came; faults then point into the list.
    """
    named = ((index, instruments.get(item.get("instrument_id") or 0)) for index, item in enumerate(items))
    wrong = [(index, row) for index, row in named if row is not None and not may_measure(declared.name, row.measures)]
    if not wrong:
        return []
    others = _that_measure(declared)
    return [_fault(f"/{index}" if as_list else "", declared, row, others) for index, row in wrong]


def _that_measure(declared: Characteristic) -> list[str]:
    able = [row for row in catalog.all_instruments() if declared.name in (row.measures or ())]
    return [f"{row.code} (number {row.id})" for row in able[:_MOST_NAMED]]


def _fault(at: str, declared: Characteristic, row: Instrument, others: Sequence[str]) -> Fault:
    return Fault(f"{at}/instrument_id", *refusal(declared, row.code, row.measures or (), others))


def keep_first(declared: Characteristic, instruments: Iterable[Instrument]) -> list[int]:
    """Keeps what instruments measure first where nobody stated it, and returns their numbers: their history is still to be noted.

    One query for each of these instruments.

    Raises:
        Invalid: an instrument measured something else first, a moment ago.
    """
    changed = []
    for row in instruments:
        if row.measures is not None:
            continue
        if not catalog.first_measured(row.id, declared.name):
            now = lookups.found("instrument", row.id)
            if not may_measure(declared.name, now.measures):
                raise Invalid(_fault("", declared, now, _that_measure(declared)))
            continue
        changed.append(row.id)
    return changed
