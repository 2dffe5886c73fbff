"""Standard uncertainty of a reading from its instrument: the stated value, or that of repeatability studies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.characteristics.registry import DECLARED, STUDIED


def studied_measures_of_kind(instrument_kind: str) -> tuple[str, ...] | None:
    """Returns the studied characteristics that an instrument measures, None for an unknown kind.

    Args:
        instrument_kind: name of the kind, in any case, such as micrometer.

    Example:
        >>> studied_measures_of_kind("Laser micrometer"), studied_measures_of_kind("glossmeter"), studied_measures_of_kind("gauge")
        (('diameter', 'shrinkage'), (), None)
    """
    called = instrument_kind.lower()
    known = [one for one in DECLARED.values() if any(word in called for word in one.instruments)]
    return tuple(one.name for one in known if one.studied) if known else None


@dataclass(frozen=True, slots=True)
class Found:
    """Result of one repeatability study.

    Args:
        number: of the study.
        measure: a key of STUDIED.
        at: time of the study, with its time zone.
        sd: standard deviation of the gauge, repeatability and reproducibility together, in the measure's unit, >= 0.

    Raises:
        ValueError: an unknown measure, or an invalid standard deviation.
    """

    number: int
    measure: str
    at: datetime
    sd: float

    def __post_init__(self) -> None:
        if self.measure not in STUDIED:
            raise ValueError(f"{self.measure!r} is not studied; use one of {', '.join(STUDIED)}")
        if not (math.isfinite(self.sd) and self.sd >= 0):
            raise ValueError(f"sd is {self.sd!r}; it must be a number of 0 or more")


@dataclass(frozen=True, slots=True)
class StandardUncertainty:
    """A standard uncertainty, None if unknown, and its study, None for the stated value."""

    u: float | None
    study: Found | None = None


def known_uncertainty(
    kind: str, measured_at: datetime, stated: float | None, studies: Sequence[Found]
) -> StandardUncertainty:
    """Returns the standard uncertainty of a reading from its instrument: the larger of the stated one and that of studies.

    Args:
        kind: of the reading, such as color; for colour the largest coordinate applies to all three.
        measured_at: time of the reading. A study applies to later readings, until a newer one of its measure.
        stated: of the instrument, in the unit of its readings; None if not stated.
        studies: of this instrument, in any order, without voided ones.

    Notes:
        The larger value applies, because a study does not include bias, and a statement may be older than the instrument's wear. They are not
        added, since a statement may include the repeatability. Replicates in production count the repeatability again, which is conservative.
        Without a statement colour requires a study of each coordinate. A study with equal readings has too coarse a resolution and does not count.

    Reference:
        JCGM 100:2008, 4.2 and 4.3 (type A and type B evaluation). That the larger applies is this project's rule; common practice, no source.

    Example:
        >>> from datetime import UTC
        >>> day = datetime(2026, 11, 20, tzinfo=UTC)
        >>> known_uncertainty("diameter", day, 0.002, [Found(1, "diameter", day, 0.004)]).u
        0.004
    """
    asked = [one.code for one in DECLARED[kind].studied]
    newest = [found for name in asked if (found := _newest(name, measured_at, studies)) is not None]
    worst = max(newest, key=lambda found: found.sd, default=None)
    if worst is None or (stated is None and len(newest) < len(asked)):
        return StandardUncertainty(stated)
    return StandardUncertainty(worst.sd, worst) if stated is None or worst.sd > stated else StandardUncertainty(stated)


def _newest(measure: str, at: datetime, studies: Sequence[Found]) -> Found | None:
    before = [found for found in studies if found.measure == measure and found.at <= at and found.sd > 0]
    return max(before, key=lambda found: (found.at, found.number), default=None)
