"""The input of a characteristic's assessment (`Case`) and its result (`Part`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from lots.domain.characteristics.declaring.bridge import Bridges
from lots.domain.characteristics.declaring.estimate import OWN, Estimate, earlier_from
from lots.domain.characteristics.declaring.figures import Figure
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.colorimetry.spectra import Spectrum
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule
from lots.domain.conformity.rule_versions import CURRENT
from lots.domain.conformity.step_rule import StepRule
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.summaries import Vector
from lots.domain.uncertainty.nested_means import Earlier

# Suffix of the stored sources of an earlier lot, and prefix of a printer among them.
SOURCES = "_sources"
PRINTER = "printer "


@dataclass(frozen=True, slots=True)
class ShadeRevision:
    """An approved reference colour with its measuring conditions, and its spectrum where there is one.

    `instrument` is the code of its instrument, `uncertainty` its standard uncertainty per coordinate; None where not stated.
    """

    name: str
    revision: int
    lab: Lab
    conditions: Conditions
    spectrum: Spectrum | None = None
    instrument: str | None = None
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Previous:
    """The last accepted lot of the same supplier and grade, per characteristic it was accepted for.

    `accepted` maps the code of a step from it to the largest step that quality accepted, in the unit of its finding. `basis` describes its
    figures by characteristic (`Part.basis`). `sources` are its instruments and printers by characteristic; empty where not stored.
    `freedom` holds degrees of freedom of its uncertainties. `scatter` holds the earlier variances that are frozen with the assessed lot.
    """

    lab: Lab | None = None
    shrinkage: Mapping[str, float] = field(default_factory=dict)
    lab_uncertainty: Vector | None = None
    shrinkage_uncertainty: Mapping[str, float] = field(default_factory=dict)
    accepted: Mapping[str, float] = field(default_factory=dict)
    basis: Mapping[str, Any] = field(default_factory=dict)
    sources: Mapping[str, Sequence[str]] = field(default_factory=dict)
    freedom: Mapping[str, Any] = field(default_factory=dict)
    scatter: Mapping[str, Mapping[str, Earlier]] = field(default_factory=dict)

    def instruments(self, name: str) -> set[str]:
        """Returns the instruments that measured a characteristic; empty where unknown."""
        return {source for source in self.sources.get(name, ()) if not source.startswith(PRINTER)}

    def printers(self, name: str) -> set[str]:
        """Returns the printers of the measured prints; empty where unknown."""
        return {source.removeprefix(PRINTER) for source in self.sources.get(name, ()) if source.startswith(PRINTER)}

    @classmethod
    def from_kept(cls, kept: Mapping[str, Any], accepted: Mapping[str, float]) -> Previous:
        """Returns the earlier lot from the form stored with a lot."""
        lab, lab_u = kept.get("lab"), kept.get("lab_uncertainty")
        return cls(
            Lab(*lab) if lab else None,
            kept.get("shrinkage") or {},
            tuple(lab_u) if lab_u else None,
            kept.get("shrinkage_uncertainty") or {},
            accepted,
            kept.get("basis") or {},
            {name.removesuffix(SOURCES): some for name, some in kept.items() if name.endswith(SOURCES)},
            kept.get("freedom") or {},
            earlier_from(kept.get("scatter") or {}),
        )


@dataclass(frozen=True, slots=True)
class Taken:
    """A stored reading, before conversion to the characteristic's own type.

    Args:
        spool: code of the spool.
        values: its fields as stored.
        measured_at: time of measurement.
        origin: its origin.
        uncertainty: standard uncertainty of its instrument in the unit of the instrument; None when unknown.
        resolution: smallest step displayed by its instrument; None when unknown.
    """

    spool: str
    values: Mapping[str, Any]
    measured_at: datetime
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN


@dataclass(frozen=True, slots=True)
class Case:
    """The readings and criteria of one assessment.

    Args:
        readings: those of the lot that count, by characteristic; before version 3 of the rules including controls.
        controls: readings of the control spool, by characteristic.
        blocks: blocks of the limits revision, by characteristic.
        shade: the approved revision, None without one.
        nominal_mm: nominal diameter of the grade, mm.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        previous: the last accepted lot, for steps.
        steps: the rule for steps.
        uses: characteristic -> uses that require it.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.
        bridges: offsets between instruments, by their codes.
        estimate: method and earlier data for the uncertainty of means.
        judging: False while nothing can be assessed, without limits or with every delivery closed.
    """

    readings: Mapping[str, Sequence[Any]]
    blocks: Mapping[str, Any]
    shade: ShadeRevision | None
    nominal_mm: float
    coverage: Coverage
    rule: DecisionRule
    previous: Previous
    steps: StepRule
    uses: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    controls: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    rules: int = CURRENT
    judging: bool = True
    bridges: Bridges = field(default_factory=dict)
    estimate: Estimate = OWN

    def of(self, name: str) -> tuple[Sequence[Any], Any]:
        """Returns the readings of a characteristic and its limits block, None without one."""
        return self.readings.get(name, ()), self.blocks.get(name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One characteristic's part of the assessment of a lot.

    Args:
        findings: on the lot.
        each: on single spools.
        measured: completely measured spools, None where sampling plans do not count this characteristic.
        kept: figures to store with the lot, by their names in `Summary`.
        figures: figures for series over lots, by measure.
        notes: sentences, such as on readings that do not count.
        basis: description of its figures, from version 3 of the rules: a step compares only figures of equal basis.
        freedom: degrees of freedom of estimated uncertainties in `kept`, from version 4 of the rules.
    """

    findings: Sequence[Finding] = ()
    each: Sequence[Finding] = ()
    measured: frozenset[str] | None = None
    kept: Mapping[str, Any] = field(default_factory=dict)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    notes: Sequence[str] = ()
    basis: Mapping[str, Any] = field(default_factory=dict)
    freedom: Mapping[str, float] = field(default_factory=dict)
