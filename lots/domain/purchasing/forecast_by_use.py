"""Forecast of the acceptance of a supplier's next lot for each use, for every use and for at least one, from one set of draws."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, reduce

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.registry import DECLARED, JUDGED
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, in_order, on_every_use
from lots.domain.purchasing.forecast import NO_FORECAST, Drawn, Forecast, Otherwise, by_verdicts

# Failed codes and verdicts by use; lots that agree in both are counted together.
_Kind = tuple[tuple[str, ...], tuple[tuple[str, bool], ...]]


@dataclass(frozen=True, slots=True)
class ByUse:
    """Consistent forecasts of the next lot for each use, for every use and for at least one.

    Args:
        uses: use -> its forecast, for the uses that the newest limits name.
        every_use, at_least_one: over these. `every_use` is unknown while any use is unknown.
        published: the forecast without a use: from measurements for every limit of every use, from verdicts alone for at least one use.
        verdicts: use, or its words for several, -> whether each inspected lot was accepted, oldest first.
    """

    uses: Mapping[str, Forecast]
    every_use: Forecast
    at_least_one: Forecast
    published: Forecast
    verdicts: Mapping[str, Sequence[bool]]

    @property
    def published_for(self) -> str | None:
        """The uses of the published forecast, None where it is unknown."""
        return {"measured": "every_use", "verdicts": "at_least_one_use"}.get(self.published.model)

    def of(self, use: str) -> Forecast:
        """Returns the forecast for a use: `NO_FORECAST` where the newest limits do not name it."""
        return self.uses.get(use, NO_FORECAST)


def by_use(ended: Sequence[SeriesLot], limits: Limits | None, model: Drawn | None) -> ByUse:
    """Returns the forecasts of the next lot by use, from draws that were made before.

    Args:
        ended: inspected lots, oldest first.
        limits: the newest of the grade, None where it has none.
        model: draws from measured values.

    Notes:
        A use is forecast from the measures that it requires. Its other requirements are counted over the lots inspected for it. Where no
        measure has enough lots, the forecast is from the verdicts for this use alone.
    """
    required = limits.required() if limits else {use: () for row in ended for use in row.uses}
    uses = {use: required[use] for use in in_order(required)}
    verdicts = {use: [row.uses[use] for row in ended if use in row.uses] for use in uses}
    verdicts[EVERY] = [passed for row in ended if (passed := on_every_use(row.uses, uses)) is not None]
    verdicts[AT_LEAST_ONE] = [bool(row.accepted) for row in ended]
    return _measured(ended, uses, verdicts, model) if model and model.shares else _judged(uses, verdicts)


def _judged(uses: Collection[str], verdicts: Mapping[str, Sequence[bool]]) -> ByUse:
    """Returns the forecasts from verdicts alone. Each allows for its own change, so their order is enforced."""
    forecasts = {tuple(some): by_verdicts(some) for some in verdicts.values()}
    least = forecasts[tuple(verdicts[AT_LEAST_ONE])]
    each = {use: forecasts[tuple(verdicts[use])].at_most(least) for use in uses}
    every = forecasts[tuple(verdicts[EVERY])]
    return ByUse(each, _of_every(every, each), least, least, verdicts)


def _measured(
    ended: Sequence[SeriesLot],
    uses: Mapping[str, Collection[str]],
    verdicts: Mapping[str, Sequence[bool]],
    model: Drawn,
) -> ByUse:
    """Returns the forecasts from measured values."""
    counts = _Counts(Counter((tuple(row.failed), tuple(row.uses.items())) for row in ended), uses, model)
    needs = {use: [part for part in model.shares if part.partition(".")[0] in uses[use]] for use in uses}
    each = {use: model.forecast(needs[use], counts.inspected((use,))) or by_verdicts(verdicts[use]) for use in uses}
    every = model.forecast(model.shares, counts.inspected(uses)) or NO_FORECAST
    published = model.forecast(model.shares, counts.all(uses)) or NO_FORECAST
    least = model.at_least_one(needs, counts.inspected) or NO_FORECAST
    least = reduce(Forecast.at_least, each.values(), least)
    return ByUse(each, _of_every(every, each), least, published, verdicts)


@dataclass(frozen=True, slots=True)
class _Counts:
    """Lots counted by failures that no part of the model covers.

    Args:
        kinds: (failed codes, verdicts by use) -> number of lots.
        uses: use -> characteristics it requires.
        model: the draws.
    """

    kinds: Mapping[_Kind, int]
    uses: Mapping[str, Collection[str]]
    model: Drawn

    def inspected(self, some: Collection[str]) -> Otherwise:
        """Returns (lots without other failures for any of some uses, lots inspected for all of them)."""
        return self._of({kind: n for kind, n in self.kinds.items() if dict(kind[1]).keys() >= set(some)}, some)

    def all(self, some: Collection[str]) -> Otherwise:
        """Returns the same over all lots."""
        return self._of(self.kinds, some)

    def _of(self, kinds: Mapping[_Kind, int], some: Collection[str]) -> Otherwise:
        names = {name for use in some for name in self.uses[use]}
        bad = sum(
            n for (failed, uses), n in kinds.items() if self._failed_else(failed, names, on_every_use(dict(uses), some))
        )
        seen = sum(kinds.values())
        return seen - bad, seen

    def _failed_else(self, failed: Sequence[str], characteristics: Collection[str], accepted: bool | None) -> bool:
        """Returns whether a lot failed any of some characteristics in a measure that no part of the model covers.

        A failed sampling plan belongs to no characteristic: it counts unless the lot was accepted for all of the uses.
        """
        for code in failed:
            of = code.partition(".")[0]
            if of in DECLARED:
                if of in characteristics and _part_of(code) not in self.model.shares:
                    return True
            elif not accepted:
                return True
        return False


def _of_every(every: Forecast, each: Mapping[str, Forecast]) -> Forecast:
    """Returns the forecast for every use, limited by that for each use."""
    if any(one.probability is None for one in each.values()):
        return NO_FORECAST
    return reduce(Forecast.at_most, each.values(), every)


@cache
def _part_of(code: str) -> str | None:
    """Returns the part of the model that covers a failure, None without one."""
    about = JUDGED.get(code)
    if about is None or not about.covered:
        return None
    return COLOR.name if code.startswith(f"{COLOR.name}.") else about.follows or code
