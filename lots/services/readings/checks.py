"""Does a reading make sense? Everything that is asked of readings before they are stored, once for all that were sent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.neighbours import FarOff
from lots.services import clock
from lots.services.errors import MOST_LISTED, Fault
from lots.services.lookups import withdrawn
from lots.services.readings import conditions, naming_instruments, slips
from lots.services.readings.sent import SentReading, Slip, Warned
from lots.services.setup import test_prints
from lots.store import readings
from lots.store.assessment import lots
from lots.store.setup import catalog, spool_codes
from lots.store.tables.models import Instrument, Lot, Spool

AS_IT_STANDS = "It was stored as it stands. If it is wrong, have quality void it, and enter it again."


@dataclass(frozen=True, slots=True)
class Checked:
    """Readings with what they speak of, everything about them that makes no sense, and what looks like a slip.

    `lots` are locked by this transaction; there are none where something is at fault. `first_used` are instruments that keep from now on what
    they measured here. `far` says for each reading why somebody must confirm it, None where nobody must.
    """

    items: Sequence[SentReading]
    spools: dict[str, Spool]
    instruments: dict[int, Instrument]
    faults: list[Fault]
    lots: dict[int, Lot] = field(default_factory=dict)
    first_used: list[int] = field(default_factory=list)
    warnings: list[list[Warned]] = field(default_factory=list)
    far: list[FarOff | None] = field(default_factory=list)


def check(
    declared: Characteristic, items: Sequence[SentReading], now: datetime, *, as_list: bool, to_store: bool = True
) -> Checked:
    """Returns readings as they were checked.

    Args:
        declared: what was measured.
        items: fields as the contract names them, their types checked.
        now: the present moment.
        as_list: how the request came; faults then point into the list.
        to_store: False asks for faults alone.
    """
    spools = spool_codes.spools_by_code(item["spool_code"] for item in items)
    instruments = catalog.instruments({number for item in items if (number := item.get("instrument_id")) is not None})
    asked = conditions.Asked.of(spools.values()) if declared.of_type("conditions") else None
    faults: list[Fault] = []
    if asked is not None:
        items, faults = conditions.compared(items, spools, asked, as_list=as_list)
    if declared.printed:
        items, wrong = _cited(items, as_list=as_list)
        faults += wrong
    faults += naming_instruments.faults(declared, items, instruments, as_list=as_list)
    for index, item in enumerate(items):
        at, spool = f"/{index}" if as_list else "", spools.get(item["spool_code"])
        faults += _common_faults(at, item, spool, instruments, now, propose=len(faults) < MOST_LISTED)
        if spool is not None:
            doubts = declared.doubts(item, spool.lot.grade.nominal_diameter_mm)
            faults += [Fault(f"{at}/{doubt.field}", doubt.detail, doubt.hint) for doubt in doubts]
    if faults or not to_store:
        return Checked(items, spools, instruments, faults)
    # Before lots, as a check of an instrument locks it.
    first_used = naming_instruments.keep_first(declared, instruments.values())
    held = lots.lock(spool.lot_id for spool in spools.values())
    # A count says by itself how sure it is, and equal counts are no copies.
    before = {number: readings.that_count(number, kind=declared.name) for number in held if declared.by_instrument}
    warnings = _warnings(declared, items, spools, before, asked)
    far = slips.far(declared, items, spools, before)
    return Checked(items, spools, instruments, faults, held, first_used, warnings, far)


def _warnings(
    declared: Characteristic,
    items: Sequence[SentReading],
    spools: Mapping[str, Spool],
    before: slips.Before,
    asked: conditions.Asked | None,
) -> list[list[Warned]]:
    """What looks like a slip in each reading: by itself, as one typed several times, and beside the other colours of its lot."""
    each = [
        [_suspected(declared, item) for item in items],
        slips.typed_again(declared, items, spools, before),
        *([conditions.slips(items, spools, before, asked)] if asked else ()),
    ]
    return [[_warning(slip) for found in mine for slip in found] for mine in zip(*each, strict=True)]


def _common_faults(
    at: str, item: SentReading, spool: Spool | None, instruments: dict[int, Instrument], now: datetime, *, propose: bool
) -> list[Fault]:
    """What is wrong with what every reading says: its spool, its instrument, its time. One query for an unknown spool, where codes are proposed."""
    faults = []
    if spool is None:
        like = spool_codes.similar(item["spool_code"]) if propose else []
        logged = "Check the label; its lot shows the codes of its spools. A spool is logged with its delivery."
        hint = f"Did you mean {' or '.join(like)}?" if like else logged
        faults.append(Fault(f"{at}/spool_code", f"There is no spool with the code {item['spool_code']}.", hint))
    elif spool.withdrawn_at is not None:
        faults.append(Fault(f"{at}/spool_code", withdrawn(spool), "Check the label, or take the spool to quality."))
    number = item.get("instrument_id")
    if number is not None and number not in instruments:
        hint = "Leave it out, or have quality add the instrument first."
        faults.append(Fault(f"{at}/instrument_id", f"There is no instrument {number}.", hint))
    return faults + clock.doubt_future(f"{at}/measured_at", item.get("measured_at"), now)


def _suspected(declared: Characteristic, item: SentReading) -> list[Slip]:
    slip = declared.suspect(item)
    return [Slip(declared.fields[0].name, *slip)] if slip else []


def _warning(slip: Slip) -> Warned:
    return {"field": slip.field, "detail": slip.detail, "hint": f"{slip.hint} {AS_IT_STANDS}".strip()}


def _cited(items: Sequence[SentReading], *, as_list: bool) -> tuple[list[SentReading], list[Fault]]:
    """Returns readings with the revision of each recipe that they cite, and the faults of those that cite none there is.

    No query where no recipe is cited, one otherwise, two with a fault.

    Args:
        items: readings as they were sent.
        as_list: how the request came; faults then point into the list.
    """
    places = [f"/{index}" if as_list else "" for index in range(len(items))]
    wanted = [
        (f"{at}/test_print", recipe)
        for at, item in zip(places, items, strict=True)
        if (recipe := item.get("test_print"))
    ]
    found, faults = test_prints.named(wanted) if wanted else ({}, [])
    faults += [
        Fault(f"{at}/build", "A build needs its printer.", "Name the printer, or leave the build out.")
        for at, item in zip(places, items, strict=True)
        if item.get("build") and not item.get("printer")
    ]
    whole = [_kept_as(item, found) for item in items]
    return whole, faults


def _kept_as(item: SentReading, found: Mapping[str, str]) -> SentReading:
    kept = found.get(item.get("test_print") or "")
    return {**item, "test_print": kept} if kept else item
