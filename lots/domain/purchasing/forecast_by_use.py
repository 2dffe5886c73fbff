"""Will a supplier's next lot be accepted for each use, for every use, for at least one: from one set of draws."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, reduce

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.registry import DECLARED, JUDGED
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, in_order, on_every_use
from lots.domain.purchasing.forecast import Drawn, Forecast, by_verdicts


@dataclass(frozen=True, slots=True)
class ByUse:
    """Forecasts of the next lot for each use, for every use and for at least one, never in contradiction to each other.

    Args:
        uses: use -> its forecast, of the uses that the newest limits name.
        every_use, at_least_one: over these.
        verdicts: use, or its words for several, -> whether each lot inspected for it was accepted, oldest first.
        measured: whether any measure has lots enough for a model of its figures.
    """

    uses: Mapping[str, Forecast]
    every_use: Forecast
    at_least_one: Forecast
    verdicts: Mapping[str, Sequence[bool]]
    measured: bool

    @property
    def published(self) -> Forecast:
        """The forecast that no use was asked about for."""
        return self.every_use if self.measured else self.at_least_one

    @property
    def published_for(self) -> str | None:
        """Which uses that is for, None where nothing can be said."""
        if self.published.probability is None:
            return None
        return "every_use" if self.measured else "at_least_one_use"

    def of(self, use: str) -> Forecast:
        """Returns the forecast for a use: that from no verdict where the newest limits do not name it."""
        return self.uses.get(use) or by_verdicts([])


def by_use(ended: Sequence[SeriesLot], limits: Limits | None, model: Drawn | None) -> ByUse:
    """Returns the forecasts of the next lot by use. Drawing is done before, so more uses cost next to nothing more.

    Args:
        ended: lots inspected to an end, oldest first.
        limits: the newest of the grade, None where it has none.
        model: what was drawn from measured figures.
    """
    required = limits.required() if limits else {use: () for row in ended for use in row.uses}
    uses = {use: required[use] for use in in_order(required)}
    verdicts = {use: [row.uses[use] for row in ended if use in row.uses] for use in uses}
    on_every = [on_every_use(row.uses, uses) for row in ended]
    verdicts[EVERY] = [passed for passed in on_every if passed is not None]
    verdicts[AT_LEAST_ONE] = [bool(row.accepted) for row in ended]
    judged = {name: by_verdicts(passed) for name, passed in verdicts.items()}
    if model is None or not model.shares:
        found = {use: judged[use].at_most(judged[AT_LEAST_ONE]) for use in uses}
        every = reduce(lambda least, one: least.at_most(one), found.values(), judged[EVERY])
        return ByUse(found, every, judged[AT_LEAST_ONE], verdicts, measured=False)
    needs = {use: _parts_of(required[use], model) for use in uses}

    def otherwise(some: Collection[str]) -> tuple[int, int]:
        names = {name for use in some for name in uses[use]}
        return sum(not _failed_else(row, some, names, model) for row in ended), len(ended)

    found = {use: model.forecast(needs[use], otherwise((use,))) or judged[use] for use in uses}
    every = model.forecast(model.shares, otherwise(tuple(uses))) or judged[EVERY]
    least = model.at_least_one(needs, otherwise) or judged[AT_LEAST_ONE]
    for one in found.values():
        every, least = every.at_most(one), least.at_least(one)
    return ByUse(found, every, least, verdicts, measured=True)


def _parts_of(characteristics: Collection[str], model: Drawn) -> list[str]:
    """The drawn parts that belong to some characteristics."""
    return [part for part in model.shares if part.partition(".")[0] in characteristics]


def _failed_else(row: SeriesLot, uses: Collection[str], characteristics: Collection[str], model: Drawn) -> bool:
    """Whether a lot failed something for any of these uses that no drawn part answers for.

    A failed sampling plan belongs to no characteristic: it counts unless the lot was accepted for all of these uses.
    """
    for code in row.failed:
        of = code.partition(".")[0]
        if of in DECLARED:
            failed = of in characteristics and _part_of(code) not in model.shares
        else:
            failed = on_every_use(row.uses, uses) is not True
        if failed:
            return True
    return False


@cache
def _part_of(code: str) -> str | None:
    """The part of the model that answers for a failure, None where none does."""
    about = JUDGED.get(code)
    if about is None or not about.covered:
        return None
    return COLOR.name if code.startswith(f"{COLOR.name}.") else about.follows or code
