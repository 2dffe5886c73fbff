"""What is declared of a characteristic, once: its readings, limits, judgement and figures, and how people enter, read and name them.

A file of this folder declares one; `registry.py` lists them. The other rooms derive what they need from a declaration and name no characteristic.
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

# Who may measure what a colorimeter, a micrometer or a glossmeter reads at the receiving bench, and what needs quality's machines.
BENCH = ("receiving", "quality")
QUALITY = ("quality",)

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a reading, as it is sent, stored, answered and written in files.

    Args:
        name: with its unit, such as `d1_mm`.
        about: what it says, for the documentation of requests.
        type: how it is written: a number, a whole number, text, one of `words`, a truth, L*, a*, b*, a spectrum, measuring conditions.
        answered: the same for answers, where it differs.
        needed: a reading without it is refused.
        low, high, above: ends of what is taken; `above` is left out itself.
        longest: characters of a text.
        words: what a choice may be, or a whole number; `only` is the sentence that refuses another number.
        default: what it is when left out; None: absent.
        example: for the documentation.
        stand_in: a value that makes sense in place of a cell that cannot be read, so that the rest of its row is checked; None: it is left out.
        together: fields that are judged together, so that one stands in with the others.
        columns: columns of a file that hold its parts, such as L, a and b.
        said: how a sentence names it, such as "the age"; "" where its name is a plain word.
        label: how a table of faults names it; "" where that follows from `said`.
        source: "printer {}": a value that a series of lots depends on, as on its instrument.
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
    """A value that follows from fields of a reading and is stored and answered beside them.

    Args:
        name: with its unit. It may be a field too, which is then worked out only where it was not sent.
        of: fields that it needs, all of them.
        work_out: their values to its value.
        about: what it says, for answers; "" for a field.
    """

    name: str
    of: tuple[str, ...]
    work_out: Callable[..., float]
    _: KW_ONLY
    about: str = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """One thing that is judged against a limit.

    Args:
        code: `characteristic.measure`, never renamed.
        label: what it is, at the head of a sentence.
        follows: the figure over lots that shows the same; "" for none.
        step: it is a step from the last accepted lot.
        of_spool: a sampling plan counts spools by it.
        since: version of the rules from which it is judged.
        covered: a forecast follows it, so that its failure is no "everything else".
        symbol: of a colour difference, such as Δb*; "" for none.
        limited_by: field of the limits block that sets its limit; "" where that is told elsewhere.
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
    """A figure that is followed over lots.

    Args:
        code: `characteristic.measure`.
        label, unit, decimals: for people.
        more, less: what its growth and its fall are called.
        limit: the limit that a lot's figure must keep to, from the limits block and the nominal diameter in mm; None where there is none.
        per_spool: that limit is on each spool, not on the lot.
        referred: it is measured from the approved shade, so a new revision begins a new series.
        spread: suppliers are compared by its spread.
        capable: suppliers are compared by its capability.
        level: suppliers are compared by its mean and the floor under it.
        forecast: a forecast follows it.
        plausible: ends of what a laboratory may state of a lot, both included; None asks nothing. Common practice, no source.
        meant: what to state instead of a value outside these ends, an imperative; "" where the unit says it.
        doubt: what makes no sense of a stated value, given the nominal diameter in mm.
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
    """What of a reading is compared with repeats of it.

    Args:
        code: such as `gloss.gu_60`.
        label: within a sentence.
        unit: "" for none.
        studied: the measure that a study of repeatability has for it; "" for none.
        settles: codes of findings that are a mean of it.
        over: such a finding is a mean over one spool, or over the whole lot.
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
    """How readings repeat each other.

    Args:
        figures: that are compared.
        of: a reading to (figure, value, group, per_unit): `group` is what repeats share beside spool and instrument, `per_unit` how much of the
            value one unit of what the instrument reads makes.
        none: why readings are no repeats of one another; "" where they are.
    """

    figures: tuple[RepeatFigure, ...] = ()
    of: Callable[[Any], Sequence[tuple[str, float, tuple[Any, ...], float]]] = lambda reading: ()
    none: str = ""


