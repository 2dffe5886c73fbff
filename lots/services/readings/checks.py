"""Checks of readings before they are stored, for one or for a list."""

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

AS_IT_STANDS = "The reading was stored unchanged. If it is wrong, void it within ten minutes and measure again. After that ask quality."


@dataclass(frozen=True, slots=True)
class Checked:
    """Checked readings.

    Args:
        items: the readings, completed.
        spools, instruments: rows that they name, by code and by number.
        faults: every error in them.
        lots: lots locked by this transaction; none with a fault.
        first_used: numbers of instruments whose characteristic is fixed by these readings.
        warnings: likely mistakes, by reading.
        far: deviation of each reading that must be confirmed, None for the others.
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
    """Returns checked readings.

    Args:
        declared: characteristic measured.
        items: readings with checked types.
        now: the present time.
        as_list: True when the request is a list, so that faults point into it.
        to_store: False to find faults only.
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
    # Instruments are locked before lots, in the same order as by a check of an instrument.
    first_used = naming_instruments.keep_first(declared, instruments.values())
    held = lots.lock(spool.lot_id for spool in spools.values())
    # Counts are left out: their spread follows from their size, and equal counts are no copies.
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
    """Returns the likely mistakes in each reading: in itself, as a copy, and compared with other colours of its lot."""
    each = [
        [_suspected(declared, item) for item in items],
        slips.typed_again(declared, items, spools, before),
        *([conditions.slips(items, spools, before, asked)] if asked else ()),
    ]
    return [[_warning(slip) for found in mine for slip in found] for mine in zip(*each, strict=True)]


def _common_faults(
    at: str, item: SentReading, spool: Spool | None, instruments: dict[int, Instrument], now: datetime, *, propose: bool
) -> list[Fault]:
    """Returns the faults of spool, instrument and time.

    One query for an unknown spool when codes are to be proposed.
    """
    faults = []
    if spool is None:
        like = spool_codes.similar(item["spool_code"]) if propose else []
        logged = "Check the code on the label, or log the delivery of the spool first."
        hint = f"Did you mean {' or '.join(like)}?" if like else logged
        faults.append(Fault(f"{at}/spool_code", f"Spool {item['spool_code']} does not exist.", hint))
    elif spool.withdrawn_at is not None:
        faults.append(Fault(f"{at}/spool_code", withdrawn(spool), "Check the label, or take the spool to quality."))
    number = item.get("instrument_id")
    if number is not None and number not in instruments:
        hint = "Leave it out, or ask quality to add the instrument first."
        faults.append(Fault(f"{at}/instrument_id", f"Instrument {number} does not exist.", hint))
    return faults + clock.doubt_future(f"{at}/measured_at", item.get("measured_at"), now)


def _suspected(declared: Characteristic, item: SentReading) -> list[Slip]:
    slip = declared.suspect(item)
    return [Slip(declared.fields[0].name, *slip)] if slip else []


def _warning(slip: Slip) -> Warned:
    return {"field": slip.field, "detail": slip.detail, "hint": f"{slip.hint} {AS_IT_STANDS}".strip()}


def _cited(items: Sequence[SentReading], *, as_list: bool) -> tuple[list[SentReading], list[Fault]]:
    """Returns readings with the revision of each recipe, and faults for unknown recipes and builds without a printer.

    No query without a recipe, otherwise one, two with a fault.

    Args:
        items: readings as sent.
        as_list: True when the request is a list, so that faults point into it.
    """
    places = [f"/{index}" if as_list else "" for index in range(len(items))]
    wanted = [
        (f"{at}/test_print", recipe)
        for at, item in zip(places, items, strict=True)
        if (recipe := item.get("test_print"))
    ]
    found, faults = test_prints.named(wanted) if wanted else ({}, [])
    faults += [
        Fault(f"{at}/build", "A build requires a printer.", "Name the printer, or leave the build out.")
        for at, item in zip(places, items, strict=True)
        if item.get("build") and not item.get("printer")
    ]
    whole = [_kept_as(item, found) for item in items]
    return whole, faults


def _kept_as(item: SentReading, found: Mapping[str, str]) -> SentReading:
    kept = found.get(item.get("test_print") or "")
    return {**item, "test_print": kept} if kept else item
