"""Colours by different instruments: the offset is corrected by an agreement study, or added to the uncertainty without one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.uncertainty import ColorUncertainty
from lots.domain.characteristics.declaring.bridge import Bridge, Bridges
from lots.domain.characteristics.declaring.case import Case, ShadeRevision
from lots.domain.colorimetry.color_values import Lab, mean_lab, nearest_lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.guard import proof_band
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule
from lots.domain.conformity.rule_versions import SECOND, THIRD
from lots.domain.conformity.step_rule import NONE_ACCEPTED, StepRule
from lots.domain.statistics.summaries import Vector
from lots.domain.uncertainty.budget import Uncertainty

if TYPE_CHECKING:
    from lots.domain.characteristics.color.lot_color import ColorReading

# Standard uncertainty of the offset between two instruments, per CIELAB coordinate. Models differ by 0.3 to 1. Common practice, no source.
BETWEEN_INSTRUMENTS = 0.5
# Source of the uncertainty between instruments, in words.
BRIDGED = "agreement of instruments"
NOTHING: Vector = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Compared:
    """The comparison of a lot's colours with their reference across instruments.

    Args:
        beyond: standard uncertainty per coordinate that the comparison adds to that of the lot.
        says: the instruments, in a sentence.
        waits_for: action that settles a failure which the instruments may explain; "" where none is needed.
        study: the missing study, as an action; "" where none is missing.
    """

    beyond: Vector = NOTHING
    says: str = ""
    waits_for: str = ""
    study: str = ""

    def told(self, found: Finding, rule: DecisionRule) -> Finding:
        """Returns a finding on a difference from the reference, adjusted for different instruments.

        Without an agreement study, nonconformity is never proved. A value outside its limit by no more than its widened uncertainty is
        `near`, since the instruments may explain it. Beyond that it fails. A pass under simple acceptance remains a pass.

        Args:
            found: with its uncertainty widened.
            rule: its z sets the width of the uncertainty.

        Reference:
            This project's rule, no source. JCGM 106:2012, 8.3, for the guard band.
        """
        margin = found.margin
        if margin is None or not self.says:
            return found
        found = replace(found, detail=f"{found.detail} {self.says}".strip())
        if not self.waits_for:
            return found
        known = found.spread or Uncertainty.known(math.hypot(*self.beyond))
        if found.verdict == "fail" and -margin <= proof_band(found.value or 0.0, known, rule.z) + BINARY_NOISE:
            return replace(found, verdict="near", claimable=None, to_measure=self.waits_for)
        if found.verdict == "near" and rule.version > THIRD:
            # Further readings with the other instrument do not remove the offset from the mean.
            settles = f"{found.to_measure}, or {self.study}" if found.more_spools else self.study
            return replace(found, claimable=None, to_measure=settles)
        return replace(found, claimable=None)


SAME = Compared()


@dataclass(frozen=True, slots=True)
class Start:
    """The last accepted lot as the start of a colour step.

    Args:
        lab: its colour, corrected to the instrument of this assessment; None where no step is assessed.
        uncertainty: of that colour, where known; it adds to that of the step.
        note: why no step is assessed.
        rule: the rule for steps.
    """

    lab: Lab | None = None
    uncertainty: ColorUncertainty | None = None
    note: str = ""
    rule: StepRule = NONE_ACCEPTED


NO_START = Start()


def to_reference(
    readings: Sequence[ColorReading], shade: ShadeRevision | None, case: Case
) -> tuple[list[ColorReading], Compared]:
    """Returns the colours corrected to the instrument of the reference, and the comparison across instruments.

    Where the instrument of a colour differs from that of its reference, an agreement study corrects the colour and adds its
    uncertainty. Without one, 0.5 per coordinate is added to the uncertainty. The reference's own uncertainty is always added.

    Args:
        readings: readings that count.
        shade: the reference, or None.
        case: with the agreement studies. Before version 3 of the rules nothing is added.

    Reference:
        Common practice, no source.
    """
    if shade is None or case.rules <= SECOND:
        return list(readings), SAME
    own = (shade.uncertainty or 0.0,) * 3
    if shade.instrument is None:
        return list(readings), Compared(own)
    known = _bridges(readings, shade.instrument, case.bridges)
    moved = _corrected(readings, known, shade.instrument)
    says = [_says(code, bridge, shade.instrument) for code, bridge in known.items()]
    waits_for = study = ""
    if unknown := [code for code, bridge in known.items() if bridge is None]:
        named = " and ".join((shade.instrument, *unknown))
        study = f"record an agreement study of {named}"
        waits_for = f"measure with {shade.instrument}, which measured the reference, or {study}"
    return moved, Compared(_root_sum(own, _largest_uncertainty(known)), " ".join(says), waits_for, study)


def from_previous(readings: Sequence[ColorReading], moved: Sequence[ColorReading], case: Case) -> Start:
    """Returns the last accepted lot as the start of a step; no step is assessed across instruments without an agreement study.

    Args:
        readings: of this lot, as measured.
        moved: the same, corrected to the instrument of the reference; the earlier lot is shifted by the same amount.
        case: with the earlier lot and its instruments.

    Notes:
        Where the instruments of either lot are unknown, or are the same, nothing is added.

    Reference:
        This project's rule, no source.
    """
    previous = case.previous
    kept = _previous_uncertainty(case)
    if previous.lab is None or case.rules <= SECOND or not readings:
        return Start(previous.lab, kept, rule=case.steps)
    before = previous.instruments("color")
    now = {reading.origin.instrument for reading in readings} - {None}
    like_before, beyond = list(readings), NOTHING
    if before and now and before != now:
        old = min(before)
        known = _bridges(readings, old, case.bridges)
        if len(before) > 1 or None in known.values():
            was, is_ = (", ".join(sorted(filter(None, some))) for some in (before, now))
            note = f"No colour step is assessed, since no agreement study covers {was} (last accepted lot) and {is_} (this lot)."
            return Start(None, None, note)
        like_before, beyond = _corrected(readings, known, old), _largest_uncertainty(known)
    if list(moved) == like_before and beyond == NOTHING:
        return Start(previous.lab, kept, rule=case.steps)
    middle, other = (_mean(some) for some in (moved, like_before))
    at = zip(previous.lab.as_list(), middle, other, strict=True)
    u = (kept or ColorUncertainty.known(NOTHING, case.estimate.lengths)).beside(beyond, BRIDGED)
    none = kept is None and beyond == NOTHING
    lab = nearest_lab(*(lab + here - there for lab, here, there in at))
    return Start(lab, None if none else u, rule=case.steps)


def _previous_uncertainty(case: Case) -> ColorUncertainty | None:
    """Returns the uncertainty of the last accepted lot's colour."""
    u, lengths = case.previous.lab_uncertainty, case.estimate.lengths
    if u is None:
        return None
    df = (case.previous.freedom.get("color") or {}).get("lab", math.inf)
    return ColorUncertainty.known(NOTHING, lengths).beside(u, "the last accepted lot", df)


