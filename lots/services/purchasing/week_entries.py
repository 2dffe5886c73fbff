"""The entries of the week's list: each kind of matter with its risk and its words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing import urgency
from lots.domain.purchasing.urgency import Matter, Risk
from lots.domain.words import counted, hyphenated, listed
from lots.services.drift import signals
from lots.services.drift.drift import Followed
from lots.services.drift.views import ahead_says
from lots.services.purchasing.stock import Short
from lots.services.purchasing.supplies import Pair
from lots.store.purchasing.in_the_shop import LotInShop, OpenLetter
from lots.store.tables.decisions import CorrectiveAction

if TYPE_CHECKING:
    from lots.domain.statistics.changing_level import Outlook


class Entry(NamedTuple):
    """A matter to act on, with its supplier and grade. A short stock has the newest lot of its grade."""

    what: Matter
    pair: Pair
    lot_id: int
    supplier_lot: str
    says: str
    risk: Risk
    measure: str | None = None
    p_value: float | None = None
    action_id: int | None = None

    def more(self) -> str:
        """Returns the words of the matter and its risk."""
        return " ".join([self.says, *_risk_says(self.risk)]) if self.measure else self.says


@dataclass(frozen=True, slots=True)
class Shelf:
    """Filament in the shop by lot, and the usual time in quarantine.

    Args:
        lots: of the last two years with filament left, by number.
        usual_days: the usual time of a lot in quarantine, days, > 0.
    """

    lots: Mapping[int, LotInShop]
    usual_days: int

    def kg(self, lot_id: int) -> float:
        """Returns the mass left of a lot, kg."""
        return self.lots[lot_id].mass_g / 1000 if lot_id in self.lots else 0.0

    def kg_since(self, pair: Pair, since: datetime) -> float:
        """Returns the mass left of a supplier's lots of a grade received since a time, kg."""
        mine = (one for one in self.lots.values() if (one.supplier_id, one.grade_id) == pair)
        return sum(one.mass_g for one in mine if one.received_at >= since) / 1000


def answers_overdue(actions: Sequence[CorrectiveAction], shelf: Shelf, now: datetime) -> Iterator[Entry]:
    """Returns an entry for each corrective action whose answer is overdue."""
    for action in actions:
        says = f"Corrective action {action.id} for lot {action.lot.supplier_lot} has no answer, which was due {_days_ago(action.due_at, now)}."
        risk = Risk(stock_kg=shelf.kg(action.lot_id))
        yield Entry(
            "overdue_action",
            (action.supplier_id, action.grade_id),
            action.lot_id,
            action.lot.supplier_lot,
            says,
            risk,
            action_id=action.id,
        )


def letters_unanswered(
    letters: Sequence[OpenLetter], actions: Sequence[CorrectiveAction], shelf: Shelf, now: datetime
) -> Iterator[Entry]:
    """Returns an entry for each letter with an overdue answer, unless a corrective action about its lot is already overdue."""
    asked = {action.lot_id for action in actions}
    for letter in letters:
        if letter.lot_id not in asked:
            lot = shelf.lots[letter.lot_id]
            says = f"Letter {letter.number} about lot {lot.supplier_lot} has no answer, which was due {_days_ago(letter.answer_by, now)}."
            yield Entry(
                "letter_unanswered", _pair(lot), lot.id, lot.supplier_lot, says, Risk(stock_kg=shelf.kg(lot.id))
            )


def lots_waiting(shelf: Shelf, now: datetime) -> Iterator[Entry]:
    """Returns an entry for each lot with filament left that is blocked, restricted, or in quarantine for longer than usual."""
    for lot in shelf.lots.values():
        kg, waits = shelf.kg(lot.id), (now - lot.received_at).days
        if lot.standing == "blocked":
            says = f"Lot {lot.supplier_lot} is blocked, with {kg:.1f} kg in the shop. Ask quality to return it, scrap it or grant a concession."
            yield Entry("refused_waiting", _pair(lot), lot.id, lot.supplier_lot, says, Risk(stock_kg=kg))
        elif lot.standing == "restricted":
            yield _restricted(lot, kg)
        elif lot.standing == "quarantined" and waits > shelf.usual_days:
            says = (
                f"Lot {lot.supplier_lot} has been in quarantine for {counted(waits, 'day')}, with {kg:.1f} kg. "
                f"The usual time is at most {counted(shelf.usual_days, 'day')}."
            )
            yield Entry("quarantined_long", _pair(lot), lot.id, lot.supplier_lot, says, Risk(stock_kg=kg))


