"""Readings with measuring conditions: completed from spectra, compared with the reference, and checked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from lots.domain.characteristics.color.backing import backing_problem
from lots.domain.characteristics.color.doubts import far_from_reference, suspect_lab
from lots.domain.characteristics.opacity.declared_opacity import OPACITY
from lots.domain.characteristics.opacity.lot_opacity import Opacity, OpacityReading, latest
from lots.domain.colorimetry.color_values import LIGHT, NOT_STATED, Conditions, Lab, condition_name, nearest_lab
from lots.services.assessment.counting import HeldTo, that_count
from lots.services.assessment.lot_assessment import reading_from
from lots.services.errors import Fault
from lots.services.from_rows import conditions_of
from lots.services.readings.sent import Light, SentReading, Slip
from lots.services.setup.spectral_input import DEFAULT_LIGHT, color_under, read, uv_fault
from lots.store import readings
from lots.store.setup import catalog
from lots.store.tables.models import Reading, ShadeRevision, Spool


@dataclass(frozen=True, slots=True)
class Asked:
    """References for readings: the current revision of each shade, and the newest opacity of each lot that has one."""

    shades: Mapping[int, ShadeRevision]
    plaques: Mapping[int, Opacity]

    @classmethod
    def of(cls, spools: Iterable[Spool]) -> Asked:
        """Returns the references for readings on these spools. At most three queries."""
        every = list(spools)
        shades = {number for spool in every if (number := spool.lot.grade.shade_id) is not None}
        current = catalog.current_shade_revisions(shades) if shades else {}
        rows, _ = that_count(readings.of_lots({spool.lot_id for spool in every}, OPACITY.name), HeldTo())
        by_lot: dict[int, list[OpacityReading]] = {}
        for row in rows:
            if isinstance(reading := reading_from(row), OpacityReading):
                by_lot.setdefault(row.lot_id, []).append(reading)
        newest = {number: latest(mine) for number, mine in by_lot.items()}
        return cls(current, {number: one.found for number, one in newest.items() if one is not None})

    def revision(self, spool: Spool) -> ShadeRevision | None:
        """Returns the shade revision for readings on a spool, None without one."""
        shade = spool.lot.grade.shade_id
        return None if shade is None else self.shades.get(shade)


def compared(
    items: Sequence[SentReading], spools: Mapping[str, Spool], asked: Asked, *, as_list: bool
) -> tuple[list[SentReading], list[Fault]]:
    """Returns readings ready for comparison with their reference, and the faults of those that cannot be compared.

    A reading with a spectrum is given its `lab`, and illuminant and observer of its lot's shade revision. A reading
    with a faulty spectrum gets no `lab`.

    Args:
        items: readings as sent.
        spools: existing spools by code.
        asked: references of the readings.
        as_list: True when the request is a list, so that faults point into it.
    """
    found: list[SentReading] = []
    faults: list[Fault] = []
    for index, item in enumerate(items):
        at, spool = f"/{index}" if as_list else "", spools.get(item["spool_code"])
        whole, wrong = _completed(f"{at}/spectrum", item, spool, asked)
        found.append(whole)
        faults += wrong
        if spool is not None:
            faults += _incomparable(at, whole, spool, asked)
    return found, faults


def _completed(at: str, item: SentReading, spool: Spool | None, asked: Asked) -> tuple[SentReading, list[Fault]]:
    sent = item.get("spectrum")
    if sent is None:
        return item, []
    light = _light(spool, asked)
    whole: SentReading = {**item, "conditions": {**item["conditions"], **light}}
    spectrum, wrong = read(at, sent)
    if spectrum is not None:
        lab, wrong = color_under(at, spectrum, light["illuminant"], light["observer_deg"])
        if lab:
            whole["lab"] = lab.as_list()
    return whole, wrong


def _light(spool: Spool | None, asked: Asked) -> Light:
    """Returns illuminant and observer of a lot's shade revision, which is fixed at its first reading."""
    revision = None if spool is None else asked.revision(spool)
    first = None if spool is None or not spool.lot.measured else spool.lot.shade_revision_id
    if spool is not None and first is not None and (revision is None or revision.id != first):
        revision = spool.lot.shade_revision
    if revision is None:
        return cast("Light", DEFAULT_LIGHT)
    under = conditions_of(revision)
    return {"illuminant": under.illuminant, "observer_deg": under.observer_deg}


