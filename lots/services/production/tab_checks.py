"""The check of a tab: whether its lot may be loaded, and whether its interlayer strength carries the load."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.characteristics.bond.declared_bond import BOND
from lots.domain.characteristics.bond.lot_bond import BondTest
from lots.domain.production.clearance import Clearance
from lots.domain.production.tab_checks import TAB_USES, TabAsk, TabCheck, check_tab, shapes_of, weakest_of
from lots.services import clock
from lots.services.assessment.counting import HeldTo, that_count
from lots.services.assessment.lot_assessment import reading_from
from lots.services.errors import Fault, Invalid
from lots.services.lookups import lot_of, spool_of
from lots.services.production import clearance
from lots.services.production.clearance import LotFacts
from lots.services.setup import grade_uses
from lots.services.views import View
from lots.store import readings
from lots.store.tables.models import Lot, Spool

_FIELDS = (
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


class TabSent(TypedDict):
    """The request to check a tab, with its lot or spool."""

    lot_id: NotRequired[int]
    spool_code: NotRequired[str]
    use: NotRequired[str]
    width_mm: float
    thickness_mm: float
    lever_mm: float
    load_n: float
    layers: str
    reserve: float


def tab_check(values: TabSent) -> View:
    """Returns whether a tab may be printed from a lot or spool, whether its interlayer strength suffices, and the thickness needed.

    The lot must be clear for the use, as for a load without a job. Without a use, it must be clear for both load-bearing and flexing. If a
    spool holds several lots, the weakest counts.

    Raises:
        NotFound: no such lot or spool.
        Invalid: neither or both of lot and spool are given, or the dimensions are not valid.
    """
    by_spool, by_lot = values.get("spool_code"), values.get("lot_id")
    if (by_spool is None) == (by_lot is None):
        detail = "Neither a lot nor a spool is given." if by_lot is None else "Both a lot and a spool are given."
        raise Invalid(Fault("/lot_id", detail, "Give either the lot or one of its spools."))
    spool = spool_of(by_spool) if by_spool is not None else None
    held = clearance.lots_held(spool) if spool is not None else [lot_of(by_lot or 0)]
    ask = TabAsk(values["width_mm"], values["thickness_mm"], values["lever_mm"], values["load_n"], values["layers"])
    wanted = [values["use"]] if values.get("use") else list(TAB_USES)
    now = clock.now()
    facts = [clearance.facts_of(lot) for lot in held]
    cleared = {use: _clear(spool, facts, use, now) for use in wanted}
    of_uses = [reason for found in cleared.values() for reason in found.reasons]
    shapes = [one.says for lot in held for one in grade_uses.material(lot.grade).against_shapes(shapes_of(ask))]
    against = list(dict.fromkeys([*of_uses, *shapes]))
    checked = weakest_of([_by_bond(lot, ask, values["reserve"], against) for lot in held])
    return {
        "lot_id": held[0].id,
        "supplier_lot": held[0].supplier_lot,
        "standing": held[0].standing,
        **{name: getattr(checked, name) for name in _FIELDS},
        "reasons": list(checked.reasons),
        "uses": [_use(use, found) for use, found in cleared.items()],
        "cautions": list(dict.fromkeys(caution for found in cleared.values() for caution in found.cautions)),
        "caution": checked.caution,
    }


def _clear(spool: Spool | None, held: Sequence[LotFacts], use: str, at: datetime) -> Clearance:
    if spool is not None:
        return clearance.of_spool(spool, held, use, at)
    return clearance.of_lot(held[0], use, at)


def _by_bond(lot: Lot, ask: TabAsk, reserve: float, against: list[str]) -> TabCheck:
    kept, _ = that_count(readings.that_count(lot.id, kind=BOND.name), HeldTo.of(lot))
    bars = [test.stress_mpa for test in map(reading_from, kept) if isinstance(test, BondTest) and BOND.of_lot(test)]
    return check_tab(ask, bars, reserve, against)


def _use(use: str, found: Clearance) -> View:
    """Returns the clearance for a use, with the concession or permission it rests on."""
    return {
        "use": use,
        "clear": found.clear,
        "reasons": list(found.reasons),
        "concession": found.concession.says if found.concession else None,
        "permission": found.permission and grade_uses.permission_view(found.permission),
    }
