"""Clearance of a spool for a use and a job: clear, or every reason against loading it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lots.domain.assessment.assessment import STILL_TO_DO
from lots.domain.assessment.concessions import Concession, permitting
from lots.domain.assessment.limits_revision import GENERAL, USES, verdict_on_use
from lots.domain.assessment.prohibitions import Material, Statement, permission_says
from lots.domain.assessment.standing_by_hand import LOADABLE, STANDINGS, manual_decision_says
from lots.domain.characteristics.moisture import REMEDY
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.production.matching import PairMatch
from lots.domain.production.spool_life import Dryness, SpoolLife
from lots.domain.words import hyphenated, plural

# Shown with every clearance, whatever the use: a lot release is a statement about a material in test bars.
PART_CAUTION = (
    "A released lot is not a safe part. Parts that carry load, flex, lift or protect people need their own tests and the judgement of a "
    "licensed or competent engineer. Local codes apply."
)

# Shown for a use that shows colour when no job was named.
MATCH_NOT_CHECKED = "Colour match was not checked. Give the job to compare this lot with the other lots used in it."

# Shown when the lot mean represents an unmeasured spool and only one spool of the lot was measured.
SPOOLS_NOT_KNOWN = "Differences between spools of lot {} are unknown, because only one spool was measured."

# A concession cannot clear a lot that was returned or scrapped, or whose status is unknown.
_HELPED_BY_CONCESSION = (*LOADABLE, "quarantined", "blocked")


@dataclass(frozen=True, slots=True)
class SpoolState:
    """State of a spool and its lot when clearance is requested.

    Args:
        spool, lot: their codes.
        standing: status of the lot.
        uses: verdict per use, from the last assessment.
        blocks: characteristics that the lot's limits assess.
        why: use -> messages of the findings that do not pass.
        by_hand: (manual decision in force, its reason), or None.
        cautions: advice for the grade; it forbids nothing.
        material: properties of the grade that forbid uses.
        remaining_g: mass left, g.
        nonconforming: (uses, message) of each failure of this spool itself.
        concessions: those of its lot.
        life: dates of the spool, None where unknown.
        dryness: age of the last proof of dryness; None where not required.
        loaded_on: machine that holds the spool, None when on none.
        withdrawn: True when the spool never arrived or its delivery was closed.
        judged: False when the lot has no stored assessment.
    """

    spool: str
    lot: str
    standing: str
    uses: Mapping[str, str]
    blocks: tuple[str, ...] = ()
    why: Mapping[str, Sequence[str]] = field(default_factory=dict)
    by_hand: tuple[str, str] | None = None
    cautions: Sequence[str] = ()
    material: Material = field(default_factory=Material)
    remaining_g: float = 0.0
    loaded_on: str | None = None
    judged: bool = True
    nonconforming: Sequence[tuple[Sequence[str], str]] = ()
    concessions: Sequence[Concession] = ()
    life: SpoolLife | None = None
    dryness: Dryness | None = None
    withdrawn: bool = False

    @property
    def may_have_concession(self) -> bool:
        """True where a concession of the lot may lift reasons against it."""
        return self.judged and self.standing in _HELPED_BY_CONCESSION and bool(self.concessions)


@dataclass(frozen=True, slots=True)
class Clearance:
    """Clear, or every reason against loading. `clear` is True exactly when there are no reasons.

    `concession` is the concession used for a nonconforming lot. `only_for` names the permitted uses of a restricted lot.
    `passes` names every use for which the readings pass. `mates` compares the lots on one spool with each other.
    `permission` is quality's permission of a use that is otherwise forbidden for the grade.
    """

    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    pairs: tuple[PairMatch, ...] = ()
    concession: Concession | None = None
    only_for: tuple[str, ...] = ()
    passes: tuple[str, ...] = ()
    mates: tuple[PairMatch, ...] = ()
    permission: Statement | None = None

    @property
    def clear(self) -> bool:
        """True when there are no reasons against loading."""
        return not self.reasons

    @property
    def says(self) -> str:
        """The answer as one sentence, readable from two metres."""
        if not self.clear:
            return f"Do not load: {self.reasons[0]}"
        if self.concession is not None:
            return f"Load only {self.concession.terms}"
        return f"Load only for {_listed(self.only_for)}." if self.only_for else "Load."


def clear(
    state: SpoolState,
    use: str,
    pairs: Sequence[PairMatch] = (),
    match_asked: bool = False,
    mass_g: float | None = None,
    at: datetime | None = None,
) -> Clearance:
    """Returns whether a spool may be loaded for a use, with every reason against it.

    It fails closed: an unknown status, a use that was not assessed and a colour that cannot be compared are reasons against loading.
    A concession lifts reasons from readings, limits or the grade. It does not lift a manual decision or a reason from the spool, the job
    or the date.

    Args:
        state: the spool and its lot.
        use: the use of the material in the job.
        pairs: match with each other lot already used in the job.
        match_asked: True when the use shows colour, so that the pairs decide.
        mass_g: mass required by the job, g; None if unknown.
        at: time of loading, for concessions; None ignores concessions.
    """
    by_hand = _by_hand_reasons(state)
    against = [*([] if by_hand else _standing_reasons(state)), *_use_reasons(state, use), *_own_failures(state, use)]
    fixed = [*_spool_reasons(state, mass_g), *(_age_reasons(state, use, at) if at is not None else [])]
    if match_asked:
        fixed += [_pair_reason(state, pair) for pair in pairs if pair.within is not True]
    concession = None
    if against and at is not None and state.may_have_concession:
        concession, no_help = permitting(state.concessions, use, mass_g, at)
        against = [] if concession else [*against, *no_help]
    reasons = (*by_hand, *against, *fixed)
    granted = state.material.permission(use)
    cautions = (*state.cautions, *([permission_says(granted)] if granted else []), PART_CAUTION)
    if match_asked:
        cautions = (*_not_known(pairs), *cautions)
    fit = [name for name, verdict in state.uses.items() if verdict == "pass"] if state.standing == "restricted" else []
    passes = tuple(use for use in (*USES, GENERAL) if verdict_on_use(state.uses, state.blocks, use) == "pass")
    allowed = None if reasons else concession
    return Clearance(reasons, cautions, tuple(pairs), allowed, tuple(fit), passes, permission=granted)


def _own_failures(state: SpoolState, use: str) -> list[str]:
    """Returns the spool's own failures for this use, then those for all uses."""
    named = [message for uses, message in state.nonconforming if use in uses]
    return named + [message for uses, message in state.nonconforming if GENERAL in uses and use not in uses]


