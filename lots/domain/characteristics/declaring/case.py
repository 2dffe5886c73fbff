"""What a lot is assessed by, and what one characteristic adds to the assessment."""

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
from lots.domain.statistics.nested_means import Earlier
from lots.domain.statistics.summaries import Vector

# How what is kept of an earlier lot names its sources, by characteristic, and how a source names a printer.
SOURCES = "_sources"
PRINTER = "printer "


@dataclass(frozen=True, slots=True)
class ShadeRevision:
    """An approved reference colour and the conditions it holds for; with its spectrum where it was approved by one.

    `instrument` measured it (its code), and `uncertainty` is its standard uncertainty per coordinate; None where nobody said.
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

    `accepted` maps the code of a step from it to the largest that quality accepted, in the unit of its finding. `basis` says by characteristic
    what its figures are of (`Part.basis`). `sources` says, by characteristic, which instruments and printers it was measured with; empty where that
    was not kept. `freedom` says, by characteristic, with how many degrees of freedom an uncertainty was estimated.
    `scatter` is what earlier spools and lots showed when this lot was first judged.
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
        """Returns the instruments that read a characteristic of it; empty where that is not known."""
        return {source for source in self.sources.get(name, ()) if not source.startswith(PRINTER)}

    def printers(self, name: str) -> set[str]:
        """Returns the printers that printed what was read of it; empty where that is not known."""
        return {source.removeprefix(PRINTER) for source in self.sources.get(name, ()) if source.startswith(PRINTER)}

    @classmethod
    def from_kept(cls, kept: Mapping[str, Any], accepted: Mapping[str, float]) -> Previous:
        """Returns the earlier lot as it is kept beside a lot: the carried columns of its characteristics, none where it was accepted for none."""
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
    """A stored reading on its way to the value that judging uses.

    Args:
        spool: code of the spool.
        values: its fields as they are stored.
        measured_at: when.
        origin: where it comes from.
        uncertainty: standard uncertainty of its instrument in the unit that this reads; None when unknown.
        resolution: smallest step that its instrument shows; None when unknown.
    """

    spool: str
    values: Mapping[str, Any]
    measured_at: datetime
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN


@dataclass(frozen=True, slots=True)
class Case:
    """What a lot is assessed by.

    Args:
        readings: of the lot that count, by characteristic; before version 3 of the rules those of controls are among them.
        controls: readings of the control spool, by characteristic.
        blocks: of the limits revision, by characteristic.
        shade: the approved revision, None without one.
        nominal_mm: nominal diameter of the grade, mm.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        previous: the lot that steps are measured from.
        steps: what a step does.
        uses: that require a characteristic, by characteristic.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.
        bridges: what ties instruments together, by their codes.
        estimate: what the uncertainty of its means is estimated from beside their own readings.
        judging: False while nothing may be judged, because there are no limits or the delivery is closed.
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
    """What one characteristic adds to the assessment of a lot.

    Args:
        findings: on the lot.
        each: on single spools, by themselves.
        measured: spools that are fully measured, None where a sampling plan does not count this characteristic.
        kept: what is kept of the lot or its spools, by the names that `Summary` has for it.
        figures: what the lot adds to series, by measure.
        notes: on readings that do not count, and the like.
        basis: what its figures are of, from version 3 of the rules: a step compares only figures of the same.
        freedom: degrees of freedom of the uncertainties in `kept` that were estimated, from version 4 of the rules.
    """

    findings: Sequence[Finding] = ()
    each: Sequence[Finding] = ()
    measured: frozenset[str] | None = None
    kept: Mapping[str, Any] = field(default_factory=dict)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    notes: Sequence[str] = ()
    basis: Mapping[str, Any] = field(default_factory=dict)
    freedom: Mapping[str, float] = field(default_factory=dict)