def _incomparable(at: str, item: SentReading, spool: Spool, asked: Asked) -> list[Fault]:
    """Returns faults for conditions other than the reference's, a missing UV condition, and a wrong backing."""
    try:
        said = Conditions(**item["conditions"])
    except ValueError as wrong:
        return [Fault(f"{at}/conditions", f"{wrong}.")]
    revision, plaque = asked.revision(spool), asked.plaques.get(spool.lot_id)
    faults = [] if revision is None or item.get("screening") else _differing(at, item, said, revision)
    if spool.lot.grade.brightened and said.uv is None and not _at(faults, f"{at}/conditions/uv"):
        faults.append(uv_fault(f"{at}/conditions/uv", spool.lot.grade))
    if plaque and not item.get("screening") and not _at(faults, f"{at}/conditions/backing"):
        problem = backing_problem(plaque, said, conditions_of(revision) if revision else None)
        faults += [Fault(f"{at}/conditions/backing", *problem)] if problem else []
    return faults


def _at(faults: Sequence[Fault], pointer: str) -> bool:
    return any(fault.pointer == pointer for fault in faults)


def _differing(at: str, item: SentReading, said: Conditions, revision: ShadeRevision) -> list[Fault]:
    """Returns a fault for each condition that differs from the reference.

    Illuminant and observer of a spectrum are computed.
    """
    computed = () if item.get("spectrum") is None else LIGHT
    faults = []
    for field, mine, theirs in said.differences(conditions_of(revision)):
        if field in computed:
            continue
        name = condition_name(field)
        reference = f"The reference of {revision.shade.name} (revision {revision.revision})"
        reading = "this reading does not state it" if mine == NOT_STATED else f"this reading has {mine}"
        detail = f"{reference} has {name} {theirs}, and {reading}."
        hint = f"Measure again with {name} {theirs}, or store the reading for information only."
        faults.append(Fault(f"{at}/conditions/{field}", detail, hint))
    return faults


def slips(
    items: Sequence[SentReading], spools: Mapping[str, Spool], before: Mapping[int, Sequence[Reading]], asked: Asked
) -> list[list[Slip]]:
    """Returns the likely mistakes in each colour reading, compared with the lot's other readings and the reference.

    Args:
        items: readings without faults.
        spools: spools by code.
        before: earlier readings of their lots, by the lot's number.
        asked: references of the readings.
    """
    totals = {number: [0.0, 0.0, 0.0, 0.0] for number in before}
    stored = [(number, cast("list[float]", row.values["lab"])) for number, rows in before.items() for row in rows]
    sent = [(spools[item["spool_code"]].lot_id, item["lab"]) for item in items]
    for number, lab in (*stored, *sent):
        totals[number] = [total + part for total, part in zip(totals[number], (*lab, 1.0), strict=True)]
    found = []
    for item, (number, lab) in zip(items, sent, strict=True):
        *sums, n = totals[number]
        slip = None
        # No sign can be mistyped in a colour computed from a spectrum.
        if n > 1 and item.get("spectrum") is None:
            others = nearest_lab(*((total - part) / (n - 1) for total, part in zip(sums, lab, strict=True)))
            slip = suspect_lab(Lab(*lab), others)
        told = [Slip("lab", f"{slip}.")] if slip else []
        found.append([*told, *_far(item, asked.revision(spools[item["spool_code"]]))])
    return found


def _far(item: SentReading, revision: ShadeRevision | None) -> list[Slip]:
    """Returns a warning when a reading is very far from the reference, as for a spectrum wrongly given in percent."""
    by_spectrum = item.get("spectrum") is not None
    reference = Lab(*revision.lab) if revision is not None else None
    warned = reference and far_from_reference(Lab(*item["lab"]), reference, by_spectrum=by_spectrum)
    return [Slip("spectrum" if by_spectrum else "lab", *warned)] if warned else []
