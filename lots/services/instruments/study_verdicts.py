"""Verdicts of studies in sentences: capability, bias, continuation of series, and whether the study counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.characteristics.registry import declared_of
from lots.domain.instruments.agreement import Agreement, bridge, noise_of
from lots.domain.instruments.gauge_study import GOOD_UP_TO, USABLE_UP_TO, GaugeStudy
from lots.domain.instruments.linearity import Linearity
from lots.domain.words import clause, moment
from lots.services.from_rows import read_on_both
from lots.services.instruments import study_words
from lots.services.instruments.instrument_changes import steps
from lots.services.instruments.study_words import ALPHA, Shows, studied
from lots.store.drift import series
from lots.store.instruments import studies
from lots.store.instruments.studies import Repeatability
from lots.store.tables.studies import InstrumentStudy, StudyVoid


@dataclass(frozen=True, slots=True)
class Present:
    """Present data for the verdicts: valid repeatability studies, and code and limits of each named grade."""

    counting: Sequence[Repeatability]
    grades: Mapping[int, tuple[str, Limits | None]]

    def next_after(self, row: InstrumentStudy) -> Repeatability | None:
        """Returns the next repeatability study, which replaces this one from its own time, None without one."""
        later = [
            study
            for study in self.counting
            if (study.instrument_id, study.measure) == (row.instrument_id, row.measure)
            and study.gauge_sd > 0
            and (study.studied_at, study.id) > (row.studied_at, row.id)
        ]
        return min(later, key=lambda study: (study.studied_at, study.id), default=None)


def present(rows: Sequence[InstrumentStudy]) -> Present:
    """Returns the present data for the verdicts of these studies.

    One query for repeatability, three more for grades.
    """
    counting = studies.of_repeatability({row.instrument_id for row in rows if row.kind == "repeatability"})
    numbers = sorted({number for row in rows if (number := row.body.get("grade_id")) is not None})
    if not numbers:
        return Present(counting, {})
    _, named = series.names([], numbers)
    limits = series.newest_limits(numbers)
    grades = {n: (named[n].code, limits_from(limits[n].body) if n in limits else None) for n in numbers}
    return Present(counting, grades)


def says(row: InstrumentStudy, shows: Shows, now: Present) -> list[str]:
    """Returns the sentences on a study: its verdict, its results and its present use. A void study has none."""
    void: StudyVoid | None = getattr(row, "void", None)
    if void is not None:
        return [f"This study was voided by {void.voided_by} at {moment(void.voided_at)}: {clause(void.reason)}"]
    words = study_words.says(shows, row)
    if isinstance(shows, GaugeStudy):
        return [_repeatability(row, shows), *words, _use_of_study(row, now)]
    return [_linearity(row, shows) if isinstance(shows, Linearity) else _agreement(row, shows, now), *words]


def _repeatability(row: InstrumentStudy, shows: GaugeStudy) -> str:
    code, width = row.instrument.code, row.body.get("tolerance_width")
    worth = shows.worth(width)
    if worth is None:
        return f"{code} cannot be rated. All repeats are equal, so its resolution is too coarse."
    word, percent = worth
    of = "the spread of all readings (no tolerance was stated)" if width is None else "the tolerance"
    rule = f"good up to {GOOD_UP_TO:g} %, usable up to {USABLE_UP_TO:g} %, too coarse above"
    about = studied(row).label
    return (
        f"{code} is {word} for measuring {about}. Its measurement spread is {percent:.1f} % of {of}."
        f" Limits of AIAG Measurement Systems Analysis: {rule}."
    )


def _linearity(row: InstrumentStudy, shows: Linearity) -> str:
    about = studied(row)
    unit, code = f" {about.unit}".rstrip(), row.instrument.code
    over = f"from {shows.low:g} to {shows.high:g}{unit}"
    if not shows.slope.interval.low <= 0 <= shows.slope.interval.high:
        return f"{code} has no constant bias {over}. Its bias changes with the value."
    if shows.lack_of_fit_p is not None and shows.lack_of_fit_p < ALPHA:
        return f"{code} has no constant bias {over}. Its bias differs from artefact to artefact."
    offset = shows.average
    if offset.interval.low <= 0 <= offset.interval.high:
        return f"{code} has no significant bias {over}."
    way = "high" if offset.value > 0 else "low"
    return f"{code} has a constant bias {over}. It reads {abs(offset.value):.3g}{unit} too {way}."


def _agreement(row: InstrumentStudy, shows: Agreement, now: Present) -> str:
    first, second = studies.pair(row)
    pair = f"from {first} to {second}"
    grade, limits = now.grades.get(row.body.get("grade_id") or 0, (None, None))
    if grade is None:
        says = f"State a grade to learn whether a series of lots may continue {pair}."
    elif not (room := steps(limits)):
        says = f"A series of grade {grade} cannot continue {pair}, because the grade has no limits on colour."
    else:
        plaques = read_on_both(row.body)
        found = bridge([plaque.pair for plaque in plaques], room, noise_of(plaques))
        says = (
            f"A series of grade {grade} may continue {pair}. The step is small enough for its limit."
            if found.bridged
            else f"A series of grade {grade} may not continue {pair}. The step is not proved to be small enough for its limit. {' '.join(found.reasons)}"
        )
    if len(shows.differences) > 1:
        return says
    return f"{says} One plaque does not show whether the difference holds for others. Measure at least 3."


def _use_of_study(row: InstrumentStudy, now: Present) -> str:
    """Returns the sentence on the use of a repeatability study for later readings."""
    instrument, about, sd = row.instrument, studied(row), row.gauge_sd or 0.0
    unit = f" {about.unit}".rstrip()
    if sd == 0:
        return (
            "All repeats are equal, so this study gives no uncertainty. The resolution of the instrument is too coarse."
        )
    newer = now.next_after(row)
    if newer is not None and newer.studied_at == row.studied_at:
        return f"This study no longer counts. Study {newer.id} of the same time replaces it."
    readings = f"Readings of {instrument.code} from {moment(row.studied_at)}"
    rest = "This holds until a newer study. Earlier readings keep their uncertainty."
    if newer is not None:
        readings += f" until {moment(newer.studied_at)}"
        rest = f"Study {newer.id} supersedes this study from then on."
    stated = instrument.standard_uncertainty
    if stated is not None and stated >= sd:
        kept = f"{readings} keep the stated standard uncertainty of {stated:.2g}{unit}, because the study found only {sd:.2g}{unit}."
        return kept if newer is None else f"{kept} {rest}"
    all_three = (
        " once L*, a* and b* are all studied" if stated is None and len(declared_of(about.code).studied) > 1 else ""
    )
    return f"{readings} have a standard uncertainty of at least {sd:.2g}{unit}{all_three}. {rest}"
