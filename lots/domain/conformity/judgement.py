"""A measured value held against its limit. Every comparison of a number with a limit is made here."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.conformity import guard as guarding
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit, Verdict
from lots.domain.uncertainty.budget import Uncertainty


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with what it rests on.

    Args:
        value: in the unit of its limit, unrounded; None when nothing was measured.
        n: how many `counted` the value rests on.
        uncertainty: of the value, in the same unit; a number for a standard uncertainty that is known. None when it cannot be stated.
        guard: width of the guard band where it does not follow from the uncertainty (a Poisson bound, say).
        conformance: probability that the true value is inside the limit, where it does not follow from the uncertainty.
        looked_at: values of which this is the worst, >= 1: each conforms only where the worst does, and chance alone takes the worst of many far.
        single: True for a value that is one reading by itself, so that repeating tells nothing of its uncertainty.
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
    """What remains to be done about a value, in words.

    Args:
        lacking: what is still to be measured before the value means anything; "" when the evidence is complete.
        more_spools: how many more spools `lacking` asks for beyond the sample, >= 0.
        conclusive: True when a value outside the limit settles the matter although evidence is lacking, because one
            complete unit is enough to refuse.
        settled_by: what would settle a near value, where it does not follow from the uncertainty.
        hold: the remedy, where a value outside the limit holds the lot back without refusing it.
    """

    lacking: str = ""
    more_spools: int = 0
    conclusive: bool = False
    settled_by: str = ""
    hold: str = ""


COMPLETE = ToDo()


@dataclass(frozen=True, slots=True)
class _Bands:
    """The uncertainty that counts under a rule, and how wide a limit's guard band is inside (`guard`) and outside (`claim`).

    `equal` says that an uncertainty of 0 was given and does not count.
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
        # A guard band that is given need not follow from the uncertainty, and may be none.
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
    """How a value went; the fields are those of a finding."""

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
        measured: the value with what it rests on.
        limit: inclusive at its ends.
        rule: simple or guarded acceptance.
        subject: what exactly was judged, such as the worst spool.
        spool: code of the spool, where one spool is judged by itself.
        todo: what remains to be done about the value.

    Returns:
        A Finding: `missing` without a value, with something lacking, or under a guarded rule without an uncertainty;
        `fail` outside the limit; `near` inside it by less than the guard band; else `pass`. A value outside by less than the guard band is
        refused, and nonconformity is not proved.

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
    """Returns the finding on a value that nobody has measured yet; arguments as for `judge`."""
    return judge(code, Measured(None, 0, counted), limit, rule, todo=ToDo(lacking))


def _outcome(measured: Measured, limit: Limit, rule: DecisionRule, todo: ToDo, bands: _Bands) -> _Outcome:
    """Holds a value against its limit: the comparisons of which `judge` speaks, in their order."""
    value = measured.value
    if value is None:
        return _Outcome("missing", todo.lacking or "a first reading", todo.more_spools if todo.lacking else 0)
    margin = limit.margin(value)
    if not limit.allows(value) and (todo.conclusive or not todo.lacking):
        claimable = None if bands.claim is None else margin < -bands.claim - BINARY_NOISE
        return _Outcome("fail", todo.hold, hold=bool(todo.hold), claimable=claimable)
    if todo.lacking:
        return _Outcome("missing", todo.lacking, todo.more_spools)
    return _by_guard_band(measured, margin, rule, todo, bands) if rule.guarded else _Outcome("pass")


def _by_guard_band(measured: Measured, margin: float, rule: DecisionRule, todo: ToDo, bands: _Bands) -> _Outcome:
    """How a value went under guarded acceptance that lies inside its limit, and for which nothing is lacking."""
    if bands.guard is None:
        repeats = "" if measured.single else _OR_REPEATS
        return _Outcome("missing", _EQUAL if bands.equal else f"{_INSTRUMENT_NEEDED}{repeats}{_SINCE_GUARDED}")
    if margin >= bands.guard - BINARY_NOISE:
        return _Outcome("pass")
    seen = (max(margin, 0.0), rule.z, bands.spread or Uncertainty(()), measured.n)
    by_more = todo.settled_by or guarding.settle(*seen, measured.counted)
    by_spools = measured.counted in ("spool", "spools") and not todo.settled_by
    return _Outcome("near", by_more, guarding.more_to_settle(*seen) if by_spools else 0)


_INSTRUMENT_NEEDED = "an instrument with a stated standard uncertainty"
_OR_REPEATS = ", or at least two readings"
_EQUAL = "readings with an instrument whose resolution or standard uncertainty is stated, since equal readings do not show an uncertainty"
_SINCE_GUARDED = ", since the guarded rule needs an uncertainty"

UNCERTAINTY_NEEDED = f"{_INSTRUMENT_NEEDED}{_OR_REPEATS}{_SINCE_GUARDED}"
