"""Few series on the week's list are steady ones: whole invented shops, with good news and noise to leave out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np

from lots.domain.drift.reported import FALSE_DISCOVERY_RATE
from tests.promises.promise import Promise, Rate
from tests.trial.invented import TRUE, invented

# So many shops take 20 seconds.
SHOPS = 60


def moving(found: Mapping[str, Any]) -> list[tuple[int, int, str]]:
    """The series on a list: supplier, grade and measure, in order."""
    return [(one["supplier_id"], one["grade_id"], one["measure"]) for one in found["items"] if one["measure"]]


def false_of(lists: Sequence[Sequence[tuple[int, int, str]]]) -> Rate:
    """How often one random series of a list is steady; an empty list has none.

    Its probability is the false discovery rate, the mean share of false entries. One draw per list makes the draws independent and the
    binomial interval exact; entries of one list depend on each other.
    """
    rng = np.random.default_rng(11)
    drawn = [rng.choice(len(one)) if one else None for one in lists]
    return Rate(sum(at is not None and one[at] not in TRUE for one, at in zip(lists, drawn, strict=True)), len(lists))


def false_entries(*, drifts: bool, shops: int = SHOPS) -> Rate:
    """How often a drift entry is false, in shops where one supplier drifts or none does."""
    return false_of([moving(invented(seed, drifts=drifts).week()) for seed in range(shops)])


_AT_MOST = f"at most {100 * FALSE_DISCOVERY_RATE:g} %"

PROMISES: tuple[Promise, ...] = (
    Promise(
        "week's list, 150 lots, one of four suppliers drifts: false drift entries",
        _AT_MOST,
        "8 of 10 entries noise or good news",
        partial(false_entries, drifts=True),
        high=FALSE_DISCOVERY_RATE,
    ),
    Promise(
        "week's list, 150 lots, no supplier drifts: any drift entry",
        _AT_MOST,
        "not given",
        partial(false_entries, drifts=False),
        high=FALSE_DISCOVERY_RATE,
    ),
)
