"""Will a supplier's next lot be accepted for each use, for every use, for at least one: from one set of draws."""

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

# Codes that lots failed, and their verdicts by use: many lots are alike in these.
_Kind = tuple[tuple[str, ...], tuple[tuple[str, bool], ...]]


@dataclass(frozen=True, slots=True)
class ByUse:
    """Forecasts of the next lot for each use, for every use and for at least one, never in contradiction to each other.

    Args:
        uses: use -> its forecast, of the uses that the newest limits name.
        every_use, at_least_one: over these. Nothing is said of every use while nothing can be said of one.
        published: the forecast where no use is asked about: from measurements that every limit of every use is kept, from verdicts alone for at
            least one use.
        verdicts: use, or its words for several, -> whether each lot inspected for it was accepted, oldest first.
    """

    uses: Mapping[str, Forecast]
    every_use: Forecast
    at_least_one: Forecast
    published: Forecast
    verdicts: Mapping[str, Sequence[bool]]

    @property
    def published_for(self) -> str | None:
        """Which uses the published forecast is for, None where nothing can be said."""
        return {"measured": "every_use", "verdicts": "at_least_one_use"}.get(self.published.model)

    def of(self, use: str) -> Forecast:
        """Returns the forecast for a use: that from no verdict where the newest limits do not name it."""
        return self.uses.get(use, NO_FORECAST)


def by_use(ended: Sequence[SeriesLot], limits: Limits | None, model: Drawn | None) -> ByUse:
    """Returns the forecasts of the next lot by use. Drawing is done before, so more uses cost next to nothing more.

    Args:
        ended: lots inspected to an end, oldest first.
        limits: the newest of the grade, None where it has none.
        model: what was drawn from measured figures.

    Notes:
        A use is foretold from the measures that it requires. Whatever else it requires is counted over the lots that were inspected for it. Where
        none of its measures has lots enough, the verdicts for it alone tell.
    """
    required = limits.required() if limits else {use: () for row in ended for use in row.uses}
    uses = {use: required[use] for use in in_order(required)}
    verdicts = {use: [row.uses[use] for row in ended if use in row.uses] for use in uses}
    verdicts[EVERY] = [passed for row in ended if (passed := on_every_use(row.uses, uses)) is not None]
    verdicts[AT_LEAST_ONE] = [bool(row.accepted) for row in ended]
    return _measured(ended, uses, verdicts, model) if model and model.shares else _judged(uses, verdicts)


def _judged(uses: Collection[str], verdicts: Mapping[str, Sequence[bool]]) -> ByUse:
    """The forecasts from verdicts alone. Each allows for a change of its own, so they are held in order."""
    told = {tuple(some): by_verdicts(some) for some in verdicts.values()}
    least = told[tuple(verdicts[AT_LEAST_ONE])]
    each = {use: told[tuple(verdicts[use])].at_most(least) for use in uses}
    every = told[tuple(verdicts[EVERY])]
    return ByUse(each, _of_every(every, each), least, least, verdicts)


def _measured(
    ended: Sequence[SeriesLot],
    uses: Mapping[str, Collection[str]],
    verdicts: Mapping[str, Sequence[bool]],
    model: Drawn,
) -> ByUse:
    """The forecasts from measured figures."""
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
    """Lots counted by what they failed that no drawn part answers for.

    Args:
        kinds: (codes failed, verdicts by use) -> lots alike in these.
        uses: use -> characteristics it requires.
        model: what was drawn.
    """

    kinds: Mapping[_Kind, int]
    uses: Mapping[str, Collection[str]]
    model: Drawn

    def inspected(self, some: Collection[str]) -> Otherwise:
        """Returns (lots that failed nothing else for any of some uses, lots inspected for all of them)."""
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
        """Whether a lot failed any of some characteristics by what no drawn part answers for.

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
    """The forecast for every use, nowhere above that for any."""
    if any(one.probability is None for one in each.values()):
        return NO_FORECAST
    return reduce(Forecast.at_most, each.values(), every)


@cache
def _part_of(code: str) -> str | None:
    """The part of the model that answers for a failure, None where none does."""
    about = JUDGED.get(code)
    if about is None or not about.covered:
        return None
    return COLOR.name if code.startswith(f"{COLOR.name}.") else about.follows or code
