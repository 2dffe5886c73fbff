"""What a study means for the shop, in a sentence: is the instrument good enough, does it read true, may a series go on; and does it count."""

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
    """What is there now: the repeatability studies that count, and of each grade that a study names its code and its limits."""

    counting: Sequence[Repeatability]
    grades: Mapping[int, tuple[str, Limits | None]]

    def next_after(self, row: InstrumentStudy) -> Repeatability | None:
        """The study that counts in place of a repeatability study from its own moment on, None while there is none."""
        later = [
            study
            for study in self.counting
            if (study.instrument_id, study.measure) == (row.instrument_id, row.measure)
            and study.gauge_sd > 0
            and (study.studied_at, study.id) > (row.studied_at, row.id)
        ]
        return min(later, key=lambda study: (study.studied_at, study.id), default=None)


def present(rows: Sequence[InstrumentStudy]) -> Present:
    """Returns what these studies need of the present: a query where one is of repeatability, three where one names a grade."""
    counting = studies.of_repeatability({row.instrument_id for row in rows if row.kind == "repeatability"})
    numbers = sorted({number for row in rows if (number := row.body.get("grade_id")) is not None})
    if not numbers:
        return Present(counting, {})
    _, named = series.names([], numbers)
    limits = series.newest_limits(numbers)
    grades = {n: (named[n].code, limits_from(limits[n].body) if n in limits else None) for n in numbers}
    return Present(counting, grades)


def says(row: InstrumentStudy, shows: Shows, now: Present) -> list[str]:
    """Returns what a study means, what it shows and what it counts for, as things are now; one that was voided means nothing."""
    void: StudyVoid | None = getattr(row, "void", None)
    if void is not None:
        return [f"Voided by {void.voided_by} on {moment(void.voided_at)}; counts for nothing: {clause(void.reason)}"]
    words = study_words.says(shows, row)
    if isinstance(shows, GaugeStudy):
        return [_repeatability(row, shows), *words, _feeds(row, now)]
    return [_linearity(row, shows) if isinstance(shows, Linearity) else _agreement(row, shows, now), *words]


def _repeatability(row: InstrumentStudy, shows: GaugeStudy) -> str:
    code, width = row.instrument.code, row.body.get("tolerance_width")
    worth = shows.worth(width)
    if worth is None:
        return f"Whether {code} is good enough cannot be told: repeats never differ, so it shows too few digits."
    word, percent = worth
    of = "the spread of all readings (no tolerance was stated)" if width is None else "the tolerance"
    rule = f"good up to {GOOD_UP_TO:g} %, usable up to {USABLE_UP_TO:g} %, too coarse above, by AIAG's Measurement Systems Analysis"
    about = studied(row).label
    return f"{code} is {word} for reading {about}: its scatter takes up {percent:.1f} % of {of}; {rule}."


def _linearity(row: InstrumentStudy, shows: Linearity) -> str:
    about = studied(row)
    unit, code = f" {about.unit}".rstrip(), row.instrument.code
    over = f"from {shows.low:g} to {shows.high:g}{unit}"
    if not shows.slope.interval.low <= 0 <= shows.slope.interval.high:
        return f"{code} has no straight offset {over}: how far it reads off changes with what it reads."
    if shows.lack_of_fit_p is not None and shows.lack_of_fit_p < ALPHA:
        return f"{code} has no straight offset {over}: how far it reads off differs from artefact to artefact."
    offset = shows.average
    if offset.interval.low <= 0 <= offset.interval.high:
        return f"{code} is not shown to read untrue {over}."
    way = "high" if offset.value > 0 else "low"
    return f"{code} has a straight offset: it reads {abs(offset.value):.3g}{unit} too {way} all over, {over}."


def _agreement(row: InstrumentStudy, shows: Agreement, now: Present) -> str:
    first, second = studies.pair(row)
    pair = f"from {first} to {second}"
    grade, limits = now.grades.get(row.body.get("grade_id") or 0, (None, None))
    if grade is None:
        says = f"Whether a series of lots may go on {pair}: state a grade to be told."
    elif not (room := steps(limits)):
        says = f"A series of grade {grade} cannot go on {pair}: its limits set none on colour."
    else:
        plaques = read_on_both(row.body)
        found = bridge([plaque.pair for plaque in plaques], room, noise_of(plaques))
        says = (
            f"A series of grade {grade} may go on {pair}: the step is small enough for its limit."
            if found.bridged
            else f"A series of grade {grade} may not go on {pair}: the step is not shown to be small enough for its limit. {' '.join(found.reasons)}"
        )
    if len(shows.differences) > 1:
        return says
    return f"{says} One plaque does not tell whether the instruments differ alike on others: read at least 3."


def _feeds(row: InstrumentStudy, now: Present) -> str:
    """What the study means for readings taken from then on, until the next one."""
    instrument, about, sd = row.instrument, studied(row), row.gauge_sd or 0.0
    unit = f" {about.unit}".rstrip()
    if sd == 0:
        return "Nothing scattered, so this study counts for no uncertainty: the instrument shows too few digits for it."
    newer = now.next_after(row)
    if newer is not None and newer.studied_at == row.studied_at:
        return f"This study counts for nothing any more: study {newer.id} of the same moment counts in its place."
    since = f"What {instrument.code} reads from {moment(row.studied_at)} on"
    rest = "until a newer study. Earlier readings keep theirs."
    if newer is not None:
        since = f"What {instrument.code} read from {moment(row.studied_at)} until {moment(newer.studied_at)}"
        rest = f"and this study is superseded: study {newer.id} counts from then on."
    stated = instrument.standard_uncertainty
    if stated is not None and stated >= sd:
        kept = f"{since} keeps the stated standard uncertainty of {stated:.2g}{unit}, which is no smaller than {sd:.2g}{unit}"
        return f"{kept}." if newer is None else f"{kept}, {rest}"
    all_three = (
        " once L*, a* and b* were all studied" if stated is None and len(declared_of(about.code).studied) > 1 else ""
    )
    return f"{since} counts with a standard uncertainty of at least {sd:.2g}{unit}{all_three}, {rest}"
