"""Colours read with different instruments: what comes between them is added to the uncertainty, or corrected where a study of both tells it."""

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

# Standard uncertainty of the difference between two instruments, per coordinate in CIELAB. Models differ by 0.3 to 1. Common practice, no source.
BETWEEN_INSTRUMENTS = 0.5
# Where the uncertainty of an agreement study comes from, or of none.
BRIDGED = "agreement of instruments"
NOTHING: Vector = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Compared:
    """What comes between the colours of a lot and their reference.

    Args:
        beyond: standard uncertainty per coordinate that the comparison adds to that of the lot.
        says: which instruments, in a sentence.
        waits_for: how to settle a failure that the instruments alone may explain; "" where nothing is open between them.
        study: the study that is lacking, in words; "" where none is.
    """

    beyond: Vector = NOTHING
    says: str = ""
    waits_for: str = ""
    study: str = ""

    def told(self, found: Finding, rule: DecisionRule) -> Finding:
        """Returns a finding on a difference to the reference as it stands across instruments.

        Across instruments that no study ties together nothing is claimed. A value outside its limit by no more than its widened uncertainty is
        `near`: the instruments alone may explain it. Beyond that it fails. What passes under simple acceptance passes.

        Args:
            found: with its uncertainty widened.
            rule: whose z says how wide the uncertainty is taken.

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
            # Readings with the first instrument beside those of the other leave the step between both in the mean.
            settles = f"{found.to_measure}, or {self.study}" if found.more_spools else self.study
            return replace(found, claimable=None, to_measure=settles)
        return replace(found, claimable=None)


SAME = Compared()


@dataclass(frozen=True, slots=True)
class Start:
    """The last accepted lot as a step is measured from it.

    Args:
        lab: its colour as it would read where this lot's is judged; None where there is no step to judge.
        uncertainty: of that colour, where known; it counts towards that of the step.
        note: why no step can be judged.
        rule: how a step is judged.
    """

    lab: Lab | None = None
    uncertainty: ColorUncertainty | None = None
    note: str = ""
    rule: StepRule = NONE_ACCEPTED


NO_START = Start()


def to_reference(
    readings: Sequence[ColorReading], shade: ShadeRevision | None, case: Case
) -> tuple[list[ColorReading], Compared]:
    """Returns the colours as the instrument of the reference would read them, and what comes between.

    Where the instrument of a colour and that of its reference are known and differ, a study of their agreement corrects the colour and adds its
    uncertainty; without one, 0.5 per coordinate is added and nothing is corrected. The reference's own uncertainty is always added.

    Args:
        readings: that count.
        shade: the reference; None where there is none.
        case: with the studies of agreement. Before version 3 of the rules nothing is added.

    Reference:
        Common practice, no source.
    """
    if shade is None or case.rules <= SECOND:
        return list(readings), SAME
    own = (shade.uncertainty or 0.0,) * 3
    if shade.instrument is None:
        return list(readings), Compared(own)
    known = _bridges(readings, shade.instrument, case.bridges)
    moved = _moved(readings, known, shade.instrument)
    says = [_says(code, bridge, shade.instrument) for code, bridge in known.items()]
    waits_for = study = ""
    if unknown := [code for code, bridge in known.items() if bridge is None]:
        named = " and ".join((shade.instrument, *unknown))
        study = f"record an agreement study of {named}"
        waits_for = f"measure with {shade.instrument}, which measured the reference, or {study}"
    return moved, Compared(_root_sum(own, _widest(known)), " ".join(says), waits_for, study)


def from_previous(readings: Sequence[ColorReading], moved: Sequence[ColorReading], case: Case) -> Start:
    """Returns the last accepted lot's colour as a step is measured from it; no step is judged across instruments that no study ties together.

    Args:
        readings: of this lot, as they were read.
        moved: the same as the instrument of the reference would read them: the earlier lot is moved alike.
        case: with the earlier lot and the instruments that read it.

    Notes:
        Where the instruments of either lot are not known, or are the same, nothing is added.

    Reference:
        This project's rule, no source.
    """
    previous = case.previous
    kept = _kept(case)
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
            note = f"No colour step is judged: the last accepted lot was read with {was}, this lot with {is_}, and no agreement study ties them together."
            return Start(None, None, note)
        like_before, beyond = _moved(readings, known, old), _widest(known)
    if list(moved) == like_before and beyond == NOTHING:
        return Start(previous.lab, kept, rule=case.steps)
    middle, other = (_mean(some) for some in (moved, like_before))
    at = zip(previous.lab.as_list(), middle, other, strict=True)
    u = (kept or ColorUncertainty.known(NOTHING, case.estimate.lengths)).beside(beyond, BRIDGED)
    none = kept is None and beyond == NOTHING
    lab = nearest_lab(*(lab + here - there for lab, here, there in at))
    return Start(lab, None if none else u, rule=case.steps)


def _kept(case: Case) -> ColorUncertainty | None:
    """How uncertain the last accepted lot's colour is."""
    u, lengths = case.previous.lab_uncertainty, case.estimate.lengths
    if u is None:
        return None
    df = (case.previous.freedom.get("color") or {}).get("lab", math.inf)
    return ColorUncertainty.known(NOTHING, lengths).beside(u, "the last accepted lot", df)


def _mean(readings: Sequence[ColorReading]) -> list[float]:
    """The mean of the spools' means, as the lot's colour is."""
    by_spool: dict[str, list[Lab]] = {}
    for reading in readings:
        by_spool.setdefault(reading.spool, []).append(reading.lab)
    return mean_lab([mean_lab(labs) for labs in by_spool.values()]).as_list()


def _bridges(readings: Sequence[ColorReading], to: str, bridges: Bridges) -> dict[str, Bridge | None]:
    """Each other instrument that read these, with what ties it to this one."""
    codes = sorted({code for reading in readings if (code := reading.origin.instrument) and code != to})
    return {code: bridges.get(frozenset((code, to))) for code in codes}


def _moved(readings: Sequence[ColorReading], known: Mapping[str, Bridge | None], to: str) -> list[ColorReading]:
    found = []
    for reading in readings:
        bridge = known.get(reading.origin.instrument or "")
        if bridge is not None:
            at = zip(reading.lab.as_list(), bridge.shift(to), strict=True)
            reading = replace(reading, lab=nearest_lab(*(value + by for value, by in at)))
        found.append(reading)
    return found


def _widest(known: Mapping[str, Bridge | None]) -> Vector:
    parts = [bridge.uncertainty if bridge else (BETWEEN_INSTRUMENTS,) * 3 for bridge in known.values()]
    return tuple(max(column) for column in zip(*parts, strict=True)) if parts else NOTHING


def _root_sum(one: Vector, other: Vector) -> Vector:
    return tuple(math.hypot(*pair) for pair in zip(one, other, strict=True))


def _says(code: str, bridge: Bridge | None, reference: str) -> str:
    if bridge is None:
        return (
            f"Read with {code}, the reference with {reference}: {BETWEEN_INSTRUMENTS:g} per coordinate is added to the "
            "standard uncertainty (common practice)."
        )
    # No "-0.00".
    by = ", ".join(
        f"{name}* {round(part, 2) + 0.0:+.2f}" for name, part in zip("Lab", bridge.shift(reference), strict=True)
    )
    return f"Read with {code} and corrected to {reference} by agreement study {bridge.study} ({by})."
