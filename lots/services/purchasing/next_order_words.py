"""What is said of the next order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from lots.domain.purchasing.by_use import for_words
from lots.domain.words import counted, listed

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
    "A rejected lot that was blocked, scrapped or kept for another use counts as not returned. "
    "With few rejected lots the share returned is not known, so half a lot is added to each side (mean under Jeffreys' prior)."
)
# What a change adds is said from this share of the cost on: less lies within the accuracy of the draws.
_SAID_FROM = 0.01


def measuring(said: Details, currencies: Sequence[str]) -> str:
    """Returns what measuring is counted with, or what to state so that it is."""
    if said.bench_cost_per_h is None or said.bench_currency is None:
        return "Measuring is not counted. State the cost of an hour at the bench in the details of the shop."
    others = [currency for currency in currencies if currency != said.bench_currency]
    text = f"Measuring is counted with {said.minutes_per_reading:g} minutes per reading and {said.bench_cost_per_h:.2f} {said.bench_currency} per hour at the bench."
    if others:
        text += f" It is not counted beside prices in {listed(others)}."
    return text


def not_covered(grade: str, use: str) -> str:
    """Returns why nothing is told where no lot is assessed for a use."""
    return f"The limits of {grade} do not cover {for_words(use)}. Ask quality to add this use."


def missing(one: Candidate, use: str) -> str | None:
    """Returns which data of a supplier are missing and what to record; None where a cost can be worked out."""
    if one.likely.seen.probability is None:
        return f"No lot was inspected to an end for {for_words(use)}. Finish the inspection of its lots."
    if not one.bought.prices:
        return "No cost is recorded with its newest deliveries. Record cost and currency of a delivery."
    return None


def too_few_usable(one: Candidate) -> str:
    """Returns why a supplier of whose lots hardly any may be usable has no cost."""
    seen, ends, unchanged = one.likely.seen, one.likely.seen.interval, one.likely.unchanged
    text = "Cost per usable kg cannot be told, because too few of its lots may be usable."
    if seen.probability is not None and ends is not None:
        text += f" The probability that the next lot is usable is {_percent(seen.probability)} ({100 * ends.low:.0f} to {_percent(ends.high)})."
    if seen.probability is not None and unchanged is not None and unchanged > seen.probability:
        text += f" Without a likely change of its lots it would be {_percent(unchanged)}."
    return text


def supplier(one: Candidate) -> str:
    """Returns what a usable kilogram of a supplier is expected to cost, and what that is made of."""
    if one.cost is None or one.cost.expected is None:
        return f"{one.name}: {one.why}"
    money, ends = one.bought.currency or "", one.cost.interval
    text = f"{one.name}: {one.cost.expected:.2f} {money} per usable kg expected"
    if ends is None:
        text += ". The interval cannot be told, because the scatter of prices is not known yet."
    else:
        text += f", between {ends.low:.2f} and {ends.high:.2f} {money} (95 % interval)."
    change = one.cost.by_change
    if change is not None and abs(change) >= _SAID_FROM * one.cost.expected:
        verb = "adds" if change > 0 else "takes off"
        text += f" A likely change of its lots {verb} {abs(change):.2f} {money} of this."
    return text


def returned(one: Candidate, share: float) -> str:
    """Returns which share of a supplier's rejected lots is taken as returned, and from how many lots."""
    rejected = one.returned + one.kept
    of = f", {one.returned or 'none'} of them returned" if rejected else ""
    text = f"{one.name}: {counted(rejected, 'lot') if rejected else 'no lot'} rejected for this use{of}."
    return f"{text} The share returned is taken as {100 * share:.3g} % on average."


def difference(pair: CostDifference, asked: Mapping[int, Candidate]) -> str:
    """Returns whether two suppliers differ, and by how much."""
    one, two = asked[pair.first], asked[pair.second]
    less, more = (one, two) if pair.cheaper == 1 else (two, one)
    if pair.difference is None and pair.cheaper:
        return (
            f"{less.name} costs significantly less per usable kg than {more.name}, of whose lots too few may be usable."
        )
    if pair.difference is None:
        return f"{one.name} and {two.name}: the difference cannot be told, because too few lots may be usable."
    if pair.interval is None:
        return f"{one.name} and {two.name}: the scatter of prices is not known yet, so the difference cannot be told."
    money = one.bought.currency
    if pair.cheaper is None:
        return f"{one.name} and {two.name}: no significant difference in cost per usable kg."
    ends = sorted((abs(pair.interval.low), abs(pair.interval.high)))
    return (
        f"{less.name} costs significantly less per usable kg than {more.name}, "
        f"by {abs(pair.difference):.2f} {money} ({ends[0]:.2f} to {ends[1]:.2f})."
    )


def answer(grade: str, use: str, asked: Sequence[Candidate], pairs: Sequence[CostDifference]) -> str:
    """Returns which supplier costs least per usable kilogram, currency by currency, or that nobody does significantly.

    Args:
        grade, use: what is ordered, for which use.
        asked: all suppliers, those with an expected cost first, the least first in each currency.
        pairs: of suppliers in one currency.
    """
    if not asked:
        return f"No lot of {grade} was received yet, so no supplier can be compared."
    what = f"{grade} for {for_words(use)}"
    first: dict[str, Candidate] = {}
    for one in asked:
        if one.cost is not None and one.cost.expected is not None:
            first.setdefault(one.bought.currency or "", one)
    names = {one.number: one.name for one in asked}
    said = [_cheapest(one, what, names, pairs) for one in first.values()]
    if not first:
        said.append(f"Nothing can be said of the next order of {what}.")
    if len(first) > 1:
        said.append("Costs in different currencies are not compared.")
    if rare := [one.name for one in asked if one.cost is not None and one.cost.expected is None]:
        said.append(f"Too few lots of {listed(rare)} may be usable.")
    if left := [one.name for one in asked if one.cost is None]:
        said.append(f"No cost can be told of {listed(left)}.")
    return " ".join(said)


def _cheapest(first: Candidate, what: str, names: Mapping[int, str], pairs: Sequence[CostDifference]) -> str:
    """The supplier with the least expected cost in its currency, and how it compares with each other one there."""
    cost = first.cost.expected if first.cost else None
    worse: list[str] = []
    alike: list[str] = []
    open_: list[str] = []
    for pair in pairs:
        if first.number not in (pair.first, pair.second):
            continue
        other = names[pair.second if pair.first == first.number else pair.first]
        mine = 1 if pair.first == first.number else 2
        (worse if pair.cheaper == mine else open_ if pair.interval is None else alike).append(other)
    paid = f"{cost or 0.0:.2f} {first.bought.currency} per usable kg of {what}"
    if not (worse or alike or open_):
        return f"{first.name} is the only supplier with a cost in {first.bought.currency}: {paid}."
    if not (alike or open_):
        return f"{first.name} costs significantly less than {listed(worse)}: {paid}."
    text = f"{first.name} has the lowest expected cost: {paid}."
    for others, said in ((worse, "It costs significantly less than"), (alike, "No significant difference from")):
        if others:
            text += f" {said} {listed(others)}."
    return f"{text} Whether it differs significantly from {listed(open_)} cannot be told." if open_ else text


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