@dataclass(frozen=True, slots=True)
class Studied:
    """What studies of an instrument read: its name, unit and label, and between which ends its values lie.

    `apart` says that parts of a study may lie anywhere between these; else they are much alike, and a value far from the others is a slip.
    """

    code: str
    label: str
    unit: str
    low: float
    high: float
    apart: bool = True


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to type at the bench.

    Args:
        name: of the field, or of a part of one.
        label: with its unit.
        form: number, text, tick, or a choice of `options`.
        options: (word, label).
        needed: a row without it is not complete.
        preset: what the rows begin with, in turn.
        part_of: the field of which this is a part, such as lab.
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
    """How readings are entered at the bench: what is typed once, and what in each of `rows` rows; `about` says how to measure.

    The bench opens with the one that is `first`, where the role may measure it.
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
    """Returns True: there is no other material among the readings."""
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """A characteristic of filament.

    Args:
        name: kind of its readings, name of its limits block, first part of its codes.
        word: within a sentence, where that is not its name.
        title: of its figures, for people.
        path: that its readings are posted to.
        schema: name of the request's shape in the document.
        summary, about: of the path and of the request's shape, for the document.
        measured_by: roles that may record it.
        fields, worked_out: of a reading.
        reading: a stored reading to the value that judging uses.
        says: what a stored reading measured, in words with units.
        doubts: what makes no physical sense in a reading, given its fields and the nominal diameter in mm.
        suspect: what looks like a slip in a reading that may be right, with a hint; None where nothing does. It is told at its first field.
        sent: what is wrong with a reading as it was sent, beyond its fields: (field, detail, hint), the field with / for a part. None: nothing
            is asked beyond them, so that many readings can be read field by field.
        printed: its readings are of prints, whose printer, recipe and build may be stated and whose control spool is told apart.
        of_lot: False for a reading of another material, such as a control bar.
        by_print: what is kept of the readings of one printer and recipe, as it is stored.
        comparable: a reading as it counts under a limits block and a shade revision, None where it does not count.
        not_comparable: why such a reading does not count, in words; `compared_by` is the field that decides, "" for its first.
        against_only: why a reading that is comparable counts against its lot and never for it, in words, given the lot's readings of the
            characteristics in `beside`; "" where it counts both ways.
        newest: only the newest reading of a spool counts.
        limits: its block.
        assess: its part in the assessment of a lot.
        judged: what is judged, by code.
        decimals: of its findings.
        measures: figures followed over lots.
        far: which of its readings lie far from their neighbours.
        repeats, studied, instruments: how its readings repeat, what studies read, and words in the names of instruments that measure it.
        kinds: of instruments that measure it, as a form offers them; where none are named, `instruments`.
        instrument_unit: of an instrument's standard uncertainty.
        method: how it is measured, a sentence for papers.
        form: at the bench.
        scales: limits that a value of one reading is drawn against at the bench.
        uses: uses that it defines: without it they were not looked at.
        carried: columns of a lot that the next lot's step is measured from, the first of which must be there.
        step_terms: what of its limits block a step depends on.
        spools_min: drawn spools that its findings must rest on where the limits do not say; None: as many as the sampling asks. One is enough
            for what comes from the batch more than from the spool (shrinkage, bond, opacity; common practice, no source).
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
        """True where an instrument reads it, False where somebody counts."""
        return bool(self.instruments or self.instrument_unit)

    @property
    def said(self) -> str:
        """Its name within a sentence."""
        return self.word or self.name

    def stored(self, sent: Values) -> dict[str, Any]:
        """Returns the values of a reading as they are stored: what was sent of its fields, conditions as they are spelled, and what is worked out."""
        values = {one.name: sent[one.name] for one in self.fields if sent.get(one.name) is not None}
        if (said := self.of_type("conditions")) and said.name in values:
            values[said.name] = Conditions(**values[said.name]).as_dict()
        for one in self.worked_out:
            if one.name not in values and all(name in values for name in one.of):
                values[one.name] = one.work_out(*(values[name] for name in one.of))
        return values

    def field(self, name: str) -> Field | None:
        """Returns a field by name, None when it has no such."""
        return next((one for one in self.fields if one.name == name), None)

    def of_type(self, kind: str) -> Field | None:
        """Returns its field of a type, such as conditions; None without one."""
        return next((one for one in self.fields if one.type == kind), None)
