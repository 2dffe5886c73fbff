"""Likely mistakes compared with the lot's other readings: a distant value, or one reading typed several times."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.characteristics.declaring.case import Taken
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.neighbours import COPIES, FarOff, copies, far_off
from lots.domain.characteristics.declaring.origin import Origin
from lots.services import clock
from lots.services.assessment.lot_assessment import reading_from
from lots.services.readings.sent import SentReading, Slip
from lots.store.tables.models import Reading, Spool

# Readings that are neither voided nor screening, by the lot's number.
Before = Mapping[int, Sequence[Reading]]


def far(
    declared: Characteristic, items: Sequence[SentReading], spools: Mapping[str, Spool], before: Before
) -> list[FarOff | None]:
    """Returns for each reading the deviation that must be confirmed, None without one and for screening.

    Args:
        declared: characteristic measured.
        items: readings without faults.
        spools: spools by code.
        before: earlier readings of their lots.
    """
    found: list[FarOff | None] = [None] * len(items)
    by_lot = _places(items, spools)
    for number, rows in before.items():
        places = by_lot.get(number, [])
        new = [_reading(declared, items[place], spools) for place in places]
        for place, said in zip(places, far_off(declared.far, new, [reading_from(row) for row in rows]), strict=True):
            found[place] = said
    return found


def typed_again(
    declared: Characteristic, items: Sequence[SentReading], spools: Mapping[str, Spool], before: Before
) -> list[list[Slip]]:
    """Returns a warning for each reading that looks like a copy of others."""
    found: list[list[Slip]] = [[] for _ in items]
    by_lot = _places(items, spools)
    for number, rows in before.items():
        places = by_lot.get(number, [])
        new = [(spools[items[place]["spool_code"]].code, declared.stored(items[place])) for place in places]
        counts = copies(new, [(row.spool.code, row.values) for row in rows])
        for place, (spool, _), n in zip(places, new, counts, strict=True):
            if n:
                many, times = ("Three", "three") if n == COPIES else (str(n), str(n))
                detail = f"{many} equal readings of spool {spool} look like one reading typed {times} times."
                hint = "Lift the instrument and measure again for each reading."
                found[place] = [Slip(declared.fields[0].name, detail, hint)]
    return found


def _places(items: Sequence[SentReading], spools: Mapping[str, Spool]) -> dict[int, list[int]]:
    """Returns the places of each lot's readings in the list, screening ones left out."""
    found: dict[int, list[int]] = {}
    for place, item in enumerate(items):
        if not item.get("screening"):
            found.setdefault(spools[item["spool_code"]].lot_id, []).append(place)
    return found


def _reading(declared: Characteristic, item: SentReading, spools: Mapping[str, Spool]) -> object:
    values = declared.stored(item)
    at = item.get("measured_at") or clock.now()
    return declared.reading(Taken(spools[item["spool_code"]].code, values, at, origin=Origin.of(values)))
