"""The sentences about the next order."""

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
    "This holds for a single comparison. Comparing again after every lot makes a false difference more likely."
)
RULE = (
    "The cost assumes that lots are ordered and measured until one is usable. Each rejected lot costs its measuring, and also its price unless it is "
    "returned for credit. A rejected lot that was blocked, scrapped or kept for another use counts as not returned. "
    "The share returned is the mean under Jeffreys' prior, which adds half a lot to each side."
)
# The effect of a change is stated from this share of the cost. A smaller one is within the accuracy of the simulation.
_SAID_FROM = 0.01


def measuring(said: Details, currencies: Sequence[str]) -> str:
    """Returns the assumptions for the cost of measuring, or the details that are missing."""
    if said.bench_cost_per_h is None or said.bench_currency is None:
        return "Measuring is not included. State the cost of an hour at the bench in the details of the shop."
    others = [currency for currency in currencies if currency != said.bench_currency]
    text = f"Measuring is included with {said.minutes_per_reading:g} minutes per reading and {said.bench_cost_per_h:.2f} {said.bench_currency} per hour at the bench."
    if others:
        text += f" It is not included in costs in {listed(others)}."
    return text


def not_covered(grade: str, use: str) -> str:
    """Returns the reason for no answer if the limits do not cover a use."""
    return f"The limits of {grade} do not cover {for_words(use)}. Ask quality to add this use."


def missing(one: Candidate, use: str) -> str | None:
    """Returns which data of a supplier are missing and what to record; None if the cost can be computed."""
    if one.likely.seen.probability is None:
        return f"No lot has a complete inspection for {for_words(use)}. Finish the inspection of its lots."
    if not one.bought.prices:
        return "No cost is recorded with its newest deliveries. Record the cost and currency of a delivery."
    return None


def too_few_usable(one: Candidate) -> str:
    """Returns the reason why a supplier with too few usable lots has no cost."""
    seen, ends, unchanged = one.likely.seen, one.likely.seen.interval, one.likely.unchanged
    text = "The cost per usable kg is unknown, because too few of its lots may be usable."
    if seen.probability is not None and ends is not None:
        text += f" The probability that the next lot is usable is {_percent(seen.probability)} ({100 * ends.low:.0f} to {_percent(ends.high)})."
    if seen.probability is not None and unchanged is not None and unchanged > seen.probability:
        text += f" Without the likely change of its lots it would be {_percent(unchanged)}."
    return text


def supplier(one: Candidate) -> str:
    """Returns the expected cost per usable kilogram of a supplier, with its interval."""
    if one.cost is None or one.cost.expected is None:
        return f"{one.name}: {one.why}"
    money, ends = one.bought.currency or "", one.cost.interval
    text = f"{one.name}: {one.cost.expected:.2f} {money} per usable kg expected"
    if ends is None:
        text += ". The interval is unknown, because the spread of prices is not known yet."
    else:
        text += f", between {ends.low:.2f} and {ends.high:.2f} {money} (95 % interval)."
    change = one.cost.by_change
    if change is not None and abs(change) >= _SAID_FROM * one.cost.expected:
        verb = "increases" if change > 0 else "decreases"
        text += f" A likely change of its lots {verb} this by {abs(change):.2f} {money}."
    return text


def returned(one: Candidate, share: float) -> str:
    """Returns the estimated share of a supplier's rejected lots that is returned, with the numbers of lots."""
    rejected = one.returned + one.kept
    of = f", {one.returned} of them returned" if rejected else ""
    text = f"{one.name}: {counted(rejected, 'lot') if rejected else 'no lot'} rejected for this use{of}."
    return f"{text} The share returned is estimated as {100 * share:.3g} %."


def difference(pair: CostDifference, asked: Mapping[int, Candidate]) -> str:
    """Returns whether two suppliers differ, and by how much."""
    one, two = asked[pair.first], asked[pair.second]
    less, more = (one, two) if pair.cheaper == 1 else (two, one)
    if pair.difference is None and pair.cheaper:
        return (
            f"{less.name} costs significantly less per usable kg than {more.name}, which may have too few usable lots."
        )
    if pair.difference is None:
        return f"{one.name} and {two.name}: the difference is unknown, because too few lots may be usable."
    if pair.interval is None:
        return f"{one.name} and {two.name}: the difference is unknown, because the spread of prices is not known yet."
    money = one.bought.currency
    if pair.cheaper is None:
        return f"{one.name} and {two.name}: no significant difference in cost per usable kg."
    ends = sorted((abs(pair.interval.low), abs(pair.interval.high)))
    return (
        f"{less.name} costs significantly less per usable kg than {more.name}, "
        f"by {abs(pair.difference):.2f} {money} ({ends[0]:.2f} to {ends[1]:.2f})."
    )


def answer(grade: str, use: str, asked: Sequence[Candidate], pairs: Sequence[CostDifference]) -> str:
    """Returns the supplier with the lowest cost per usable kilogram in each currency, and the significance of its difference.

    Args:
        grade: the grade to order.
        use: the intended use.
        asked: all suppliers, those with an expected cost first, the cheapest first in each currency.
        pairs: of suppliers in one currency.
    """
    if not asked:
        return f"No lot of {grade} has been received yet, so no supplier can be compared."
    what = f"{grade} for {for_words(use)}"
    first: dict[str, Candidate] = {}
    for one in asked:
        if one.cost is not None and one.cost.expected is not None:
            first.setdefault(one.bought.currency or "", one)
    names = {one.number: one.name for one in asked}
    said = [_cheapest(one, what, names, pairs) for one in first.values()]
    if not first:
        said.append(f"No cost is known for the next order of {what}.")
    if len(first) > 1:
        said.append("Costs in different currencies are not compared.")
    if rare := [one.name for one in asked if one.cost is not None and one.cost.expected is None]:
        said.append(f"Too few lots of {listed(rare)} may be usable.")
    if left := [one.name for one in asked if one.cost is None]:
        said.append(f"The cost of {listed(left)} is unknown.")
    return " ".join(said)


def _cheapest(first: Candidate, what: str, names: Mapping[int, str], pairs: Sequence[CostDifference]) -> str:
    """Returns the supplier with the lowest expected cost in its currency, compared with the others."""
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
    return f"{text} Its difference from {listed(open_)} is unknown." if open_ else text


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
