"""The risks of wrong decisions under the limits, sampling and instruments of a grade, and the effect of improvements. Read-only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypedDict

from lots.domain.assessment.decision_risk import Plan
from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.characteristics.registry import JUDGED
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity import rule_versions
from lots.domain.replicates.kept_scatter import MOST, Kept, lent
from lots.domain.replicates.planned import KnownSpread, Planned, known_from, planned, readings_asked
from lots.domain.words import counted
from lots.services.errors import Fault, Invalid
from lots.services.lookups import found
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.setup import catalog
from lots.store.tables.models import Grade, Instrument, LimitsRevision

# The default number of spools in a lot. Our choice, no source.
SPOOLS_IN_LOT = 20
# The default distance of a good lot from its target, as a share of the distance to the limit. Our choice, no source.
GOOD = 0.5
_NONE = KnownSpread(None, 0.0, None, 0.0)


class Asked(TypedDict, total=False):
    """The grade, and assumptions that replace known values."""

    grade_id: int
    code: str
    spools: int
    readings: int
    spools_in_lot: int
    instrument_id: int
    good: float
    sd: float
    between_sd: float
    uncertainty: float


def decision_risk(asked: Asked, limits_revision: LimitsRevision | None = None) -> View:
    """Returns the risks of the grade's newest limits for each measure that is a mean of readings, with a power curve.

    Up to five queries with an instrument. Without one up to four, and one for each measure.

    Args:
        asked: `grade_id`, and assumptions: `code`, `spools`, `readings`, `spools_in_lot`, `instrument_id`, `good`. With a `code` also `sd`,
            `between_sd` and `uncertainty`, in the unit of its measure.
        limits_revision: the limits to use instead of the newest.

    Raises:
        NotFound: no such grade or instrument.
        Invalid: the grade has no limits, the code has no limit, or a value requires a code.
    """
    grade_id = asked["grade_id"]
    grade = found("grade", grade_id)
    row = limits_revision or catalog.current_limits(grade_id)
    if row is None:
        raise Invalid(Fault("/grade_id", f"Grade {grade.code} has no limits.", "Set its limits first."))
    limits = limits_from(row.body)
    figures = _figures(grade, limits, asked)
    number = asked.get("instrument_id")
    instrument = found("instrument", number) if number else None
    kept = _kept(grade_id)
    # The spread of earlier lots counts in the guard band only under rules that pool it.
    pools = rule_versions.of_limits(row.rules) > rule_versions.THIRD
    measures = [_measure(one, limits, _known(one, lent(kept, kept), instrument), pools, asked) for one in figures]
    return {
        "grade_id": grade_id,
        "limits_revision": row.revision,
        "decision_rule": "guarded" if limits.rule.guarded else "simple",
        "guard_z": limits.rule.z,
        "good": asked.get("good", GOOD),
        "measures": measures,
        "says": "The risks assume normally distributed readings and spools, and spools drawn at random.",
    }


def _figures(grade: Grade, limits: Limits, asked: Asked) -> list[Planned]:
    shade = catalog.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None
    figures = planned(limits, grade.nominal_diameter_mm, Lab(*shade.lab) if shade else None)
    code = asked.get("code")
    if code is None:
        own = {name: asked.get(name) for name in ("sd", "between_sd", "uncertainty")}
        detail, hint = "This value requires the code of its measure.", "Give the code of the finding too."
        if faults := [Fault(f"/{name}", detail, hint) for name, value in own.items() if value is not None]:
            raise Invalid(*faults)
        return figures
    chosen = [one for one in figures if one.code == code]
    if not chosen:
        codes = ", ".join(one.code for one in figures)
        hint = f"Use one of these codes: {codes}." if codes else "Set a limit on a mean of readings first."
        raise Invalid(Fault("/code", f"Grade {grade.code} has no limit on {code}.", hint))
    return chosen


def _kept(grade_id: int) -> Sequence[Kept]:
    newest = lots.newest_of_grade(grade_id, MOST)
    return [lot.figures.get("scatter") or {} for lot in newest]


def _measure(
    one: Planned, limits: Limits, known_by: tuple[KnownSpread, Instrument | None], pools: bool, asked: Asked
) -> View:
    in_lot = asked.get("spools_in_lot", SPOOLS_IN_LOT)
    spools = min(asked.get("spools") or limits.sampling.required(in_lot, "normal"), in_lot)
    readings = asked.get("readings") or readings_asked(one.code, limits, spools)
    known, by = known_by
    sd, between, u = asked.get("sd"), asked.get("between_sd"), asked.get("uncertainty")
    sd_df = known.sd_df if pools and sd is None else 0.0
    between_df = known.between_df if pools and between is None else 0.0
    sd = known.sd if sd is None else sd
    between = known.between_sd if between is None else between
    u = _stated(one, by) if u is None else u
    answer: View = {
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
        lacks = "of a reading" if sd is None else "between spools"
        return {
            **answer,
            **_UNKNOWN,
            "says": f"The standard deviation {lacks} is not known. Measure more lots.",
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
        sd_df,
        between_df,
        one.of_spool,
        one.directions,
    )
    return {**answer, **_risks(plan, asked.get("good", GOOD))}


_UNKNOWN: View = {
    "false_accept_probability": None,
    "false_reject_probability": None,
    "curve": [],
    "changes": [],
}


def _known(one: Planned, lent_by: Kept, instrument: Instrument | None) -> tuple[KnownSpread, Instrument | None]:
    """Returns the spread of a measure with its instrument, which is the requested one, or else the one with the most spools."""
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
        KnownSpread(
            None if None in sds else one.scale(tuple(sds)),
            min(part.sd_df for part in each),
            None if None in between else one.scale(tuple(between)),
            min(part.between_df for part in each),
        ),
        instrument or catalog.find_by_code("instrument", code),
    )


def _stated(one: Planned, instrument: Instrument | None) -> float | None:
    """Returns the stated standard uncertainty of an instrument, converted to the unit of the measure."""
    if instrument is None or instrument.standard_uncertainty is None:
        return None
    u = float(instrument.standard_uncertainty)
    return one.scale((u,) * len(one.figures))


def _risks(plan: Plan, good: float) -> View:
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
        f"{100 * accepts:.1f} % of cases. A lot at {100 * good:g} % of the way from target to limit is held or rejected in {100 * rejects:.1f} %.",
    }


def _changes(plan: Plan) -> list[tuple[str, Plan]]:
    """Returns plans with one more spool, with one more reading, and with half the instrument uncertainty."""
    found = [("one more reading per spool", replace(plan, readings=plan.readings + 1))]
    if plan.spools_in_lot is None or plan.spools < plan.spools_in_lot:
        found.insert(0, ("one more spool", replace(plan, spools=plan.spools + 1)))
    if plan.instrument:
        found.append(("an instrument with half the uncertainty", replace(plan, instrument=plan.instrument / 2)))
    return found
