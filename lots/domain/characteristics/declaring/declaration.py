"""The declaration of a characteristic: readings, limits, findings, figures, forms and labels.

`registry.py` lists the declarations. The other packages derive what they need from a declaration and name no characteristic.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Any, Literal

from lots.domain.characteristics.declaring.case import Case, Part, ShadeRevision, Taken
from lots.domain.characteristics.declaring.limit_fields import LimitsBlock, Problem
from lots.domain.characteristics.declaring.neighbours import Far
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.scales import Scales, no_scales
from lots.domain.colorimetry.color_values import Conditions
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import FIRST

# Roles for measurements at the receiving bench, and for those with quality's equipment.
BENCH = ("receiving", "quality")
QUALITY = ("quality",)

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a reading in requests, storage, responses and files.

    Args:
        name: with its unit, such as `d1_mm`.
        about: description for the documentation of requests.
        type: a number, a whole number, text, one of `words`, a truth value, L*, a*, b*, a spectrum, or measuring conditions.
        answered: description for responses, where it differs from `about`.
        needed: True for a required field.
        low, high, above: range; `above` is exclusive.
        longest: largest number of characters.
        words: permitted values of a choice or a whole number; `only` is the error for another number.
        default: value when left out; None: absent.
        example: for the documentation.
        stand_in: plausible value in place of an unreadable cell, so that the rest of its row is checked; None: left out.
        together: fields that are checked together and so replaced together.
        columns: columns of a file that hold its parts, such as L, a and b.
        said: name within a sentence, such as "the age"; "" where the field's name is a plain word.
        label: name in a table of errors; "" where it follows from `said`.
        source: format such as "printer {}" of a value that a series of lots depends on, as it does on the instrument.
    """

    name: str
    about: str = ""
    _: KW_ONLY
    type: Literal["number", "whole", "text", "choice", "truth", "lab", "spectrum", "conditions"] = "number"
    answered: str = ""
    needed: bool = False
    low: float | None = None
    high: float | None = None
    above: float | None = None
    longest: int = 0
    words: tuple[Any, ...] = ()
    only: str = ""
    default: Any = None
    example: Any = None
    stand_in: Any = None
    together: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    said: str = ""
    label: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """A value computed from fields of a reading and stored with them.

    Args:
        name: with its unit. It may also be a field, which is then computed only where it was not sent.
        of: the required input fields.
        work_out: computes the value from theirs.
        about: description for responses; "" for a field.
    """

    name: str
    of: tuple[str, ...]
    work_out: Callable[..., float]
    _: KW_ONLY
    about: str = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """A kind of finding.

    Args:
        code: `characteristic.measure`, never renamed.
        label: name at the head of a sentence.
        follows: figure over lots for the same property; "" for none.
        step: True for a step from the last accepted lot.
        of_spool: True where a sampling plan counts spools by it.
        since: first version of the rules with this finding.
        covered: True where a forecast covers it, so that its failures are not counted as "everything else".
        symbol: symbol of a colour difference, such as Δb*; "" for none.
        limited_by: field of the limits block with its limit; "" where given elsewhere.
    """

    code: str
    label: str
    _: KW_ONLY
    follows: str = ""
    step: bool = False
    of_spool: bool = False
    since: int = FIRST
    covered: bool = False
    symbol: str = ""
    limited_by: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """A figure that is charted over lots.

    Args:
        code: `characteristic.measure`.
        label, unit, decimals: for display.
        more, less: words for a rise and a fall.
        limit: limit on a lot's figure, from the limits block and the nominal diameter in mm; None without one.
        per_spool: True where the limit applies to each spool, not to the lot.
        referred: True where it is relative to the approved shade, so that a new revision begins a new series.
        spread: True where suppliers are compared by its spread.
        capable: True where suppliers are compared by its capability.
        level: True where suppliers are compared by its mean and lower limit.
        forecast: True where it is forecast.
        plausible: range that a laboratory may report for a lot, ends included; None for any. Common practice, no source.
        meant: hint for a value outside this range, an imperative; "" where the unit is enough.
        doubt: returns a doubt about a reported value, given the nominal diameter in mm.
    """

    code: str
    label: str
    unit: str
    more: str
    less: str
    _: KW_ONLY
    decimals: int = 2
    limit: Callable[[Any, float], Limit | None] = lambda block, nominal_mm: None
    per_spool: bool = False
    referred: bool = False
    spread: bool = False
    capable: bool = False
    level: bool = False
    forecast: bool = False
    plausible: tuple[float, float] | None = None
    meant: str = ""
    doubt: Callable[[float, float], Doubt | None] = lambda value, nominal_mm: None


