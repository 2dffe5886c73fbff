"""The order of suppliers on a criterion: who differs significantly from whom, groups of those who do not, and newcomers with too few lots to tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, count

from lots.domain.purchasing.supplier_comparison import Comparison
from lots.domain.statistics.confidence_sequences import Sample, means_differ_by, proportions_differ_by
from lots.domain.statistics.proportions import Stratum
from lots.domain.words import counted, listed

# Words of a sentence at most, and suppliers that it names at most; a larger group is told pair by pair.
_WORDS, _NAMES, _GROUP = 25, 3, 6

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Newcomer:
    """A supplier with too few lots of the same kind as another's to differ significantly from anybody, had the other as many or more.

    `lots` has the most lots that it shares with one other supplier. `lots_needed` more are the fewest after which a difference can be significant.
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
        groups: levels of the order, the best first. Nobody has a better one in the own or a later group, unless comparisons over
            different lots contradict each other. Suppliers of different groups need not differ significantly; `alike` says which do not.
        newcomers: who is in no group.
        alike: pairs, newcomers left out, that were compared and do not differ significantly.
        incomparable: pairs, newcomers left out, that have no lots of the same kind.
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
        The error of the whole answer stays at what `compare` promises. Its intervals hold together for every pair, newcomers included
        (Bonferroni), at every look (confidence sequences). With that probability no pair of suppliers who are alike is in `better`, whatever
        else is read off the same intervals. Setting a newcomer aside changes no interval. It rests on numbers of lots alone, never on their
        outcome, so nobody is set aside for how good or bad the lots were. A pair of a newcomer never differs, by what a newcomer is.

        Each supplier who joins adds pairs, so that every interval of the others gets wider. Two who differ may then need more lots.

    Reference:
        Bonferroni's inequality: Miller 1981, Simultaneous Statistical Inference, 2nd ed., 1.3 (from memory). Newcomers: own rule, no source.

    Example:
        40 of 40 lots accepted beside 15 of 30 differ, although a newcomer has 2 of 2.

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
    told = [one for one in pairs if new.isdisjoint((one.first, one.second))]
    better = sorted(
        (one.first, one.second) if one.better == 1 else (one.second, one.first) for one in told if one.better
    )
    open_ = [one for one in told if one.better is None]
    return Order(
        criterion,
        tuple(better),
        _levels(known, better),
        newcomers,
        tuple(sorted((one.first, one.second) for one in open_ if one.difference is not None)),
        tuple(sorted((one.first, one.second) for one in open_ if one.difference is None)),
    )


def _newcomer(supplier: int, pairs: Sequence[Comparison]) -> Newcomer | None:
    """The supplier as a newcomer; None where it could differ from another with as many lots, or where there is no other."""
    if not pairs or any(one.better for one in pairs):
        return None
    counts = [
        (one.n_first, one.n_second, one.confidence)
        if one.first == supplier
        else (one.n_second, one.n_first, one.confidence)
        for one in pairs
    ]
    criterion = pairs[0].criterion
    # Where the other one has fewer lots, it is the other one that lacks them.
    if any(could_differ(criterion, mine, max(mine, theirs), sure) for mine, theirs, sure in counts):
        return None
    needed = min(_lots_needed(criterion, *each) for each in counts)
    return Newcomer(supplier, max(mine for mine, _, _ in counts), needed)


@lru_cache(maxsize=4096)
def could_differ(criterion: str, lots: int, others: int, confidence: float) -> bool:
    """Returns whether any outcome of so many lots of two suppliers could differ significantly.

    Args:
        criterion: a key of CRITERIA.
        lots, others: of the same kind of either supplier, >= 0.
        confidence: of the confidence sequence of their difference, 0 < confidence < 1.

    Notes:
        The best case has all lots in one stratum, since each further one costs evidence. Shares differ most where every lot of one supplier and
        none of the other is accepted. Of means the sequence reaches everywhere while there are too few values, whatever they are. The distance of
        a supplier's first lot from its own mean is not known.

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
    """The fewest further lots after which a difference can be significant, if the other supplier has at least as many by then."""
    return next(more for more in count(1) if could_differ(criterion, lots + more, max(others, lots + more), confidence))


def _levels(suppliers: Sequence[int], better: Sequence[Pair]) -> tuple[tuple[int, ...], ...]:
    """Suppliers by the longest chain of better ones above each.

    Comparisons over different lots may contradict each other in a ring. Those of a ring share a level.
    """
    above = {one: {good for good, bad in better if bad == one} for one in suppliers}
    for middle in suppliers:
        for one in suppliers:
            if middle in above[one]:
                above[one] |= above[middle]
    strictly = {one: {good for good in above[one] if one not in above[good]} for one in suppliers}
    level: dict[int, int] = {}
    # Whoever is strictly above another has fewer strictly above itself.
    for one in sorted(suppliers, key=lambda number: len(strictly[number])):
        level[one] = 1 + max((level[good] for good in strictly[one]), default=-1)
    return tuple(
        tuple(one for one in suppliers if level[one] == number) for number in range(max(level.values(), default=-1) + 1)
    )


def better_than(criterion: str, what: str) -> str:
    """Returns how a sentence says that one supplier is better than another.

    Args:
        criterion: a key of CRITERIA.
        what: the use that lots are accepted for, in words.

    Example:
        >>> better_than("steadiness", "cosmetic")
        'is significantly steadier in colour than'
    """
    return {
        "acceptance": f"has significantly more lots accepted the first time for {what} than",
        "closeness": "lies significantly nearer the reference than",
        "steadiness": "is significantly steadier in colour than",
    }[criterion]


def in_words(order: Order, names: Mapping[int, str], what: str) -> str:
    """Returns the order in sentences: who is better than whom, who do not differ significantly, and which newcomers are set aside.

    Args:
        order: of suppliers.
        names: number -> what to call a supplier.
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
    """Returns how many lots a newcomer has and still needs.

    Example:
        >>> newcomer_in_words(Newcomer(3, 2, 4), {3: "Sedge"})
        'Sedge has 2 lots to compare, too few for a significant difference from anybody. At least 4 more lots are needed.'
    """
    name = names[newcomer.supplier]
    if not newcomer.lots:
        needed = counted(newcomer.lots_needed, "lot is", "lots are")
        return f"{name} has no lots of the same kind as another supplier. At least {needed} needed for a significant difference."
    more = counted(newcomer.lots_needed, "more lot is", "more lots are")
    has = counted(newcomer.lots, "lot")
    return f"{name} has {has} to compare, too few for a significant difference from anybody. At least {more} needed."


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
    """Who do not differ significantly: whole groups first, then the pairs that are left."""
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
    """Sentences that each name some of these suppliers, as many as its length allows."""
    some: list[list[str]] = []
    for name in names:
        longer = [*some[-1], name] if some else []
        if longer and len(longer) <= _NAMES and len(f"{begin} {listed(longer, last)}".split()) <= _WORDS:
            some[-1] = longer
        else:
            some.append([name])
    return [f"{begin} {listed(each, last)}." for each in some]
