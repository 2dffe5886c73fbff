"""Does a reading make sense? Faults that refuse it, warnings that go with it, each with what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from lots.domain.characteristics import plausibility
from lots.domain.characteristics.bond import stress_mpa
from lots.domain.characteristics.gloss import doubt_gloss
from lots.domain.characteristics.opacity import Opacity, backing_problem, latest, opacity, suspect_opacity
from lots.domain.characteristics.plausibility import Doubt, far_from_reference
from lots.domain.colorimetry.color_values import Conditions, Lab, condition_name, nearest_lab
from lots.services import clock
from lots.services.assessment.lot_assessment import evidence_from, in_order
from lots.services.errors import Fault
from lots.services.from_rows import conditions_of
from lots.services.lookups import withdrawn
from lots.services.setup.spectral_input import LIGHT, uv_fault
from lots.store import readings
from lots.store.setup import catalog, spool_codes


def common_faults(at: str, item: dict[str, Any], spool: Any, instruments: dict[int, Any], now: datetime) -> list[Fault]:
    """Returns what is wrong with what every reading says: its spool, its instrument, its time."""
    faults = []
    if spool is None:
        like = spool_codes.similar(item["spool_code"])
        logged = "Check the label; its lot shows the codes of its spools. A spool is logged with its delivery."
        hint = f"Did you mean {' or '.join(like)}?" if like else logged
        faults.append(Fault(f"{at}/spool_code", f"There is no spool with the code {item['spool_code']}.", hint))
    elif spool.withdrawn_at is not None:
        faults.append(Fault(f"{at}/spool_code", withdrawn(spool), "Check the label, or take the spool to quality."))
    instrument = item.get("instrument_id")
    if instrument is not None and instrument not in instruments:
        faults.append(
            Fault(
                f"{at}/instrument_id",
                f"There is no instrument {instrument}.",
                "Leave it out, or have quality add the instrument first.",
            )
        )
    return faults + clock.doubt_future(f"{at}/measured_at", item.get("measured_at"), now)


def doubts(kind: str, item: dict[str, Any], spool: Any) -> list[Doubt]:
    """What makes no physical sense in one reading, with hints."""
    nominal = spool.lot.grade.nominal_diameter_mm
    found: list[Doubt | None] = []
    if kind == "diameter":
        found = [plausibility.doubt_diameter(field, item[field], nominal) for field in ("d1_mm", "d2_mm")]
    elif kind == "color":
        found = [_color_doubt(item)]
    elif kind == "shrinkage":
        found = [plausibility.doubt_shrinkage(item["designed_mm"], item["measured_mm"])]
    elif kind == "bond":
        found = _bond_doubts(item)
    elif kind == "moisture":
        found = [plausibility.doubt_moisture(item["moisture_percent"])]
    elif kind == "gloss":
        doubt = doubt_gloss(item["geometry_deg"], item["gloss_gu"])
        found = [replace(doubt, field="gloss_gu") if doubt else None]
    elif kind == "opacity":
        found = _opacity_doubts(item)
    return [doubt for doubt in found if doubt is not None]


def _color_doubt(item: dict[str, Any]) -> Doubt | None:
    """A spectrum that is at fault has no colour, and has been refused already."""
    doubt = plausibility.doubt_lab(item["lab"], item["conditions"].get("uv")) if "lab" in item else None
    return replace(doubt, field="spectrum") if doubt and item.get("spectrum") is not None else doubt


def _opacity_doubts(item: dict[str, Any]) -> list[Doubt | None]:
    """Colours that are none, and a pair that does not tell opacity. Nobody said how it was lit, so L* above 100 is believed."""
    found: list[Doubt | None] = []
    for name in ("over_black", "over_white"):
        doubt = plausibility.doubt_lab(item[name], "included")
        found.append(replace(doubt, field=name) if doubt else None)
    if any(found):
        return found
    try:
        opacity(Lab(*item["over_black"]), Lab(*item["over_white"]))
    except ValueError as wrong:
        hint = (
            "Read the same place of the same plaque, first on black, then on white. If over_black and over_white were swapped, "
            "put each in the other's place."
        )
        found.append(Doubt("over_black", f"{str(wrong)[:1].upper()}{str(wrong)[1:]}.".replace("?.", "?"), hint))
    return found


def _bond_doubts(item: dict[str, Any]) -> list[Doubt | None]:
    force, area, stress = item.get("break_force_n"), item.get("area_mm2"), item.get("stress_mpa")
    if stress is not None and (force is not None or area is not None):
        return [
            Doubt("stress_mpa", "The stress is given twice.", "Give either stress_mpa, or break_force_n with area_mm2.")
        ]
    if stress is not None:
        return [plausibility.doubt_stress("stress_mpa", stress)]
    if force is None:
        return [Doubt("stress_mpa", "What did the bar break at?", "Give stress_mpa, or break_force_n with area_mm2.")]
    if area is None:
        return [
            Doubt(
                "area_mm2",
                "A force says nothing without the section it broke.",
                "Give area_mm2, the cross-section of the bar.",
            )
        ]
    return [plausibility.doubt_stress("break_force_n", stress_mpa(force, area))]


def shades_asked(kind: str, spools: Any) -> dict[int, Any]:
    """Returns the current revision of each shade that colour readings on these spools must be comparable with. At most one query."""
    shades = {spool.lot.grade.shade_id for spool in spools} - {None}
    return catalog.current_shade_revisions(shades) if kind == "color" and shades else {}


def plaques_of(kind: str, spools: Mapping[str, Any]) -> dict[int, Opacity]:
    """Returns the newest opacity of each of these lots that has one, for colour readings. At most two queries."""
    if kind != "color":
        return {}
    rows, _ = in_order(readings.of_lots({spool.lot_id for spool in spools.values()}, "opacity"), None)
    by_lot: dict[int, list[Any]] = {}
    for row in rows:
        by_lot.setdefault(row.lot_id, []).append(row)
    newest = {number: latest(evidence_from(mine).opacity) for number, mine in by_lot.items()}
    return {number: reading.found for number, reading in newest.items() if reading is not None}


def condition_faults(
    at: str, item: dict[str, Any], spool: Any, asked: dict[int, Any], plaques: dict[int, Opacity]
) -> list[Fault]:
    """Refuses a colour that cannot be compared with what was approved, naming each condition that differs.

    Args:
        at: where the reading stands in the request.
        item: the reading, its light filled in where it has a spectrum.
        spool: that it was read on.
        asked: the current revision of each shade.
        plaques: the newest opacity of each lot that has one.
    """
    try:
        said = Conditions(**item["conditions"])
    except ValueError as wrong:
        return [Fault(f"{at}/conditions", f"{wrong}.")]
    revision = asked.get(spool.lot.grade.shade_id)
    faults = [] if revision is None or item.get("screening") else _differing(at, item, said, revision)
    if spool.lot.grade.brightened and said.uv is None and not _at(faults, f"{at}/conditions/uv"):
        faults.append(uv_fault(f"{at}/conditions/uv", spool.lot.grade))
    plaque = plaques.get(spool.lot_id)
    if plaque and not item.get("screening") and not _at(faults, f"{at}/conditions/backing"):
        problem = backing_problem(plaque, said, conditions_of(revision) if revision else None)
        faults += [Fault(f"{at}/conditions/backing", *problem)] if problem else []
    return faults


def _at(faults: Sequence[Fault], pointer: str) -> bool:
    return any(fault.pointer == pointer for fault in faults)


def _differing(at: str, item: dict[str, Any], said: Conditions, revision: Any) -> list[Fault]:
    """Each condition in which a reading departs from the reference. A spectrum has no light of its own."""
    computed = () if item.get("spectrum") is None else LIGHT
    return [
        Fault(
            f"{at}/conditions/{field}",
            f"{condition_name(field)[0].upper()}{condition_name(field)[1:]} is {mine}, but revision {revision.revision} of {revision.shade.name} was measured with {theirs}: the two cannot be compared.",
            f"Measure again with {condition_name(field)} {theirs}, or send the reading with screening: true to keep it without judging by it.",
        )
        for field, mine, theirs in said.differences(conditions_of(revision))
        if field not in computed
    ]


def slips(
    kind: str, items: Sequence[dict[str, Any]], spools: dict[str, Any], held: dict[int, Any], asked: Mapping[int, Any]
) -> list[list[dict[str, str]]]:
    """Returns for each reading what of it looks like a slip; it is stored all the same. What does not help its lot is told by `uncounted`.

    Args:
        kind: one of the characteristics.
        items: readings that are not refused.
        spools: by their codes.
        held: the lots they belong to, by number.
        asked: the current revision of each shade.
    """
    if kind == "opacity":
        return [_opacity_slip(item) for item in items]
    return _color_slips(items, spools, held, asked) if kind == "color" else [[] for _ in items]


def _opacity_slip(item: dict[str, Any]) -> list[dict[str, str]]:
    warned = suspect_opacity(Lab(*item["over_black"]), Lab(*item["over_white"]))
    return [{"field": "over_black", "detail": warned[0], "hint": f"{warned[1]} {_AS_IT_STANDS}"}] if warned else []


_AS_IT_STANDS = "It was stored as it stands. If it is wrong, have quality void it, and enter it again."


def _color_slips(
    items: Sequence[dict[str, Any]], spools: dict[str, Any], held: dict[int, Any], asked: Mapping[int, Any]
) -> list[list[dict[str, str]]]:
    """Warns of a* and b* that look swapped or short of a sign, against the lot's other readings, those of the same list included."""
    totals = {lot.id: [0.0, 0.0, 0.0, 0.0] for lot in held.values()}
    stored = [(lot.id, r.values["lab"]) for lot in held.values() for r in readings.that_count(lot.id, kind="color")]
    sent = [(spools[item["spool_code"]].lot_id, item["lab"]) for item in items]
    for lot_id, lab in (*stored, *sent):
        totals[lot_id] = [total + part for total, part in zip(totals[lot_id], (*lab, 1.0), strict=True)]
    warnings = []
    for item, (lot_id, lab) in zip(items, sent, strict=True):
        *sums, n = totals[lot_id]
        slip = None
        # What is computed from a spectrum has no sign to be mistyped.
        if n > 1 and item.get("spectrum") is None:
            others = nearest_lab(*((total - part) / (n - 1) for total, part in zip(sums, lab, strict=True)))
            slip = plausibility.suspect_lab(Lab(*lab), others)
        warned = [{"field": "lab", "detail": f"{slip}.", "hint": _AS_IT_STANDS}] if slip else []
        revision = asked.get(spools[item["spool_code"]].lot.grade.shade_id)
        warnings.append([*warned, *_far(item, revision)])
    return warnings


def _far(item: dict[str, Any], revision: Any) -> list[dict[str, str]]:
    """Warns when a reading is nowhere near the reference, which a spectrum in percent of a dark colour is."""
    by_spectrum = item.get("spectrum") is not None
    reference = Lab(*revision.lab) if revision is not None else None
    warned = reference and far_from_reference(Lab(*item["lab"]), reference, by_spectrum=by_spectrum)
    field = "spectrum" if by_spectrum else "lab"
    return [{"field": field, "detail": warned[0], "hint": f"{warned[1]} {_AS_IT_STANDS}"}] if warned else []