@dataclass(frozen=True, slots=True)
class RepeatFigure:
    """A figure of a reading that is compared with its repeats.

    Args:
        code: such as `gloss.gu_60`.
        label: name within a sentence.
        unit: "" for none.
        studied: its measure in repeatability studies; "" for none.
        settles: codes of findings that are a mean of it.
        over: whether such a finding is a mean over one spool or over the whole lot.
    """

    code: str
    label: str
    unit: str = ""
    _: KW_ONLY
    studied: str = ""
    settles: tuple[str, ...] = ()
    over: Literal["spool", "lot", "lot of one length"] = "lot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """The repeats of readings.

    Args:
        figures: figures that are compared.
        of: converts a reading to (figure, value, group, per_unit). Repeats share spool, instrument and `group`. `per_unit` is the change of the
            value per unit of the instrument's reading.
        none: reason why readings are not repeats; "" where they are.
    """

    figures: tuple[RepeatFigure, ...] = ()
    of: Callable[[Any], Sequence[tuple[str, float, tuple[Any, ...], float]]] = lambda reading: ()
    none: str = ""


@dataclass(frozen=True, slots=True)
class Studied:
    """A measure in studies of instruments: code, label, unit and range.

    `apart` is True where the parts of a study may lie anywhere in the range. Otherwise they are similar, and a distant value is doubted.
    """

    code: str
    label: str
    unit: str
    low: float
    high: float
    apart: bool = True


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of the bench form.

    Args:
        name: of the field, or of a part of one.
        label: with its unit.
        form: number, text, tick, or a choice of `options`.
        options: (word, label).
        needed: True for a required entry.
        preset: initial values of the rows, in turn.
        part_of: the field that it is a part of, such as lab.
    """

    name: str
    label: str
    _: KW_ONLY
    form: Literal["number", "text", "tick", "choice"] = "number"
    options: tuple[tuple[str, str], ...] = ()
    needed: bool = False
    preset: tuple[str, ...] = ()
    part_of: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """The bench form: shared entries, entries for each of `rows` rows, and instructions (`about`).

    The bench opens with the form that is `first`, where the role may measure it.
    """

    title: str
    row_name: str
    rows: int
    row: tuple[Entry, ...]
    _: KW_ONLY
    shared: tuple[Entry, ...] = ()
    about: str = ""
    first: bool = False


