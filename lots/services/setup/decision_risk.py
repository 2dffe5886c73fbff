"""What the limits, sample and instruments of a grade risk, and what one more spool, reading or a finer instrument would do. Only reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from lots.domain.assessment.decision_risk import Plan
from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.characteristics.registry import JUDGED
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity import rule_versions
from lots.domain.replicates.kept_scatter import MOST, lent
from lots.domain.replicates.planned import Known, Planned, known_from, planned, readings_asked
from lots.domain.words import counted
from lots.services.errors import Fault, Invalid
from lots.services.lookups import found
from lots.store.assessment import lots
from lots.store.setup import catalog

# Spools of a lot where nobody says how many. This project's choice.
SPOOLS_IN_LOT = 20
# How far a good lot lies from its target, as a part of the way to the limit. This project's choice.
GOOD = 0.5
_NONE = Known(None, 0.0, None, 0.0)


def decision_risk(grade_id: int, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Returns, for each figure that is a mean of readings, the risks of the grade's newest limits, with a power curve. A handful of queries.

    Args:
        grade_id: of the grade.
        asked: what to plan with in place of what is known: `code`, `spools`, `readings`, `spools_in_lot`, `instrument_id`, `good`; with a
            `code` also `sd`, `between_sd` and `uncertainty` in the unit of its figure.

    Raises:
        NotFound: no such grade or instrument.
        Invalid: the grade has no limits, none on this code, or a number needs a code.
    """
    grade = found("grade", grade_id)
    row = catalog.current_limits(grade_id)
    if row is None:
        raise Invalid(Fault("/grade_id", f"Grade {grade.code} has no limits.", "Set limits first."))
    limits = limits_from(row.body)
    figures = _figures(grade, limits, asked)
    instrument = found("instrument", asked["instrument_id"]) if asked.get("instrument_id") else None
    kept = _kept(grade_id)
    # What earlier lots lend counts in the band only by the rules that pool it.
    pools = rule_versions.of_limits(row.rules) > rule_versions.THIRD
    measures = [_measure(one, limits, lent(kept, kept), instrument, {**asked, "pools": pools}) for one in figures]
    return {
        "grade_id": grade_id,
        "limits_revision": row.revision,
        "decision_rule": "guarded" if limits.rule.guarded else "simple",
        "guard_z": limits.rule.z,
        "good": asked.get("good", GOOD),
        "measures": measures,
        "says": "The risks hold for normally distributed readings and spools. They say nothing of a lot that was not sampled at random.",
    }


def _figures(grade: Any, limits: Limits, asked: Mapping[str, Any]) -> list[Planned]:
    shade = catalog.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None
    figures = planned(limits, grade.nominal_diameter_mm, Lab(*shade.lab) if shade else None)
    code = asked.get("code")
    if code is None:
        own = [name for name in ("sd", "between_sd", "uncertainty") if asked.get(name) is not None]
        if own:
            raise Invalid(
                *(
                    Fault(
                        f"/{name}",
                        "This number needs the figure it belongs to.",
                        "Send the code of the finding with it.",
                    )
                    for name in own
                )
            )
        return figures
    chosen = [one for one in figures if one.code == code]
    if not chosen:
        codes = ", ".join(one.code for one in figures) or "none"
        raise Invalid(
            Fault(
                "/code", f"The limits of this grade set no limit on {code}.", f"Figures that can be planned: {codes}."
            )
        )
    return chosen


def _kept(grade_id: int) -> list[Mapping[str, Any]]:
    newest = lots.newest_of_grade(grade_id, MOST)
    return [lot.figures.get("scatter") or {} for lot in newest]


