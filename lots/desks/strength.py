"""Whether a lot's measured bond carries a tab."""

from __future__ import annotations

from typing import Any

from lots.desks.clearing import spool_of
from lots.desks.errors import Fault, Invalid
from lots.desks.evidence import evidence_from, in_order
from lots.desks.receiving import lot_of
from lots.domain.tabs import TabAsk, check_tab
from lots.store import readings


def tab_check(values: dict[str, Any]) -> dict[str, Any]:
    """Returns whether a lot's measured bond carries a tab's load, with the thickness it would take.

    Raises:
        NotFound: no such lot or spool.
        Invalid: neither or both of lot and spool named, or a tab that makes no sense.
    """
    by_spool, by_lot = values.get("spool_code"), values.get("lot_id")
    if (by_spool is None) == (by_lot is None):
        raise Invalid(Fault("/lot_id", "Of which lot would the tab be printed?", "Give lot_id or spool_code."))
    lot = lot_of(by_lot) if by_lot is not None else spool_of(by_spool or "").lot
    kept, _ = in_order(readings.that_count(lot.id, kind="bond"), None)
    bars = [test.stress_mpa for test in evidence_from(kept).bond if not test.control]
    ask = TabAsk(values["width_mm"], values["thickness_mm"], values["lever_mm"], values["load_n"], values["layers"])
    checked = check_tab(ask, bars, values["reserve"])
    fields = (
        "stress_mpa",
        "bound_mpa",
        "weakest_mpa",
        "basis_mpa",
        "reserve",
        "enough",
        "least_thickness_mm",
        "n",
        "says",
    )
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        **{name: getattr(checked, name) for name in fields},
        "caution": checked.caution,
    }