def every_reading(_: Any) -> bool:
    """Returns True, for characteristics without control specimens."""
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """A characteristic of filament.

    Args:
        name: kind of its readings, name of its limits block, first part of its codes.
        word: name within a sentence, where it differs.
        title: for display.
        path: path for posting its readings.
        schema: name of the request schema.
        summary, about: descriptions of the path and of the request schema.
        measured_by: roles that may record it.
        fields, worked_out: fields and computed values of a reading.
        reading: converts a stored reading to its own type.
        says: returns the values of a stored reading in words with units.
        doubts: returns implausible values of a reading, given its fields and the nominal diameter in mm.
        suspect: returns a warning and a hint for a value that is possible but unlikely, else None. It is shown at the first field.
        sent: returns errors of a reading beyond its fields: (field, detail, hint), the field with / for a part. None: no further checks, so
            that many readings can be checked field by field.
        printed: True for readings of prints, which may state printer, recipe, build and control spool.
        of_lot: returns False for a reading of another material, such as a control specimen.
        by_print: returns the stored figures of one printer and recipe.
        comparable: returns the reading that counts under a limits block and a shade revision, or None.
        not_comparable: reason why a reading does not count; `compared_by` is the deciding field, "" for the first.
        against_only: returns why a reading can fail its lot but not pass it, given the lot's readings of the characteristics in
            `beside`; "" where it counts in full.
        newest: True where only the newest reading of a spool counts.
        limits: its limits block.
        assess: returns its part of the assessment of a lot.
        judged: its findings.
        decimals: of its findings.
        measures: figures charted over lots.
        far: criterion for readings far from their neighbours.
        repeats, studied, instruments: its repeats, measures in studies, and words in the names of its instruments.
        kinds: kinds of instruments for forms; `instruments` where empty.
        instrument_unit: unit of an instrument's standard uncertainty.
        method: method of measurement in words, for reports.
        form: bench form.
        scales: limits that single readings are drawn against at the bench.
        uses: uses that cannot be assessed without it.
        carried: columns of a lot for the next lot's step, the first of which is required.
        step_terms: returns the part of its limits block that a step depends on.
        spools_min: required number of drawn spools where the limits state none; None: the number of the sampling. One is enough
            for properties of the batch rather than the spool (shrinkage, bond, opacity; common practice, no source).
    """

    name: str
    title: str
    path: str
    schema: str
    summary: str
    about: str
    measured_by: tuple[str, ...]
    fields: tuple[Field, ...]
    reading: Callable[[Taken], Any]
    says: Callable[[Values], str]
    limits: LimitsBlock
    assess: Callable[[Case], Part]
    judged: tuple[Judged, ...]
    method: str
    form: Form
    scales: Scales = no_scales
    word: str = ""
    worked_out: tuple[WorkedOut, ...] = ()
    doubts: Callable[[Values, float], Sequence[Doubt]] = lambda values, nominal_mm: ()
    suspect: Callable[[Values], tuple[str, str] | None] = lambda values: None
    sent: Callable[[Values], Sequence[Problem]] | None = None
    printed: bool = False
    of_lot: Callable[[Any], bool] = every_reading
    by_print: Callable[[Sequence[Any]], Mapping[str, Any]] = lambda readings: {}
    comparable: Callable[[Any, Any, ShadeRevision | None], Any] = lambda reading, block, shade: reading
    not_comparable: str = ""
    compared_by: str = ""
    against_only: Callable[[Any, Mapping[str, Sequence[Any]], ShadeRevision | None], str] = lambda *_: ""
    beside: tuple[str, ...] = ()
    newest: bool = False
    decimals: int = 2
    measures: tuple[Measure, ...] = ()
    far: Far = Far()  # noqa: RUF009  # immutable
    repeats: Repeats = Repeats()
    studied: tuple[Studied, ...] = ()
    instruments: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    instrument_unit: str = ""
    uses: tuple[str, ...] = ()
    carried: tuple[str, ...] = ()
    step_terms: Callable[[Values], list[Any]] = lambda block: []
    spools_min: int | None = None

    @property
    def by_instrument(self) -> bool:
        """True for a measurement with an instrument, False for a count."""
        return bool(self.instruments or self.instrument_unit)

    @property
    def said(self) -> str:
        """The name within a sentence."""
        return self.word or self.name

    def stored(self, sent: Values) -> dict[str, Any]:
        """Returns the stored values of a reading: its fields, normalised conditions, and computed values."""
        values = {one.name: sent[one.name] for one in self.fields if sent.get(one.name) is not None}
        if (said := self.of_type("conditions")) and said.name in values:
            values[said.name] = Conditions(**values[said.name]).as_dict()
        for one in self.worked_out:
            if one.name not in values and all(name in values for name in one.of):
                values[one.name] = one.work_out(*(values[name] for name in one.of))
        return values

    def field(self, name: str) -> Field | None:
        """Returns a field by name, or None."""
        return next((one for one in self.fields if one.name == name), None)

    def of_type(self, kind: str) -> Field | None:
        """Returns its first field of a type, such as conditions, or None."""
        return next((one for one in self.fields if one.type == kind), None)