def _restricted(lot: LotInShop, kg: float) -> Entry:
    fit = [hyphenated(use) for use, verdict in lot.uses.items() if verdict == "pass"]
    unfit = [hyphenated(use) for use, verdict in lot.uses.items() if verdict != "pass"]
    says = f"Lot {lot.supplier_lot} is restricted."
    if unfit:
        says += f" It fails {listed(unfit)} use."
    if fit:
        says += f" {kg:.1f} kg remain usable for {listed(fit)} use."
    share = len(unfit) / (len(fit) + len(unfit)) if unfit else 1.0
    return Entry("restricted", _pair(lot), lot.id, lot.supplier_lot, says, Risk(stock_kg=kg, share_unusable=share))


def stock_short(short: Sequence[Short], lots: Sequence[SeriesLot]) -> Iterator[Entry]:
    """Returns an entry for each stock that may run out before the next lot arrives, with its most likely supplier.

    Args:
        short: the stocks.
        lots: of the last two years, oldest first. A grade without a lot in that time has no entry.
    """
    for one in short:
        of_grade = [lot for lot in lots if lot.grade_id == one["grade_id"]]
        theirs = [lot for lot in of_grade if lot.supplier_id == one["supplier_id"]]
        if newest := (theirs or of_grade)[-1:]:
            risk = Risk(stock_kg=one["stock_kg"], days_left=one["days_low"] or 0.0)
            lot = newest[0]
            yield Entry("short_stock", (lot.supplier_id, lot.grade_id), lot.id, lot.supplier_lot, one["says"], risk)


def drifting(pair: Pair, one: Followed, shelf: Shelf) -> Entry:
    """Returns the entry of a listed series for its largest signal, without the mass of the next lot.

    Raises:
        ValueError: the series has no limit, or no signal to act on, so it cannot be listed.
    """
    worth = urgency.signals_to_act_on(one.analysis, one.limit)
    if one.limit is None or not worth:
        raise ValueError(f"{one.measure} of {pair} is not listed")
    signal = max(worth, key=lambda signal: abs(signal.departure))
    part, ahead = one.part, one.analysis.projection
    near = urgency.limit_near(ahead)
    says = signals.moved(signal, part)
    if ahead is not None and ahead.about is not None:
        says += f" {ahead_says(ahead, part)}"
    risk = urgency.of_series(signal, one.limit, ahead, _outlook(one))
    risk = replace(risk, stock_kg=shelf.kg_since(pair, part.lot(signal.began).received_at))
    what: Matter = "limit_near" if near else "drifting"
    lot = part.lot(-1)
    return Entry(what, pair, lot.id, lot.supplier_lot, says, risk, one.measure, one.analysis.p)


def _outlook(one: Followed) -> Outlook | None:
    """Returns the forecast of the next value from the latest segment; None with too few lots."""
    # Imported here, because it loads numpy, which would slow down every start.
    from lots.domain.purchasing.forecast import History

    history = History(one.part.values.tolist())
    return history.outlook if history.enough else None


def _risk_says(risk: Risk) -> Iterator[str]:
    """Returns the risk of a drift, one sentence for each known figure."""
    if risk.limit_used is not None:
        yield f"The latest lots use {100 * risk.limit_used:.0f} % of the tolerance."
    if risk.probability_next_fails is not None:
        yield f"The next lot fails this limit with a probability of {_chance(risk.probability_next_fails)}."
    if risk.stock_kg:
        yield f"{risk.stock_kg:.1f} kg of these lots are in the shop."


def _chance(p: float) -> str:
    if p < 0.01:
        return "less than 1 %"
    return "more than 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def _days_ago(day: datetime, now: datetime) -> str:
    days = (now - day).days
    return f"{counted(days, 'day')} ago" if days > 0 else "today"


def _pair(lot: LotInShop) -> Pair:
    return lot.supplier_id, lot.grade_id
