"""The acceptance agreement between shop and supplier for a grade. It is computed on request and never stored."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from math import ceil
from statistics import median_low
from typing import cast

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits, block_of, limits_from
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.limit_fields import LimitField
from lots.domain.characteristics.registry import DECLARED, declared_of
from lots.domain.conformity import rule_versions
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule
from lots.domain.instruments.measuring import measures_of_kind
from lots.domain.instruments.reference_sessions import MATTERS
from lots.domain.production.clearance import PART_CAUTION
from lots.domain.purchasing.letters import CAUTIONS
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import Coverage, Sampling
from lots.domain.words import counted, hyphenated
from lots.services import clock
from lots.services.documents import report_words as words
from lots.services.documents.nonconformity_report import grade_of, limits_of, shade_of
from lots.services.errors import Conflict, NotFound
from lots.services.from_rows import approved_from
from lots.services.lookups import found
from lots.services.setup.decision_risk import SPOOLS_IN_LOT, decision_risk
from lots.services.views import View
from lots.store.receiving import deliveries
from lots.store.setup import catalog
from lots.store.tables.models import Grade, Instrument, LimitsRevision, Shade, ShadeRevision, Supplier

# Chances are given for one spool, and for an eighth, a quarter and half of a delivery. Our choice, no source.
_PARTS = (8, 4, 2)


def agreement(grade_id: int, supplier_id: int | None = None, revision: int | None = None) -> View:
    """Returns the acceptance agreement for a grade: limits, methods, sampling, decision rule, risks and references. About a dozen queries.

    Args:
        supplier_id: the supplier whose usual delivery is the example for the sampling plan; None for any supplier.
        revision: of the limits; None for the newest.

    Raises:
        NotFound: no such grade, supplier or revision.
        Conflict: the grade has no limits.
    """
    grade = found("grade", grade_id)
    supplier = found("supplier", supplier_id) if supplier_id is not None else None
    row = _limits(grade, revision)
    limits = limits_from(row.body)
    shade = catalog.current_shade_revisions([grade.shade_id]).get(grade.shade_id) if grade.shade_id else None
    spools = _spools(supplier)
    number = f"AA-{grade.id}-{row.revision}"
    return {
        "number": f"{number}-{supplier.id}" if supplier else number,
        "made_at": clock.now(),
        "supplier": supplier and _supplier(supplier),
        "grade": grade_of(grade),
        "asked": _asked(grade, row, limits, shade),
        "requirements": _requirements(row.body, limits),
        "uses": [{"use": use, "requires": list(needs)} for use, needs in limits.required().items()],
        "method": _methods(limits, grade.nominal_diameter_mm),
        "sampling": _sampling(limits.sampling, spools),
        "decision": _decision(limits.rule),
        "risks": _risks(grade, row, limits, spools),
        "references": _references(shade, _interval(grade)),
        "disputes": _disputes(limits.sampling),
        "cautions": [*CAUTIONS[:2], PART_CAUTION],
    }


def _limits(grade: Grade, revision: int | None) -> LimitsRevision:
    row = catalog.current_limits(grade.id) if revision is None else catalog.limits_revision(grade.id, revision)
    if row is not None:
        return row
    if revision is not None:
        raise NotFound(f"Limits revision {revision} of grade {grade.code} does not exist.")
    raise Conflict(f"Grade {grade.code} has no limits yet, so there is nothing to agree on. Set its limits first.")


def _supplier(row: Supplier) -> View:
    return {"id": row.id, "code": row.code, "name": row.name, "contact": row.contact}


def _spools(supplier: Supplier | None) -> int:
    """Returns the spools in a usual delivery of a supplier, or the default for planning without deliveries."""
    usual = deliveries.usual_counts(supplier.id) if supplier else []
    return int(median_low(usual)) if usual else SPOOLS_IN_LOT


def _interval(grade: Grade) -> int | None:
    shade: Shade | None = grade.shade
    return shade.remeasure_every_days if shade else None


def _asked(grade: Grade, row: LimitsRevision, limits: Limits, shade: ShadeRevision | None) -> View:
    """Returns the limits revision, the decision rule, and every limit that applies to the first lot of a supplier."""
    terms = [words.terms(name, limits, grade.nominal_diameter_mm) for name in limits.blocks]
    return {
        "limits_revision": row.revision,
        "limits_recorded_at": row.recorded_at,
        "decision_rule": words.rule_words(limits.rule),
        "sampling": words.sampling_words(limits.sampling),
        "terms": [term for term in terms if term],
        "limits": [
            {**line, "uses": list(limits.used_by(declared_of(str(line["code"])).name))}
            for line in limits_of(_findings(grade, row, limits, shade), limits)
        ],
        "shade": shade and shade_of(shade),
    }


def _findings(grade: Grade, row: LimitsRevision, limits: Limits, shade: ShadeRevision | None) -> list[Finding]:
    """Returns the findings of an unmeasured lot, one for each limit."""
    rules = rule_versions.of_limits(row.rules)
    criteria = Criteria(limits, approved_from(shade) if shade else None, grade.nominal_diameter_mm, rules=rules)
    assessed = assess(Evidence({}), Coverage.of(SPOOLS_IN_LOT, 1), criteria).findings
    # The count of nonconforming spools is part of the sampling plan, and is stated there.
    return [one for one in assessed if one.characteristic in limits.given]


def _requirements(body: Mapping[str, object], limits: Limits) -> list[View]:
    """Returns every value of the limits revision by characteristic, with the labels of its form."""
    lines: list[View] = []
    for name in limits.blocks:
        declared, block = DECLARED[name], block_of(body, name)
        for label, says in _in_words(declared.limits.fields, block):
            lines.append({"characteristic": name, "title": declared.title, "label": label, "says": says})
    return lines


def _in_words(fields: Sequence[LimitField], block: Mapping[str, object]) -> list[tuple[str, str]]:
    said: list[tuple[str, str]] = []
    for one in fields:
        value = block.get(one.name)
        label = one.label or one.name.replace("_", " ").capitalize()
        if isinstance(value, dict):
            parts = {part.name: part.label or part.name for part in one.parts}
            said += [(f"{label}: {parts.get(name, name)}", _written(each)) for name, each in value.items()]
        elif isinstance(value, list):
            said.append((label, (" to " if one.type == "pair" else ", ").join(map(_written, value))))
        elif value is not None:
            said.append((label, hyphenated(_written(value)) if one.type == "choice" else _written(value)))
    return said


def _written(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _methods(limits: Limits, nominal_mm: float) -> list[View]:
    """Returns the measuring method of each characteristic, with the kinds of instruments that the shop has for it."""
    known = catalog.all_instruments()
    return [
        {
            "characteristic": name,
            "title": DECLARED[name].title,
            "says": DECLARED[name].method,
            "terms": words.terms(name, limits, nominal_mm) or None,
            "instruments": _kinds(DECLARED[name], known),
        }
        for name in limits.blocks
    ]


def _kinds(declared: Characteristic, known: Sequence[Instrument]) -> list[View]:
    """Returns the instruments for a characteristic by kind, with their least and largest stated uncertainty."""
    by_kind: defaultdict[str, list[float | None]] = defaultdict(list)
    for row in known:
        measures = measures_of_kind(row.kind) if row.measures is None else row.measures
        if declared.name in (measures or ()):
            by_kind[row.kind].append(row.standard_uncertainty)
    lines: list[View] = []
    for kind, each in sorted(by_kind.items()):
        stated = [u for u in each if u is not None]
        ends = {
            "standard_uncertainty_low": min(stated, default=None),
            "standard_uncertainty_high": max(stated, default=None),
        }
        lines.append({"kind": kind, "instruments": len(each), **ends, "unit": declared.instrument_unit})
    return lines


def _sampling(sampling: Sampling, spools: int) -> View:
    """Returns the sample of a delivery and the chance of acceptance for several numbers of nonconforming spools."""
    plan = sampling.plan(spools, "normal")
    size, _ = sampling.size(spools, "normal")
    accept = plan.accept if plan else 0
    counts = sorted({1, *(ceil(spools / part) for part in _PARTS)})
    chances = [
        {"nonconforming": bad, "passes": protection.chance_of_passing(spools, bad, size, accept)} for bad in counts
    ]
    said = []
    if plan:
        by_letter = (
            "" if plan.plan_letter == plan.code_letter else f", which uses the plan of letter {plan.plan_letter}"
        )
        said.append(f"A delivery of {counted(spools, 'spool')} has code letter {plan.code_letter}{by_letter}.")
        said.append(
            f"The lot is accepted with at most {accept} nonconforming of {size} spools and rejected with {plan.reject} or more."
        )
    said.append("Spools are drawn at random with a recorded seed. Both parties can repeat the draw.")
    if plan:
        said.append("Severity is normal, tightened or reduced. It follows the record of earlier lots (MIL-STD-105E).")
        said.append(f"Reduced inspection is {'agreed' if sampling.reduced_allowed else 'not agreed'}.")
    else:
        said.append("The lot is rejected if one measured spool fails a limit for a single spool.")
    poor = ceil(spools / protection.ONE_IN)
    producer = 1 - protection.chance_of_passing(spools, 1, size, accept)
    consumer = protection.chance_of_passing(spools, poor, size, accept)
    return {
        "spools": spools,
        "size": size,
        "accept": accept,
        "code_letter": plan.code_letter if plan else None,
        "producer_nonconforming": 1,
        "producer_risk": producer,
        "consumer_nonconforming": poor,
        "consumer_risk": consumer,
        "chances": chances,
        "terms": said,
        "says": f"Of a delivery of {counted(spools, 'spool')}, {size} {'is' if size == 1 else 'are'} measured. "
        f"Producer's risk: a delivery with 1 nonconforming spool is rejected in {100 * producer:.1f} % of cases. "
        f"Consumer's risk: a delivery with {counted(poor, 'nonconforming spool')} is accepted in {100 * consumer:.1f} % of cases.",
    }


def _decision(rule: DecisionRule) -> list[str]:
    """Returns the meaning of the decision rule for a value near its limit, and for a lot."""
    said = (
        [
            "A value inside its limit by less than this is undecided. The lot then stays in quarantine until more readings decide.",
        ]
        if rule.guarded
        else ["Measurement uncertainty does not change the verdict. It only decides whether nonconformity is proved."]
    )
    return [
        *said,
        "A lot is released for a use when every finding that the use requires passes.",
        "A lot is rejected for a use when one of these findings fails.",
    ]


def _risks(grade: Grade, row: LimitsRevision, limits: Limits, spools: int) -> View:
    """Returns the chances per measure that a lot on its limit is accepted, and that a good lot is held or rejected."""
    found_ = decision_risk({"grade_id": grade.id, "spools_in_lot": spools}, row)
    fields = ("code", "label", "unit", "limit", "spools", "readings_per_spool")
    chances = ("false_accept_probability", "false_reject_probability")
    measures = cast("list[View]", found_["measures"])
    lines = [
        {**{name: one[name] for name in (*fields, *chances)}, "quantity": words.quantity(str(one["code"]), limits)}
        for one in measures
    ]
    return {"good": found_["good"], "measures": lines, "says": found_["says"]}


def _references(shade: ShadeRevision | None, every_days: int | None) -> list[str]:
    if shade is None:
        return ["No reference colour is approved for this grade."]
    again = (
        "No interval is set for measuring the master plaque again."
        if every_days is None
        else f"The master plaque is measured again every {counted(every_days, 'day')}. "
        "A stable tile is measured too, on the same instrument and under the same conditions."
    )
    return [
        f"Colour is compared with revision {shade.revision} of this reference, under the conditions stated here.",
        again,
        f"A plaque that has changed by more than {MATTERS:g} in L*, a* or b* is flagged. Decisions since its last agreement are then suspect.",
        "A new revision of the reference or of the limits changes no earlier verdict.",
    ]


def _disputes(sampling: Sampling) -> list[str]:
    """Returns the rules for disputed readings and lots."""
    most = sampling.retest_rounds_max
    cap = (
        "The number of extra rounds of readings is not limited."
        if most is None
        else f"After more than {counted(most, 'extra round')} of readings, quality decides whether to keep them."
    )
    return [
        "All valid readings count. Measuring again adds readings and replaces none.",
        cap,
        "A reading is voided only with a reason. If its author voids a failing reading, quality must agree.",
        "A reading is excluded only if the outlier test flags it, and for a stated cause.",
        "A failure counts even if only one instrument, printer or build shows it.",
        "A rejected lot may be sorted and delivered again. It is then inspected as a resubmission.",
        "The report on a rejected lot states its readings, instruments and uncertainties.",
        "Values of the supplier's certificate are stored with our readings. They are no evidence for the lot.",
    ]