def _measure(
    one: Planned, limits: Limits, lent_by: Mapping[str, Any], instrument: Any, asked: Mapping[str, Any]
) -> dict[str, Any]:
    in_lot = asked.get("spools_in_lot", SPOOLS_IN_LOT)
    spools = min(asked.get("spools") or limits.sampling.required(in_lot, "normal"), in_lot)
    readings = asked.get("readings") or readings_asked(one.code, limits, spools)
    known, by = _known(one, lent_by, instrument)
    sd = asked["sd"] if asked.get("sd") is not None else known.sd
    between = asked["between_sd"] if asked.get("between_sd") is not None else known.between_sd
    u = asked["uncertainty"] if asked.get("uncertainty") is not None else _stated(one, by)
    answer = {
        "code": one.code,
        "label": JUDGED[one.code].label,
        "unit": one.limit.unit,
        "limit": one.limit.as_json(),
        "spools": spools,
        "spools_in_lot": in_lot,
        "readings_per_spool": readings,
        "sd": sd,
        "between_sd": between,
        "uncertainty": u,
        "instrument": by.code if by is not None else None,
    }
    if sd is None or (between is None and not one.of_spool):
        lacks = "of a reading (sd)" if sd is None else "between spools (between_sd)"
        return {
            **answer,
            **_UNKNOWN,
            "says": f"The standard deviation {lacks} is not known. Give it with the code, or measure more lots.",
        }
    plan = Plan(
        one.limit,
        limits.rule,
        spools,
        readings,
        sd,
        between or 0.0,
        u or 0.0,
        in_lot,
        known.sd_df if asked["pools"] and asked.get("sd") is None else 0.0,
        known.between_df if asked["pools"] and asked.get("between_sd") is None else 0.0,
        one.of_spool,
        one.directions,
    )
    return {**answer, **_risks(plan, asked.get("good", GOOD))}


_UNKNOWN: dict[str, Any] = {
    "false_accept_probability": None,
    "false_reject_probability": None,
    "curve": [],
    "changes": [],
}


def _known(one: Planned, lent_by: Mapping[str, Any], instrument: Any) -> tuple[Known, Any]:
    """How readings of a figure scatter with an instrument: the one that was asked for, or else the one that read most spools."""
    by_figure = [lent_by.get(figure, {}) for figure in one.figures]
    codes = set.intersection(*(set(each) for each in by_figure)) if by_figure else set()
    if instrument is not None:
        codes &= {instrument.code}
    code = max(sorted(codes), key=lambda code: len(by_figure[0][code]["within"]), default=None)
    if code is None:
        return _NONE, instrument
    each = [known_from(figure[code]) for figure in by_figure]
    sds, between = ([getattr(part, name) for part in each] for name in ("sd", "between_sd"))
    return (
        Known(
            None if None in sds else one.scale(tuple(sds)),
            min(part.sd_df for part in each),
            None if None in between else one.scale(tuple(between)),
            min(part.between_df for part in each),
        ),
        instrument or catalog.find_by_code("instrument", code),
    )


def _stated(one: Planned, instrument: Any) -> float | None:
    """The stated standard uncertainty of an instrument, in the unit of the figure where that is what it reads."""
    if instrument is None or instrument.standard_uncertainty is None:
        return None
    u = float(instrument.standard_uncertainty)
    return one.scale((u,) * len(one.figures))


def _risks(plan: Plan, good: float) -> dict[str, Any]:
    accepts, rejects = plan.false_accept, plan.held_back(good)
    return {
        "false_accept_probability": accepts,
        "false_reject_probability": rejects,
        "curve": [
            {"true": true, "passes": chances.passes, "near": chances.near, "fails": chances.fails}
            for true, chances in plan.curve()
        ],
        "changes": [
            {
                "change": words,
                "false_accept_probability": other.false_accept,
                "false_reject_probability": other.held_back(good),
            }
            for words, other in _changes(plan)
        ],
        "says": f"With {counted(plan.spools, 'spool')} of {counted(plan.readings, 'reading')} each, a lot on its limit passes in "
        f"{100 * accepts:.1f} % of cases, and a lot {100 * good:g} % of the way from target to limit is held or rejected in {100 * rejects:.1f} %.",
    }


def _changes(plan: Plan) -> list[tuple[str, Plan]]:
    """What one more spool, one more reading or a finer instrument would be."""
    found = [("one more reading of each spool", replace(plan, readings=plan.readings + 1))]
    if plan.spools_in_lot is None or plan.spools < plan.spools_in_lot:
        found.insert(0, ("one more spool", replace(plan, spools=plan.spools + 1)))
    if plan.instrument:
        found.append(("an instrument half as uncertain", replace(plan, instrument=plan.instrument / 2)))
    return found