def _age_reasons(state: SpoolState, use: str, at: datetime) -> list[str]:
    found = list(state.life.against(state.spool, at)) if state.life is not None else []
    if state.dryness is not None and state.dryness.asked_for(use):
        found += state.dryness.against(state.spool, at)
    return found


def _not_known(pairs: Sequence[PairMatch]) -> list[str]:
    """Returns cautions about lots with one measured spool that are compared with a limit."""
    return list(
        map(SPOOLS_NOT_KNOWN.format, dict.fromkeys(lot for p in pairs if p.limit is not None for lot in p.unknown))
    )


def with_held(found: Clearance, machine: str, held: Sequence[tuple[str, str]], slots: int = 1) -> Clearance:
    """Returns a clearance with a caution if the machine has no free slot. It does not refuse: an unload may not have been recorded.

    Args:
        found: the clearance of a spool for this machine.
        machine: its name.
        held: (spool, job) of each other spool on the machine.
        slots: number of spools that the machine holds at once, >= 1.

    Example:
        >>> with_held(Clearance((), ()), "P1", [("HW-Q12-3", "J-1043")]).cautions
        ('P1 already holds HW-Q12-3 for J-1043. Unload it first unless P1 has another slot.',)
        >>> with_held(Clearance((), ()), "P1", [("HW-Q12-3", "J-1043")], slots=4).cautions
        ()
    """
    if len(held) < slots:
        return found
    named = [f"{spool} for {job}" for spool, job in held]
    names = named[0] if len(named) == 1 else f"{len(named)} spools: {'; '.join(named)}"
    which = plural(len(held), "it", "one of them")
    return with_caution(
        found, f"{machine} already holds {names}. Unload {which} first unless {machine} has another slot."
    )


def with_caution(found: Clearance, *cautions: str) -> Clearance:
    """Returns a clearance with these cautions before its own."""
    return replace(found, cautions=(*cautions, *found.cautions)) if cautions else found


def worst_of(
    clearances: Sequence[Clearance], spool: str = "", mates: Sequence[PairMatch] = (), match_asked: bool = False
) -> Clearance:
    """Returns the clearance of a spool with filament of several lots: all reasons of all lots, without duplicates.

    Args:
        clearances: of the same spool, one per lot, at least one.
        spool: its code.
        mates: match of each two of its lots with each other.
        match_asked: True when the use shows colour, so that the lots on the spool must match as the lots of one job must.
    """
    first = clearances[0]
    apart = [_mate_reason(spool, pair) for pair in mates if match_asked and pair.within is not True]
    reasons = dict.fromkeys([*(reason for c in clearances for reason in c.reasons), *apart])
    cautions = dict.fromkeys(caution for c in clearances for caution in c.cautions)
    pairs = tuple(pair for c in clearances for pair in c.pairs)
    limited = next((c.only_for for c in clearances if c.only_for), ())
    fit = tuple(use for use in limited if all(use in c.passes for c in clearances))
    passes = tuple(use for use in first.passes if all(use in c.passes for c in clearances))
    allowed = None if reasons else first.concession
    granted = next((c.permission for c in clearances if c.permission), None)
    return Clearance(tuple(reasons), tuple(cautions), pairs, allowed, fit, passes, tuple(mates), granted)


