"""Partial order of suppliers on a criterion: significant differences, groups without one, and newcomers with too few lots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, count

from lots.domain.purchasing.supplier_comparison import Comparison
from lots.domain.statistics.confidence_sequences import Sample, means_differ_by, proportions_differ_by
from lots.domain.statistics.proportions import Stratum
from lots.domain.words import counted, listed

# Most words and most suppliers in a sentence; larger groups are described pair by pair.
_WORDS, _NAMES, _GROUP = 25, 3, 6

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Newcomer:
    """A supplier with too few comparable lots for a significant difference, even if the other supplier had as many or more.

    `lots` is the largest number of lots comparable with one other supplier. `lots_needed` is the fewest further lots before a difference can be
    significant.
    """

    supplier: int
    lots: int
    lots_needed: int


@dataclass(frozen=True, slots=True)
class Order:
    """A partial order of suppliers on one criterion.

    Args:
        criterion: a key of CRITERIA.
        better: (better, worse) of each pair that differs significantly.
        groups: levels of the order, the best first. No supplier is worse than one of its own or a later group, unless comparisons over
            different lots contradict each other. Suppliers of different groups need not differ significantly; `alike` lists those pairs.
        newcomers: suppliers without a group.
        alike: pairs without newcomers that were compared and do not differ significantly.
        incomparable: pairs without newcomers that have no lots of the same kind.
    """

    criterion: str
    better: tuple[Pair, ...]
    groups: tuple[tuple[int, ...], ...]
    newcomers: tuple[Newcomer, ...]
    alike: tuple[Pair, ...]
    incomparable: tuple[Pair, ...]


def order_of(criterion: str, suppliers: Sequence[int], comparisons: Sequence[Comparison]) -> Order:
    """Returns the order of suppliers that follows from their pairs.

    Args:
        criterion: a key of CRITERIA.
        suppliers: their numbers.
        comparisons: of every pair, as `supplier_comparison.compare` returns them.

    Notes:
        The error rate of the whole answer is that of `compare`. Its intervals hold simultaneously for every pair, newcomers included
        (Bonferroni), at every look (confidence sequences). With that probability no pair of equal suppliers is in `better`, whichever
        intervals are read. Setting a newcomer aside changes no interval and depends only on numbers of lots, never on their outcome. A pair
        with a newcomer never differs, by definition.

        Each further supplier adds pairs and widens every interval. Two suppliers that differ may then need more lots.

    Reference:
        Bonferroni's inequality: Miller 1981, Simultaneous Statistical Inference, 2nd ed., 1.3 (from memory). Newcomers: own rule, no source.

    Example:
        40 of 40 lots accepted and 15 of 30 differ, although a newcomer has 2 of 2.

        >>> from lots.domain.purchasing.supplier_comparison import LotResult, compare
        >>> record = {1: (40, 40), 2: (15, 30), 3: (2, 2)}
        >>> lots = {who: [LotResult(place < good, "s") for place in range(n)] for who, (good, n) in record.items()}
        >>> found = order_of("acceptance", [1, 2, 3], compare(lots))
        >>> found.better, found.groups
        (((1, 2),), ((1,), (2,)))
        >>> found.newcomers
        (Newcomer(supplier=3, lots=2, lots_needed=1),)
    """
    pairs = [one for one in comparisons if one.criterion == criterion]
    newcomers = tuple(
        made
        for supplier in sorted(suppliers)
        if (made := _newcomer(supplier, [one for one in pairs if supplier in (one.first, one.second)]))
    )
    new = {one.supplier for one in newcomers}
    known = sorted(set(suppliers) - new)
    compared = [one for one in pairs if new.isdisjoint((one.first, one.second))]
    better = sorted(
        (one.first, one.second) if one.better == 1 else (one.second, one.first) for one in compared if one.better
    )
    open_ = [one for one in compared if one.better is None]
    return Order(
        criterion,
        tuple(better),
        _levels(known, better),
        newcomers,
        tuple(sorted((one.first, one.second) for one in open_ if one.difference is not None)),
        tuple(sorted((one.first, one.second) for one in open_ if one.difference is None)),
    )


def _newcomer(supplier: int, pairs: Sequence[Comparison]) -> Newcomer | None:
    """Returns the supplier as a newcomer; None where it could differ from another with as many lots, or where there is no other."""
    if not pairs or any(one.better for one in pairs):
        return None
    counts = [
        (one.n_first, one.n_second, one.confidence)
        if one.first == supplier
        else (one.n_second, one.n_first, one.confidence)
        for one in pairs
    ]
    criterion = pairs[0].criterion
    # A supplier with more lots than the other is no newcomer because of that pair.
    if any(could_differ(criterion, mine, max(mine, theirs), sure) for mine, theirs, sure in counts):
        return None
    needed = min(_lots_needed(criterion, *each) for each in counts)
    return Newcomer(supplier, max(mine for mine, _, _ in counts), needed)


@lru_cache(maxsize=4096)
def could_differ(criterion: str, lots: int, others: int, confidence: float) -> bool:
    """Returns whether any outcome of this many lots of two suppliers could differ significantly.

    Args:
        criterion: a key of CRITERIA.
        lots, others: lots of the same kind of either supplier, >= 0.
        confidence: of the confidence sequence of their difference, 0 < confidence < 1.

    Notes:
        The best case has all lots in one stratum, since each further stratum costs evidence. Shares differ most where every lot of one supplier
        and none of the other is accepted. For means the sequence is unbounded with too few values, whatever they are. The distance of a
        supplier's first lot from its own mean is unknown.

    Example:
        >>> could_differ("acceptance", 2, 40, 0.994), could_differ("acceptance", 8, 40, 0.994)
        (False, True)
    """
    if criterion == "acceptance":
        if not (lots and others):
            return False
        ahead = proportions_differ_by([Stratum(lots, lots, 0, others)], confidence)
        behind = proportions_differ_by([Stratum(0, lots, others, others)], confidence)
        return ahead.low > 0 or behind.high < 0
    unseen = 1 if criterion == "steadiness" else 0
    mine, theirs = lots - unseen, others - unseen
    if mine < 1 or theirs < 1:
        return False
    return means_differ_by(Sample((mine,), (0.0,), 1.0), Sample((theirs,), (0.0,), 1.0), confidence) is not None


def _lots_needed(criterion: str, lots: int, others: int, confidence: float) -> int:
    """Returns the fewest further lots before a difference can be significant, if the other supplier then has at least as many."""
    return next(more for more in count(1) if could_differ(criterion, lots + more, max(others, lots + more), confidence))


def _levels(suppliers: Sequence[int], better: Sequence[Pair]) -> tuple[tuple[int, ...], ...]:
    """Returns suppliers by the length of the longest chain of better ones.

    Comparisons over different lots may form a cycle. Suppliers in a cycle share a level.
    """
    above = {one: {good for good, bad in better if bad == one} for one in suppliers}
    for middle in suppliers:
        for one in suppliers:
            if middle in above[one]:
                above[one] |= above[middle]
    strictly = {one: {good for good in above[one] if one not in above[good]} for one in suppliers}
    level: dict[int, int] = {}
    # A better supplier has fewer strictly above it, so this is a topological order.
    for one in sorted(suppliers, key=lambda number: len(strictly[number])):
        level[one] = 1 + max((level[good] for good in strictly[one]), default=-1)
    return tuple(
        tuple(one for one in suppliers if level[one] == number) for number in range(max(level.values(), default=-1) + 1)
    )


def better_than(criterion: str, what: str) -> str:
    """Returns the phrase for a significant difference.

    Args:
        criterion: a key of CRITERIA.
        what: the use that lots are accepted for, in words.

    Example:
        >>> better_than("steadiness", "cosmetic")
        'is significantly steadier in colour than'
    """
    return {
        "acceptance": f"has significantly more lots accepted the first time for {what} than",
        "closeness": "is significantly nearer the reference than",
        "steadiness": "is significantly steadier in colour than",
    }[criterion]


def in_words(order: Order, names: Mapping[int, str], what: str) -> str:
    """Returns the order in sentences: significant differences, pairs without one, and newcomers.

    Args:
        order: of suppliers.
        names: number -> name of a supplier.
        what: the use that lots are accepted for, in words.

    Example:
        >>> seen = Order("steadiness", ((1, 3), (1, 4)), ((1, 2), (3, 4)), (), ((1, 2), (2, 3), (2, 4), (3, 4)), ())
        >>> print(in_words(seen, {1: "A", 2: "B", 3: "C", 4: "D"}, "cosmetic"))
        A is significantly steadier in colour than C and D. A and B do not differ significantly. C and D do not differ significantly. B does not differ significantly from C or D.
    """
    said = [*_better(order, names, better_than(order.criterion, what)), *_alike(order, names)]
    said += [
        f"{names[one]} and {names[two]} have no lots of the same kind to compare." for one, two in order.incomparable
    ]
    said += [newcomer_in_words(one, names) for one in order.newcomers]
    return " ".join(said) or "There is no other supplier to compare with."


def newcomer_in_words(newcomer: Newcomer, names: Mapping[int, str]) -> str:
    """Returns the numbers of lots that a newcomer has and still needs, in words.

    Example:
        >>> newcomer_in_words(Newcomer(3, 2, 4), {3: "Sedge"})
        'Sedge has 2 lots to compare, too few for a significant difference. At least 4 more lots are needed.'
    """
    name = names[newcomer.supplier]
    if not newcomer.lots:
        needed = counted(newcomer.lots_needed, "lot is", "lots are")
        return f"{name} has no lots of the same kind as another supplier. At least {needed} needed for a significant difference."
    more = counted(newcomer.lots_needed, "more lot is", "more lots are")
    has = counted(newcomer.lots, "lot")
    return f"{name} has {has} to compare, too few for a significant difference. At least {more} needed."


def _better(order: Order, names: Mapping[int, str], how: str) -> list[str]:
    worse: dict[int, list[int]] = {}
    for good, bad in order.better:
        worse.setdefault(good, []).append(bad)
    return [
        sentence
        for group in order.groups
        for one in group
        for sentence in _short(f"{names[one]} {how}", [names[bad] for bad in worse.get(one, [])], "and")
    ]


def _alike(order: Order, names: Mapping[int, str]) -> list[str]:
    """Returns sentences on suppliers that do not differ significantly: whole groups first, then the remaining pairs."""
    known = [one for group in order.groups for one in group]
    if len(order.alike) == len(known) * (len(known) - 1) // 2 > 1:
        return [f"No two of these {len(known)} suppliers differ significantly."]
    left, said = set(order.alike), []
    for group in order.groups:
        inner = {(min(pair), max(pair)) for pair in combinations(group, 2)}
        whole = f"{listed([names[one] for one in group])} do not differ significantly."
        if 1 < len(group) <= _GROUP and inner <= left and len(whole.split()) <= _WORDS:
            left -= inner
            said.append(whole)
    for place, one in enumerate(known):
        others = [two for two in known[place + 1 :] if (min(one, two), max(one, two)) in left]
        said += _short(f"{names[one]} does not differ significantly from", [names[two] for two in others], "or")
    return said


def _short(begin: str, names: Sequence[str], last: str) -> list[str]:
    """Returns sentences that each name as many of these suppliers as their length allows."""
    some: list[list[str]] = []
    for name in names:
        longer = [*some[-1], name] if some else []
        if longer and len(longer) <= _NAMES and len(f"{begin} {listed(longer, last)}".split()) <= _WORDS:
            some[-1] = longer
        else:
            some.append([name])
    return [f"{begin} {listed(each, last)}." for each in some]
