"""Uncertainty of means from their readings, stored variances of earlier spools and lots, and the instrument."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from lots.domain.characteristics.declaring.origin import origin_of
from lots.domain.conformity.rule_versions import CURRENT, THIRD
from lots.domain.statistics.summaries import nested_uncertainty, standard_error, worst_known
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.nested_means import (
    NOTHING,
    Between,
    Earlier,
    Repeated,
    Rows,
    between_spools,
    lot_mean,
    spool_means,
    with_instrument,
)

Columns = tuple[Uncertainty, ...]


@dataclass(frozen=True, slots=True)
class Instrument:
    """The largest uncertainty and resolution of the instruments of some readings, in the unit of the figure.

    Args:
        uncertainty, resolution: None where one is unknown.
        code: of the only instrument, "" where not named, None for several.
    """

    uncertainty: float | None = None
    resolution: float | None = None
    code: str | None = ""

    @classmethod
    def of(cls, readings: Sequence[Any], scale: float = 1.0) -> Instrument:
        """Returns the instrument of readings; `scale` is the change of the figure per unit of its reading."""
        own, step = worst_known(r.uncertainty for r in readings), worst_known(r.resolution for r in readings)
        codes = {origin_of(reading).instrument or "" for reading in readings}
        own, step = (None if part is None else scale * part for part in (own, step))
        return cls(own, step, codes.pop() if len(codes) == 1 else None)


@dataclass(frozen=True, slots=True)
class Estimate:
    """The method and the earlier data for the uncertainty of a lot's means.

    Args:
        rules: version of the rules. Before the fourth only the mean's own readings count, and their variance is taken as known.
        earlier: figure -> code of the instrument -> variances of earlier spools and lots.
        spools_in_lot: None for any number.
    """

    rules: int = CURRENT
    earlier: Mapping[str, Mapping[str, Earlier]] = field(default_factory=dict)
    spools_in_lot: int | None = None

    @property
    def lengths(self) -> bool:
        """True when differences are assessed as lengths."""
        return self.rules > THIRD

    def single(self, by: Instrument) -> Uncertainty | None:
        """Returns the uncertainty of one reading from its instrument, None where unknown."""
        own = replace(by, resolution=by.resolution if self.lengths else None)
        found = with_instrument(None, own.uncertainty, own.resolution)
        return found[0] if found else None

    def of_repeats(self, rows: Rows, by: Instrument) -> Columns | None:
        """Returns the uncertainty of the mean of some rows from their spread and their instrument; None where unknown."""
        if not self.lengths:
            return _older_mean(rows, by)
        return with_instrument(spool_means([rows])[0], by.uncertainty, by.resolution, len(rows[0]))

    def of_spools(
        self, figures: Sequence[str], rows: Mapping[str, Rows], by: Mapping[str, Instrument]
    ) -> dict[str, Columns | None]:
        """Returns the uncertainty of the mean of each spool of a lot, per figure; None where unknown.

        Args:
            figures: codes of the columns of a row.
            rows: spool -> readings, at least one.
            by: spool -> their instrument.
        """
        if not self.lengths:
            return {spool: _older_mean(some, by[spool]) for spool, some in rows.items()}
        found: dict[str, Columns | None] = {}
        for code, group in _by_instrument(by):
            scatter = spool_means([rows[spool] for spool in group], self._earlier(figures, code))
            for spool, one in zip(group, scatter, strict=True):
                found[spool] = with_instrument(one, by[spool].uncertainty, by[spool].resolution, len(figures))
        return found

    def of_lot(
        self, figures: Sequence[str], groups: Sequence[Rows], by: Instrument, *, by_reading: bool = False
    ) -> Columns | None:
        """Returns the uncertainty of the mean of a lot, per figure; None where unknown.

        Args:
            figures: codes of the columns of a row.
            groups: rows per spool, at least one spool with at least one row.
            by: their instrument.
            by_reading: True where each reading has equal weight in the mean, False where each spool has.
        """
        if not self.lengths:
            return _older_lot(groups, by, by_reading)
        scatter = lot_mean(groups, self.spools_in_lot, self._earlier(figures, by.code), by_reading=by_reading)
        return with_instrument(scatter, by.uncertainty, by.resolution, len(figures))

    def between_spools(self, figures: Sequence[str], groups: Sequence[Rows], by: Instrument) -> Columns | None:
        """Returns the part of `of_lot` due to differences between spools, None where all spools were measured."""
        return between_spools(groups, self.spools_in_lot, self._earlier(figures, by.code))

    def _earlier(self, figures: Sequence[str], code: str | None) -> Earlier:
        """Returns the earlier data of these figures together, nothing for several instruments or an unknown one."""
        each = [self.earlier.get(figure, {}).get(code or "") for figure in figures]
        known = [one for one in each if one is not None]
        if not code or len(known) < len(each):
            return NOTHING
        within = zip(*(one.within for one in known), strict=False)
        between = zip(*(one.between for one in known), strict=False)
        return Earlier(
            tuple(Repeated(some[0].n, tuple(one.variance[0] for one in some)) for some in within),
            tuple(Between(some[0].k, tuple(one.variance[0] for one in some), some[0].per_reading) for some in between),
        )


# Uses a mean's own readings only, under the newest rules.
OWN = Estimate()


def earlier_from(kept: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Earlier]]:
    """Returns the earlier variances stored with a lot (`lots.domain.replicates.kept_scatter`)."""
    return {
        figure: {
            code: Earlier(
                tuple(Repeated(n, (v,)) for n, v in one["within"]),
                tuple(Between(k, (v,), per_reading) for k, v, per_reading in one["between"]),
            )
            for code, one in by_instrument.items()
        }
        for figure, by_instrument in kept.items()
    }


def _by_instrument(by: Mapping[str, Instrument]) -> Iterator[tuple[str | None, list[str]]]:
    """Yields the spools of each instrument with its code. A spool measured with several instruments is yielded alone."""
    for code in {one.code for one in by.values()}:
        alike = [spool for spool, one in by.items() if one.code == code]
        yield from ((code, group) for group in ([alike] if code is not None else [[spool] for spool in alike]))


def _older_mean(rows: Rows, by: Instrument) -> Columns | None:
    """Returns the uncertainty of a mean under rules before version 4."""
    own, scatter = (standard_error(rows, instrument, by.resolution) for instrument in (by.uncertainty, None))
    return _as_known(own, scatter, by.uncertainty)


def _older_lot(groups: Sequence[Rows], by: Instrument, by_reading: bool) -> Columns | None:
    """Returns the uncertainty of a lot mean under rules before version 4."""
    if by_reading:
        total, scatter = nested_uncertainty(
            [[row[0] for row in rows] for rows in groups], by.uncertainty, by.resolution
        )
        own, scattered = (None if part is None else (part,) for part in (total, scatter))
        return _as_known(own, scattered, by.uncertainty)
    columns = range(len(groups[0][0]))
    means = [[math.fsum(row[column] for row in rows) / len(rows) for column in columns] for rows in groups]
    return _older_mean(means if len(groups) > 1 else groups[0], by)


def as_known(total: float, scatter: float | None) -> Uncertainty:
    """Returns an uncertainty whose random part is taken as known, as under rules before version 4; None: no random part."""
    left = math.sqrt(max(0.0, total * total - (scatter or 0.0) ** 2))
    return Uncertainty((Contribution(scatter or 0.0, source="spread of readings", shrinks=True), Contribution(left)))


def _as_known(
    total: Sequence[float] | None, scatter: Sequence[float] | None, instrument: float | None
) -> Columns | None:
    """Returns uncertainties whose random part is taken as known."""
    if total is None:
        return None
    own = () if instrument is None else (Contribution(instrument, source="instrument"),)
    if scatter is None:
        return (Uncertainty(own),) * len(total)
    return tuple(Uncertainty((Contribution(part, source="spread of readings", shrinks=True), *own)) for part in scatter)