def _spool_reasons(state: SpoolState, mass_g: float | None) -> list[str]:
    reasons = []
    if state.withdrawn:
        reasons.append(f"Spool {state.spool} was withdrawn when its delivery was corrected. Take it to quality.")
    if state.loaded_on is not None:
        reasons.append(f"Spool {state.spool} is on machine {state.loaded_on}. Unload it there first.")
    if not state.remaining_g > BINARY_NOISE:
        reasons.append(f"Spool {state.spool} is empty.")
    elif mass_g is not None and mass_g > state.remaining_g + BINARY_NOISE:
        reasons.append(f"Spool {state.spool} has {state.remaining_g:g} g left; the job needs {mass_g:g} g.")
    return reasons


def _by_hand_reasons(state: SpoolState) -> list[str]:
    """Returns the reason from a manual decision in force, even where the stored status is older."""
    if state.by_hand is None or not state.judged:
        return []
    return [manual_decision_says(state.lot, *state.by_hand)]


def _standing_reasons(state: SpoolState) -> list[str]:
    if not state.judged or state.standing not in STANDINGS:
        return [f"Lot {state.lot} has not been assessed."]
    if state.standing in LOADABLE:
        return []
    if state.standing == "blocked":
        return [f"Lot {state.lot} is blocked by its readings."]
    if state.standing == "quarantined":
        return [" ".join((f"Lot {state.lot} is in quarantine.", *_still_missing(state)))]
    return [f"Lot {state.lot} is {state.standing}."]


def _still_missing(state: SpoolState) -> list[str]:
    """Returns why a lot in quarantine has no result yet: missing readings, or readings that were too wet."""
    if "missing" not in state.uses.values():
        return []
    said = [message for messages in state.why.values() for message in messages]
    # A wet lot was measured: its message names the remedy.
    wet = any(REMEDY[1:] in message for message in said)
    lacking = not wet or any(message.startswith(STILL_TO_DO) for message in said)
    return [
        *(["Its measurements are not complete."] if lacking else []),
        *(["It is too wet. Dry it, then measure its moisture again."] if wet else []),
    ]


def _use_reasons(state: SpoolState, use: str) -> list[str]:
    reasons = [one.says for one in state.material.against(use)]
    forbidden = bool(reasons)
    verdict = verdict_on_use(state.uses, state.blocks, use)
    if verdict is None:
        judged = f"only {_listed(tuple(state.uses))}" if state.uses else "no use"
        # For a use that the grade forbids, limits cannot help.
        ask = "" if forbidden else " Ask quality to add this use."
        reasons.append(
            f"Lot {state.lot} has not been assessed for {_said(use)}. The limits of its grade cover {judged}.{ask}"
        )
    elif verdict != "pass":
        # The status of a blocked lot is already among the reasons.
        if state.standing != "blocked":
            open_yet = "is not accepted yet for"
            label = {"fail": "fails for", "near": open_yet, "missing": open_yet}.get(verdict, "has no verdict for")
            reasons.append(f"Lot {state.lot} {label} {_said(use)}.")
        reasons += state.why.get(use if use in state.uses else GENERAL, [])
    return reasons


def _pair_reason(state: SpoolState, pair: PairMatch) -> str:
    if pair.within is None and pair.says:
        return f"Lot {state.lot} cannot be compared with lot {pair.lot}, already used in this job: {pair.says}"
    if pair.same_lot:
        between = "expected between spools of its lot" if pair.allowance else pair.direction
        return (
            f"Spool {state.spool} does not match spool {pair.spool} of the same lot in this job: colour difference "
            f"{shown(pair.delta_e or 0.0)}, at most {pair.limit or 0.0:g} within one job ({between})."
        )
    if pair.delta_e is None or pair.limit is None:
        return f"Lot {state.lot} cannot be compared with lot {pair.lot}, already used in this job: a mean colour is missing."
    return (
        f"Lot {state.lot} does not match lot {pair.lot}, already used in this job: colour difference {shown(pair.delta_e)}, "
        f"at most {pair.limit:g} within one job ({pair.direction})."
    )


def _mate_reason(spool: str, pair: PairMatch) -> str:
    return f"Spool {spool} holds lots {pair.lot} and {pair.of}. {unlike(pair)}"


def unlike(pair: PairMatch) -> str:
    """Returns the reason why two lots do not match within one job, in words."""
    if pair.within is None and pair.says:
        return f"They cannot be compared: {pair.says}"
    if pair.delta_e is None or pair.limit is None:
        return "They cannot be compared: a mean colour under the same conditions is missing."
    return f"They do not match: colour difference {shown(pair.delta_e)}, at most {pair.limit:g} within one job ({pair.direction})."


def _listed(uses: Sequence[str]) -> str:
    return ", ".join(hyphenated(use) for use in uses)


def _said(use: str) -> str:
    return hyphenated(use) + " use" if use in USES or use == GENERAL else f"the use {use}"
