"""What is said of the next order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from lots.domain.purchasing.by_use import for_words
from lots.domain.words import clause, counted, listed, plural

if TYPE_CHECKING:
    from lots.domain.purchasing.order_cost import CostDifference
    from lots.services.purchasing.next_order import Candidate
    from lots.services.setup.shop import Details

ONE_LOOK = (
    "Intervals of differences allow for all pairs compared here. The chance that suppliers of equal cost differ significantly is at most about 5 %. "
    "This holds at one look. Looking again after every lot makes a false difference more likely."
)
RULE = (
    "Lots are ordered and measured until one is usable. Each rejected lot costs its measuring, and also its price unless it was returned for credit. "
    "A rejected lot that was blocked, scrapped or kept for another use counts as not returned."
)


def measuring(said: Details, currencies: Sequence[str]) -> str:
    """Returns what measuring is counted with, or what to state so that it is."""
    if said.bench_cost_per_h is None or said.bench_currency is None:
        return "Measuring is not counted. State the cost of an hour at the bench in the details of the shop."
    others = [currency for currency in currencies if currency != said.bench_currency]
    text = f"Measuring is counted with {said.minutes_per_reading:g} minutes per reading and {said.bench_cost_per_h:.2f} {said.bench_currency} per hour at the bench."
    if others:
        text += f" It is not counted beside prices in {listed(others)}."
    return text


def forbidden(grade: str, use: str, reason: str) -> str:
    """Returns why nothing is told of a grade for a use."""
    return f"{grade} is forbidden for {for_words(use)}. {clause(reason)}"


def missing(one: Candidate, use: str) -> str | None:
    """Returns which data of a supplier are missing and what to record; None where a cost can be worked out."""
    if one.likely.probability is None:
        return f"No lot was inspected to an end for {for_words(use)}. Finish the inspection of its lots."
    if not one.bought.prices:
        return "No cost is recorded with its newest deliveries. Record cost and currency of a delivery."
    return None


def too_few_usable(one: Candidate) -> str:
    """Returns why a supplier of whose lots hardly any may be usable has no cost."""
    ends = one.likely.interval
    least = f" The interval of the probability begins at {_percent(ends.low)}." if ends else ""
    return f"Cost per usable kg cannot be told, because too few of its lots may be usable.{least}"


def supplier(one: Candidate) -> str:
    """Returns what a usable kilogram of a supplier is expected to cost, and what that is made of."""
    if one.cost is None:
        return f"{one.name}: {one.why}"
    money, ends = one.bought.currency or "", one.cost.interval
    text = f"{one.name}: {one.cost.expected:.2f} {money} per usable kg expected"
    if ends is None:
        text += ". The interval cannot be told, because the scatter of prices is not known yet."
    else:
        text += f", between {ends.low:.2f} and {ends.high:.2f} {money} (95 % interval)."
    change = one.cost.by_change
    if change is not None and round(change, 2):
        verb = "adds" if change > 0 else "takes off"
        text += f" A likely change of its lots {verb} {abs(change):.2f} {money} of this."
    return text


def difference(pair: CostDifference, asked: Mapping[int, Candidate]) -> str:
    """Returns whether two suppliers differ, and by how much."""
    one, two = asked[pair.first], asked[pair.second]
    if pair.interval is None:
        return f"{one.name} and {two.name}: the scatter of prices is not known yet, so the difference cannot be told."
    money = one.bought.currency
    if pair.cheaper is None:
        return f"{one.name} and {two.name}: no significant difference in cost per usable kg."
    less, more = (one, two) if pair.cheaper == 1 else (two, one)
    ends = sorted((abs(pair.interval.low), abs(pair.interval.high)))
    return (
        f"{less.name} costs significantly less per usable kg than {more.name}, "
        f"by {abs(pair.difference):.2f} {money} ({ends[0]:.2f} to {ends[1]:.2f})."
    )


def answer(grade: str, use: str, asked: Sequence[Candidate], pairs: Sequence[CostDifference]) -> str:
    """Returns which supplier costs least per usable kilogram, currency by currency, or that nobody does significantly.

    Args:
        grade, use: what is ordered, for which use.
        asked: all suppliers, those with a cost first, the least first in each currency.
        pairs: of suppliers in one currency.
    """
    told: dict[str, list[Candidate]] = {}
    for one in asked:
        if one.cost is not None:
            told.setdefault(one.bought.currency or "", []).append(one)
    if not asked:
        return f"No lot of {grade} was received yet, so no supplier can be compared."
    said = [_cheapest(grade, use, some, pairs) for some in told.values()]
    if len(told) > 1:
        said.append("Costs in different currencies are not compared.")
    left = [one for one in asked if one.cost is None]
    if not told:
        said.append(f"Nothing can be said of the next order of {grade} for {for_words(use)}.")
    if left:
        said.append(f"Data are missing for {listed([one.name for one in left])}.")
    return " ".join(said)


def _cheapest(grade: str, use: str, some: Sequence[Candidate], pairs: Sequence[CostDifference]) -> str:
    first = some[0]
    cost, money = first.cost, first.bought.currency
    if cost is None:
        return ""
    paid = f"{cost.expected:.2f} {money} per usable kg of {grade} for {for_words(use)}"
    if len(some) == 1:
        return f"{first.name} is the only supplier with a cost in {money}: {paid}."
    beaten = set()
    for pair in pairs:
        winner, loser = (pair.first, pair.second) if pair.cheaper == 1 else (pair.second, pair.first)
        if pair.cheaper and winner == first.number:
            beaten.add(loser)
    worse = [one.name for one in some[1:] if one.number in beaten]
    alike = [one.name for one in some[1:] if one.number not in beaten]
    if not alike:
        return f"{first.name} costs significantly less than {plural(len(worse), listed(worse), 'every other supplier')}: {paid}."
    text = f"{first.name} has the lowest expected cost, {paid}."
    if worse:
        text += f" It costs significantly less than {listed(worse)}."
    return f"{text} No significant difference from {listed(alike)}."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
