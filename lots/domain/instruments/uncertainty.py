"""How uncertain a reading is by its instrument: by what is stated of that, and by what studies of its repeatability found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.characteristics.registry import DECLARED, STUDIED


def takes(instrument_kind: str) -> tuple[str, ...] | None:
    """Returns the kinds of reading among those studied that an instrument can take, None where its name does not tell.

    Args:
        instrument_kind: what it is called, in any case, such as micrometer.

    Example:
        >>> takes("Laser micrometer"), takes("glossmeter"), takes("gauge")
        (('diameter', 'shrinkage'), (), None)
    """
    called = instrument_kind.lower()
    known = [one for one in DECLARED.values() if any(word in called for word in one.instruments)]
    return tuple(one.name for one in known if one.studied) if known else None


@dataclass(frozen=True, slots=True)
class Found:
    """What one repeatability study found.

    Args:
        number: of the study.
        measure: a key of STUDIED.
        at: when it was made, with its time zone.
        sd: standard deviation of the gauge, repeatability and reproducibility together, in the measure's unit, >= 0.

    Raises:
        ValueError: an unknown measure, or a standard deviation that is none.
    """

    number: int
    measure: str
    at: datetime
    sd: float

    def __post_init__(self) -> None:
        if self.measure not in STUDIED:
            raise ValueError(f"{self.measure!r} is not studied; one of {', '.join(STUDIED)} is")
        if not (math.isfinite(self.sd) and self.sd >= 0):
            raise ValueError(f"sd is {self.sd!r}; it must be a number of 0 or more")


@dataclass(frozen=True, slots=True)
class StandardUncertainty:
    """A standard uncertainty, None when nothing tells it, and the study it comes from, None where it is the stated one."""

    u: float | None
    study: Found | None = None


def known_uncertainty(
    kind: str, measured_at: datetime, stated: float | None, studies: Sequence[Found]
) -> StandardUncertainty:
    """Returns the standard uncertainty that a reading has by its instrument: the larger of what is stated and what was found.

    Args:
        kind: of the reading, such as color; of colour the coordinate that scatters most counts, for all three.
        measured_at: when the reading was taken. A study counts for what was read from then on, until a newer one of its measure.
        stated: of the instrument, in the unit of what it reads; None when nobody stated it.
        studies: of this instrument, in any order, those that were voided left out.

    Notes:
        The larger of both, and never the smaller: a study tells scatter and nothing of bias, a statement may be older than the
        instrument's wear. They are not added up, since a statement made of repeats holds that scatter already. Readings repeated in
        production show scatter once more, which errs on the safe side. Where nothing is stated, colour needs a study of each coordinate. A study
        in which nothing scattered shows too few digits, and counts for nothing.

    Reference:
        JCGM 100:2008, 4.2 and 4.3 (an uncertainty from repeats, and one from what is known otherwise). That the larger counts is this
        project's rule; common practice, no source.

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