def _mean(readings: Sequence[ColorReading]) -> list[float]:
    """Returns the mean of the spool means."""
    by_spool: dict[str, list[Lab]] = {}
    for reading in readings:
        by_spool.setdefault(reading.spool, []).append(reading.lab)
    return mean_lab([mean_lab(labs) for labs in by_spool.values()]).as_list()


def _bridges(readings: Sequence[ColorReading], to: str, bridges: Bridges) -> dict[str, Bridge | None]:
    """Returns each other instrument of these readings with its bridge to this one, or None."""
    codes = sorted({code for reading in readings if (code := reading.origin.instrument) and code != to})
    return {code: bridges.get(frozenset((code, to))) for code in codes}


def _corrected(readings: Sequence[ColorReading], known: Mapping[str, Bridge | None], to: str) -> list[ColorReading]:
    found = []
    for reading in readings:
        bridge = known.get(reading.origin.instrument or "")
        if bridge is not None:
            at = zip(reading.lab.as_list(), bridge.shift(to), strict=True)
            reading = replace(reading, lab=nearest_lab(*(value + by for value, by in at)))
        found.append(reading)
    return found


def _largest_uncertainty(known: Mapping[str, Bridge | None]) -> Vector:
    parts = [bridge.uncertainty if bridge else (BETWEEN_INSTRUMENTS,) * 3 for bridge in known.values()]
    return tuple(max(column) for column in zip(*parts, strict=True)) if parts else NOTHING


def _root_sum(one: Vector, other: Vector) -> Vector:
    return tuple(math.hypot(*pair) for pair in zip(one, other, strict=True))


def _says(code: str, bridge: Bridge | None, reference: str) -> str:
    if bridge is None:
        return (
            f"The instrument was {code}, that of the reference {reference}. A standard uncertainty of {BETWEEN_INSTRUMENTS:g} per "
            "coordinate is added (common practice)."
        )
    by = ", ".join(f"{name}* {part:+z.2f}" for name, part in zip("Lab", bridge.shift(reference), strict=True))
    return f"Readings with {code} were corrected to {reference} by agreement study {bridge.study} ({by})."
