"""What is kept of how a lot's readings scatter, and what later lots of its grade are given of it when they are first judged."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from statistics import fmean, variance
from typing import Any

from lots.domain.replicates.repeats import Repeat

# So many spools and lots lend their scatter. Twenty degrees of freedom and more bring Student's t near the normal distribution.
MOST = 10

Kept = Mapping[str, Mapping[str, Mapping[str, Any]]]


def kept_scatter(repeats: Iterable[Repeat]) -> dict[str, dict[str, dict[str, Any]]]:
    """Returns how the readings of a lot scatter, by figure and instrument, as it is kept on the lot.

    Of the newest spools that were read at least twice: the number of readings, their variance and their numbers (`within`). Of all spools, where
    each was read alike: their number, the variance of their means and the mean of 1 / n (`between`). Readings without a named instrument
    tell nothing of others.

    Args:
        repeats: of one lot, in the order they were recorded.
    """
    groups: dict[tuple[str, str], dict[tuple[Any, ...], list[Repeat]]] = {}
    for one in repeats:
        if one.counts and one.instrument:
            groups.setdefault((one.figure, one.instrument), {}).setdefault(one.kin, []).append(one)
    found: dict[str, dict[str, dict[str, Any]]] = {}
    for (figure, instrument), kin in groups.items():
        repeated = [some for some in kin.values() if len(some) > 1][-MOST:]
        within = [[len(some), variance(one.value for one in some), [one.reading for one in some]] for some in repeated]
        found.setdefault(figure, {})[instrument] = {"within": within, "between": _between(list(kin.values()))}
    return found


def _between(groups: Sequence[Sequence[Repeat]]) -> list[float] | None:
    """Spools, variance of their means and mean of 1 / n; None of fewer than two, or where they were not read alike."""
    if len(groups) < 2 or len({some[0].group for some in groups}) > 1:
        return None
    means = [fmean(one.value for one in some) for some in groups]
    return [len(groups), variance(means), fmean(1 / len(some) for some in groups)]


def lent(of_grade: Sequence[Kept], of_supplier: Sequence[Kept]) -> dict[str, dict[str, dict[str, Any]]]:
    """Returns what a lot is given when it is first judged, by figure and instrument, with the numbers of the readings it rests on.

    Args:
        of_grade: what is kept of earlier lots of the grade, newest first: they tell how readings scatter.
        of_supplier: the same of those of its supplier, newest first: they tell how spools of a lot differ.

    Notes:
        It is frozen with the lot, so that voiding a reading of another lot never moves this one.

    Reference:
        JCGM 100:2008, 4.2.4.
    """
    found: dict[str, dict[str, dict[str, Any]]] = {}
    for mine, one in _beside(found, of_grade):
        for n, of_readings, numbers in reversed(one["within"]):
            if len(mine["within"]) < MOST:
                mine["within"].append([n, of_readings])
                mine["readings"].extend(numbers)
    for mine, one in _beside(found, of_supplier):
        if one["between"] and len(mine["between"]) < MOST:
            mine["between"].append(one["between"])
    return found


def _beside(
    found: dict[str, dict[str, dict[str, Any]]], lots: Sequence[Kept]
) -> Iterator[tuple[dict[str, Any], Mapping[str, Any]]]:
    """Each thing that is kept of some lots, beside what the new lot has of the same figure and instrument."""
    for lot in lots:
        for figure, each in lot.items():
            for instrument, one in each.items():
                nothing: dict[str, Any] = {"within": [], "between": [], "readings": []}
                yield found.setdefault(figure, {}).setdefault(instrument, nothing), one
