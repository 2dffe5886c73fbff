"""Does a reading make sense? Everything that is asked of readings before they are stored, once for all that were sent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.neighbours import FarOff
from lots.services import clock
from lots.services.errors import MOST_LISTED, Fault
from lots.services.lookups import withdrawn
from lots.services.readings import conditions, naming_instruments, recipes, slips
from lots.store import readings
from lots.store.assessment import lots
from lots.store.setup import catalog, spool_codes

AS_IT_STANDS = "It was stored as it stands. If it is wrong, have quality void it, and enter it again."


@dataclass(frozen=True, slots=True)
class Checked:
    """Readings with what they speak of, everything about them that makes no sense, and what looks like a slip.

    `lots` are locked by this transaction; there are none where something is at fault. `first_used` are instruments that keep from now on what
    they measured here. `far` says for each reading why somebody must confirm it, None where nobody must.
    """

    items: Sequence[dict[str, Any]]
    spools: dict[str, Any]
    instruments: dict[int, Any]
    faults: list[Fault]
    lots: dict[int, Any] = field(default_factory=dict)
    first_used: list[int] = field(default_factory=list)
    warnings: list[list[dict[str, str]]] = field(default_factory=list)
    far: list[FarOff | None] = field(default_factory=list)


def check(
    declared: Characteristic, items: Sequence[dict[str, Any]], now: datetime, *, as_list: bool, to_store: bool = True
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
    named = {item["instrument_id"] for item in items if item.get("instrument_id") is not None}
    instruments = catalog.instruments(named)
    asked: conditions.Asked | None = None
    faults: list[Fault] = []
    if declared.of_type("conditions"):
        asked = conditions.Asked.of(spools.values())
        items, faults = conditions.compared(items, spools, asked, as_list=as_list)
    if declared.printed:
        items, wrong = recipes.cited(items, as_list=as_list)
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
    found = [_suspected(declared, item) for item in items]
    more = [slips.typed_again(declared, items, spools, before)]
    if asked:
        more.append(conditions.slips(items, spools, before, asked))
    found = [[*mine, *(slip for one in others for slip in one)] for mine, *others in zip(found, *more, strict=True)]
    warnings = [[_warning(*slip) for slip in mine] for mine in found]
    far = slips.far(declared, items, spools, before)
    return Checked(items, spools, instruments, faults, held, first_used, warnings, far)


def _common_faults(
    at: str, item: dict[str, Any], spool: Any, instruments: dict[int, Any], now: datetime, *, propose: bool
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


def _suspected(declared: Characteristic, item: dict[str, Any]) -> list[tuple[str, str, str]]:
    slip = declared.suspect(item)
    return [(declared.fields[0].name, *slip)] if slip else []


def _warning(name: str, detail: str, hint: str) -> dict[str, str]:
    return {"field": name, "detail": detail, "hint": f"{hint} {AS_IT_STANDS}".strip()}
