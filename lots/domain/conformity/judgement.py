"""Verdict on a measured value. Every comparison of a value with its limit is made here."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.conformity import guard as guarding
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit, Verdict
from lots.domain.uncertainty.budget import Uncertainty


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value with its sample size and uncertainty.

    Args:
        value: in the unit of its limit, unrounded; None when nothing was measured.
        n: number of readings, spools or others that the value rests on.
        counted: their noun.
        uncertainty: of the value, in the same unit; a number is a known standard uncertainty. None when unknown.
        guard: width of the guard band where it does not follow from the uncertainty, such as a Poisson bound.
        conformance: probability that the true value is inside the limit, where it does not follow from the uncertainty.
        looked_at: number of values of which this is the worst, >= 1. The worst of many lies far out by chance.
        single: True for a single reading, whose uncertainty repeats do not show.
        detail: a sentence to add, such as the direction of a colour difference.
    """

    value: float | None
    n: int
    counted: str = "readings"
    uncertainty: float | guarding.Spread | None = None
    guard: float | None = None
    conformance: float | None = None
    looked_at: int = 1
    single: bool = False
    detail: str = ""


@dataclass(frozen=True, slots=True)
class ToDo:
    """The next actions on a value, as imperative phrases.

    Args:
        lacking: readings still required before the value can be assessed; "" when the evidence is complete.
        more_spools: number of spools that `lacking` asks for beyond the sample, >= 0.
        conclusive: True when a value outside the limit fails although readings are lacking, because one complete unit is enough.
        settled_by: action that would settle a near value, where it does not follow from the uncertainty.
        hold: the remedy, where a value outside the limit holds the lot without rejecting it.
    """

    lacking: str = ""
    more_spools: int = 0
    conclusive: bool = False
    settled_by: str = ""
    hold: str = ""


COMPLETE = ToDo()


@dataclass(frozen=True, slots=True)
class _Bands:
    """The uncertainty under a decision rule, with the guard bands inside (`guard`) and outside (`claim`) the limit.

    `equal` marks an uncertainty of 0, which counts as unknown.
    """

    spread: guarding.Spread | None
    guard: float | None
    claim: float | None
    equal: bool = False

    @classmethod
    def of(cls, measured: Measured, rule: DecisionRule) -> _Bands:
        """Returns the bands of a value."""
        u, value, guard = measured.uncertainty, measured.value, measured.guard
        spread = Uncertainty.known(u) if isinstance(u, float | int) else u
        # A guard band that is given need not follow from the uncertainty.
        if guard is not None or spread is None:
            return cls(spread, guard, guard)
        if spread.total <= BINARY_NOISE and not rule.trusts_zero:
            return cls(None, None, None, equal=True)
        if value is None:
            return cls(spread, None, None)
        beyond = guarding.proof_band(value, spread, rule.claim_z(measured.looked_at))
        return cls(spread, guarding.guard_band(value, spread, rule.z), beyond)


@dataclass(frozen=True, slots=True)
class _Outcome:
    """The verdict on a value; the fields are those of a finding."""

    verdict: Verdict
    to_measure: str = ""
    more_spools: int = 0
    hold: bool = False
    claimable: bool | None = None


def judge(
    code: str,
    measured: Measured,
    limit: Limit,
    rule: DecisionRule,
    *,
    subject: str = "",
    spool: str = "",
    todo: ToDo = COMPLETE,
) -> Finding:
    """Returns the verdict on one value.

    Args:
        code: `characteristic.measure`, a key of LABELS.
        measured: the value with its sample size and uncertainty.
        limit: inclusive at its ends.
        rule: simple or guarded acceptance.
        subject: the item that was assessed, such as the worst spool.
        spool: code of the spool, where a single spool is assessed.
        todo: the next actions on the value.

    Returns:
        A Finding: `missing` without a value, with something lacking, or under a guarded rule without an uncertainty;
        `fail` outside the limit; `near` inside it by less than the guard band; else `pass`. A value outside by less than the guard band
        fails, but nonconformity is not proved.

    Reference:
        JCGM 106:2012, 8.2 and 8.3. ISO 14253-1: within the guard band on either side of a limit, neither conformity nor nonconformity is proved.
    """
    bands = _Bands.of(measured, rule)
    outcome = _outcome(measured, limit, rule, todo, bands)
    spread = bands.spread
    known = None if measured.value is None else spread
    return Finding(
        code,
        outcome.verdict,
        limit,
        measured.value,
        measured.n,
        measured.counted,
        uncertainty=None if spread is None else spread.total,
        guard=bands.guard,
        subject=subject,
        detail=measured.detail,
        to_measure=outcome.to_measure,
        hold=outcome.hold,
        stated_conformance=None if known is None else measured.conformance,
        claimable=outcome.claimable,
        coarse=known is not None and guarding.too_coarse(known.total, limit.room(from_zero=rule.room_from_zero)),
        spool=spool,
        more_spools=outcome.more_spools,
        spread=spread,
        claim_band=bands.claim,
    )


def unmeasured(code: str, limit: Limit, rule: DecisionRule, lacking: str, counted: str = "readings") -> Finding:
    """Returns the finding on a value that was not measured yet; arguments as for `judge`."""
    return judge(code, Measured(None, 0, counted), limit, rule, todo=ToDo(lacking))


def _outcome(measured: Measured, limit: Limit, rule: DecisionRule, todo: ToDo, bands: _Bands) -> _Outcome:
    """Compares a value with its limit, as described in `judge`."""
    value = measured.value
    if value is None:
        return _Outcome("missing", todo.lacking or "take a first reading", todo.more_spools if todo.lacking else 0)
    margin = limit.margin(value)
    if not limit.allows(value) and (todo.conclusive or not todo.lacking):
        claimable = None if bands.claim is None else margin < -bands.claim - BINARY_NOISE
        return _Outcome("fail", todo.hold, hold=bool(todo.hold), claimable=claimable)
    if todo.lacking:
        return _Outcome("missing", todo.lacking, todo.more_spools)
    return _by_guard_band(measured, margin, rule, todo, bands) if rule.guarded else _Outcome("pass")


def _by_guard_band(measured: Measured, margin: float, rule: DecisionRule, todo: ToDo, bands: _Bands) -> _Outcome:
    """Returns the outcome under guarded acceptance for a value inside its limit with complete evidence."""
    if bands.guard is None:
        repeats = "" if measured.single else _OR_REPEATS
        return _Outcome("missing", _EQUAL if bands.equal else f"{_INSTRUMENT_NEEDED}{repeats}{_SINCE_GUARDED}")
    if margin >= bands.guard - BINARY_NOISE:
        return _Outcome("pass")
    seen = (max(margin, 0.0), rule.z, bands.spread or Uncertainty(()), measured.n)
    by_more = todo.settled_by or guarding.settle(*seen, measured.counted)
    by_spools = measured.counted in ("spool", "spools") and not todo.settled_by
    return _Outcome("near", by_more, guarding.more_to_settle(*seen) if by_spools else 0)


_INSTRUMENT_NEEDED = "use an instrument with a stated standard uncertainty"
_OR_REPEATS = ", or take at least two readings"
_EQUAL = "use an instrument whose resolution or standard uncertainty is stated, since equal readings do not show an uncertainty"
_SINCE_GUARDED = " (guarded acceptance needs an uncertainty)"

UNCERTAINTY_NEEDED = f"{_INSTRUMENT_NEEDED}{_OR_REPEATS}{_SINCE_GUARDED}"
