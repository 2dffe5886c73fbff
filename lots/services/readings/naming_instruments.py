"""Checks that the instrument of a reading measures its characteristic.

An instrument without stated characteristics is fixed by its first reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.instruments.measuring import may_measure, refusal
from lots.services import lookups
from lots.services.errors import Fault, Invalid
from lots.services.readings.sent import SentReading
from lots.store.setup import catalog
from lots.store.tables.models import Instrument

# The most instruments that a hint names.
_MOST_NAMED = 5


def faults(
    declared: Characteristic, items: Sequence[SentReading], instruments: Mapping[int, Instrument], *, as_list: bool
) -> list[Fault]:
    """Returns a fault for each reading whose instrument does not measure its characteristic.

    At most one query, none without a fault.

    Args:
        declared: characteristic measured.
        items: readings as sent.
        instruments: named instruments by number.
        as_list: True when the request is a list, so that faults point into it.
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
    """Stores the first characteristic of instruments without a stated one, and returns their numbers for the history.

    One query for each of these instruments.

    Raises:
        Invalid: another request has just stored another characteristic.
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
