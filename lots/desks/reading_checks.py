"""Does a reading make sense? Faults that refuse it, warnings that go with it, each with what to do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from lots.desks import clock
from lots.desks.errors import Fault
from lots.desks.evidence import conditions_of
from lots.domain import plausibility
from lots.domain.bond import stress_mpa
from lots.domain.plausibility import Doubt
from lots.domain.values import Conditions, Lab, condition_name, nearest_lab
from lots.store import catalog, readings


def common_faults(at: str, item: dict[str, Any], spool: Any, instruments: dict[int, Any], now: datetime) -> list[Fault]:
    """Returns what is wrong with what every reading says: its spool, its instrument, its time."""
    faults = []
    if spool is None:
        hint = "Check the label; GET /v1/lots/{id} lists a lot's spools. A spool is logged with its delivery."
        faults.append(Fault(f"{at}/spool_code", f"There is no spool with the code {item['spool_code']}.", hint))
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
        found = [plausibility.doubt_lab(item["lab"], item["conditions"].get("uv"))]
    elif kind == "shrinkage":
        found = [plausibility.doubt_shrinkage(item["designed_mm"], item["measured_mm"])]
    elif kind == "bond":
        found = _bond_doubts(item)
    elif kind == "moisture":
        found = [plausibility.doubt_moisture(item["moisture_percent"])]
    return [doubt for doubt in found if doubt is not None]


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


def condition_faults(at: str, item: dict[str, Any], spool: Any, asked: dict[int, Any]) -> list[Fault]:
    """Refuses a colour that cannot be compared with what was approved, naming each condition that differs."""
    try:
        said = Conditions(**item["conditions"])
    except ValueError as wrong:
        return [Fault(f"{at}/conditions", f"{wrong}.")]
    revision = asked.get(spool.lot.grade.shade_id)
    if revision is None or item.get("screening"):
        return []
    return [
        Fault(
            f"{at}/conditions/{field}",
            f"{condition_name(field)[0].upper()}{condition_name(field)[1:]} is {mine}, but revision {revision.revision} of {revision.shade.name} was measured with {theirs}: the two cannot be compared.",
            f"Measure again with {condition_name(field)} {theirs}, or send the reading with screening: true to keep it without judging by it.",
        )
        for field, mine, theirs in said.differences(conditions_of(revision))
    ]


def slips(items: Sequence[dict[str, Any]], spools: dict[str, Any], held: dict[int, Any]) -> list[list[dict[str, str]]]:
    """Warns of a* and b* that look swapped or short of a sign, against the lot's other readings, those of the same list included."""
    totals = {lot.id: [0.0, 0.0, 0.0, 0.0] for lot in held.values()}
    stored = [(lot.id, r.values["lab"]) for lot in held.values() for r in readings.that_count(lot.id, kind="color")]
    sent = [(spools[item["spool_code"]].lot_id, item["lab"]) for item in items]
    for lot_id, lab in (*stored, *sent):
        totals[lot_id] = [total + part for total, part in zip(totals[lot_id], (*lab, 1.0), strict=True)]
    hint = "It was stored as it stands. If it is wrong, void it with POST /v1/readings/{id}/void and send it again."
    warnings = []
    for item, (lot_id, lab) in zip(items, sent, strict=True):
        *sums, n = totals[lot_id]
        slip = None
        if n > 1:
            others = nearest_lab(*((total - part) / (n - 1) for total, part in zip(sums, lab, strict=True)))
            slip = plausibility.suspect_lab(Lab(*lab), others)
        warned = [{"field": "lab", "detail": f"{slip}.", "hint": hint}] if slip else []
        warnings.append([*warned, *_strangers(item, held[lot_id])])
    return warnings


def _strangers(item: dict[str, Any], lot: Any) -> list[dict[str, str]]:
    """Warns when a lot is still judged under an older revision of its shade, measured under other conditions than this reading."""
    revision = lot.shade_revision if lot.measured else None
    if (
        revision is None
        or item.get("screening")
        or not Conditions(**item["conditions"]).differences(conditions_of(revision))
    ):
        return []
    return [
        {
            "field": "conditions",
            "detail": (
                f"This lot is judged under revision {revision.revision} of its shade, measured under other conditions, so "
                "the reading does not count for it yet."
            ),
            "hint": "It will when quality has the lot judged again (POST /v1/lots/{id}/reassess).",
        }
    ]
