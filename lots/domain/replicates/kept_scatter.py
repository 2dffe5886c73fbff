"""Stored variances of a lot's readings, and their use as prior data for later lots of the grade."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from statistics import fmean, variance
from typing import Any

from lots.domain.replicates.repeats import Repeat

# Largest number of spools and lots in a pool. With 20 degrees of freedom or more, Student's t is near the normal distribution.
MOST = 10

Kept = Mapping[str, Mapping[str, Mapping[str, Any]]]


def kept_scatter(repeats: Iterable[Repeat]) -> dict[str, dict[str, dict[str, Any]]]:
    """Returns the variances of a lot's readings, by figure and instrument, as stored with the lot.

    `within`: number of readings, variance and reading numbers of the newest spools with at least two readings. `between`: number of spools,
    variance of their means and mean of 1 / n, where all spools were measured alike. Readings without a named instrument are left out.

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
    """Returns spools, variance of their means and mean of 1 / n; None below two spools, or where they were not measured alike."""
    if len(groups) < 2 or len({some[0].group for some in groups}) > 1:
        return None
    means = [fmean(one.value for one in some) for some in groups]
    return [len(groups), variance(means), fmean(1 / len(some) for some in groups)]


def lent(of_grade: Sequence[Kept], of_supplier: Sequence[Kept]) -> dict[str, dict[str, dict[str, Any]]]:
    """Returns the earlier variances for a new lot, by figure and instrument, with the numbers of the readings behind them.

    Args:
        of_grade: stored variances of earlier lots of the grade, newest first, for the spread of readings.
        of_supplier: the same of lots of its supplier, newest first, for the differences between spools.

    Notes:
        The result is frozen with the lot, so that voiding a reading of another lot never changes this one.

    Reference:
        JCGM 100:2008, 4.2.4.
    """
    found: dict[str, dict[str, dict[str, Any]]] = {}
    for mine, one in _pairs(found, of_grade):
        for n, of_readings, numbers in reversed(one["within"]):
            if len(mine["within"]) < MOST:
                mine["within"].append([n, of_readings])
                mine["readings"].extend(numbers)
    for mine, one in _pairs(found, of_supplier):
        if one["between"] and len(mine["between"]) < MOST:
            mine["between"].append(one["between"])
    return found


def _pairs(
    found: dict[str, dict[str, dict[str, Any]]], lots: Sequence[Kept]
) -> Iterator[tuple[dict[str, Any], Mapping[str, Any]]]:
    """Yields the new lot's entry and each earlier lot's entry of the same figure and instrument."""
    for lot in lots:
        for figure, each in lot.items():
            for instrument, one in each.items():
                nothing: dict[str, Any] = {"within": [], "between": [], "readings": []}
                yield found.setdefault(figure, {}).setdefault(instrument, nothing), one
