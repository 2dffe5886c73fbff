"""May this spool be loaded for this use and job? Every reason against it, or none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from lots.domain.assessment.concessions import Concession, permitting
from lots.domain.assessment.limits_revision import GENERAL, USES, verdict_on_use
from lots.domain.assessment.prohibitions import Material, Statement, permission_says
from lots.domain.assessment.standing_by_hand import LOADABLE, STANDINGS
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

# Shown where a use shows colour and nobody said for which job.
MATCH_NOT_CHECKED = "Colour match was not checked. Give the job to compare this lot with the other lots used in it."

# Shown where a spool that was not measured is compared by the mean of a lot of which one spool was.
SPOOLS_NOT_KNOWN = "Differences between spools of lot {} are not known, since one spool of it was measured."

# A lot that is gone, or stands nobody knows where, is not used up by permission.
_HELPED_BY_CONCESSION = (*LOADABLE, "quarantined", "blocked")


@dataclass(frozen=True, slots=True)
class SpoolState:
    """What is known of a spool and its lot when somebody wants to load it.

    Args:
        spool, lot: their names for people.
        standing: where the lot is.
        uses: verdict per use, from the last assessment.
        blocks: characteristics that the lot's limits judge.
        why: use -> messages of the findings that keep it from passing.
        by_hand: (decision in force, its reason), or None.
        cautions: what to mind of the grade; advice, which forbids nothing.
        material: the grade as far as it decides what it is forbidden for.
        remaining_g: mass left, g.
        nonconforming: (uses, message) of what this spool fails by itself.
        concessions: those of its lot.
        life: its dates, None where they are not known.
        dryness: how long ago it was known to be dry; None where nobody asks.
        loaded_on: machine it is on now, None when on none.
        withdrawn: True when it was found never to have come, or its delivery was closed.
        judged: False when no assessment was ever stored for the lot.
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
        """True where a concession of the lot may lift what speaks against it."""
        return self.judged and self.standing in _HELPED_BY_CONCESSION and bool(self.concessions)


@dataclass(frozen=True, slots=True)
class Clearance:
    """Clear or not, and every reason why not. `clear` holds exactly when there is no reason against.

    `concession` is the permission it rests on, where the lot does not conform; `only_for` names the uses of a lot that is not fit for all.
    `passes` names every use that the lot's readings pass for. `mates` compares the lots on one spool with each other. `permission` is
    quality's word that the grade may be used for what it is otherwise forbidden for.
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
        """True when nothing speaks against loading."""
        return not self.reasons

    @property
    def says(self) -> str:
        """One sentence to read from two metres."""
        if not self.clear:
            return f"Do not load: {self.reasons[0]}"
        if self.concession is not None:
            return f"Load, only for {_listed(self.concession.uses)}. {self.concession.says}"
        return f"Load, only for {_listed(self.only_for)}." if self.only_for else "Load."


def clear(
    state: SpoolState,
    use: str,
    pairs: Sequence[PairMatch] = (),
    match_asked: bool = False,
    mass_g: float | None = None,
    at: datetime | None = None,
) -> Clearance:
    """Returns whether a spool may be loaded for a use, with every reason against it.

    It fails closed: a standing that is not known to be loadable, a use nobody judged, a colour that cannot be compared, each is a reason.
    A concession lifts what the readings, the limits or the grade say against a use; it does not lift a decision by hand, nor what
    is wrong with this spool, this job or this moment.

    Args:
        state: the spool and its lot.
        use: what the job asks of the material.
        pairs: match with each other lot already used in the job.
        match_asked: True when the use shows colour, so that the pairs decide.
        mass_g: what the job needs, g; None when nobody said.
        at: the moment of loading, for concessions; None looks at none.
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
    """What the spool fails by itself for this use, then what it fails for all uses."""
    named = [message for uses, message in state.nonconforming if use in uses]
    return named + [message for uses, message in state.nonconforming if GENERAL in uses and use not in uses]


def _age_reasons(state: SpoolState, use: str, at: datetime) -> list[str]:
    found = list(state.life.against(state.spool, at)) if state.life is not None else []
    if state.dryness is not None and state.dryness.asked_for(use):
        found += state.dryness.against(state.spool, at)
    return found


def _not_known(pairs: Sequence[PairMatch]) -> list[str]:
    """Cautions about lots of which one spool was measured, as far as they are compared with a limit."""
    return list(
        map(SPOOLS_NOT_KNOWN.format, dict.fromkeys(lot for p in pairs if p.limit is not None for lot in p.unknown))
    )


def with_held(found: Clearance, machine: str, held: Sequence[tuple[str, str]], slots: int = 1) -> Clearance:
    """Returns a clearance with a caution where its machine has no free slot. It is no refusal: a spool may have been taken off unrecorded.

    Args:
        found: the clearance of a spool for this machine.
        machine: its name.
        held: (spool, job) of each other spool that is on it.
        slots: how many spools it holds at once, >= 1.

    Example:
        >>> with_held(Clearance((), ()), "P1", [("HW-Q12-3", "J-1043")]).cautions
        ('P1 already holds HW-Q12-3 for J-1043: unload it first unless it has another slot.',)
        >>> with_held(Clearance((), ()), "P1", [("HW-Q12-3", "J-1043")], slots=4).cautions
        ()
    """
    if len(held) < slots:
        return found
    named = " and ".join(f"{spool} for {job}" for spool, job in held)
    which = plural(len(held), "it", "one of them")
    return with_caution(found, f"{machine} already holds {named}: unload {which} first unless it has another slot.")


def with_caution(found: Clearance, *cautions: str) -> Clearance:
    """Returns a clearance with these cautions before its own."""
    return replace(found, cautions=(*cautions, *found.cautions)) if cautions else found


def worst_of(
    clearances: Sequence[Clearance], spool: str = "", mates: Sequence[PairMatch] = (), match_asked: bool = False
) -> Clearance:
    """Returns the clearance of a spool that holds filament of several lots: every reason of any of them counts, each said once.

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
        reasons.append(f"Spool {state.spool} is on machine {state.loaded_on}; unload it there first.")
    if not state.remaining_g > BINARY_NOISE:
        reasons.append(f"Spool {state.spool} is empty.")
    elif mass_g is not None and mass_g > state.remaining_g + BINARY_NOISE:
        reasons.append(f"Spool {state.spool} has {state.remaining_g:g} g left; the job needs {mass_g:g} g.")
    return reasons


def _by_hand_reasons(state: SpoolState) -> list[str]:
    """A decision in force speaks even where the standing has not caught up with it."""
    if state.by_hand is None or not state.judged:
        return []
    action, reason = state.by_hand
    words = {
        "block": "was blocked",
        "hold": "is on hold",
        "return": "goes back to the supplier",
        "scrap": "was scrapped",
    }
    return [f"Lot {state.lot} {words.get(action, f'is under the decision {action!r}')}: {reason}"]


def _standing_reasons(state: SpoolState) -> list[str]:
    if not state.judged or state.standing not in STANDINGS:
        return [f"Lot {state.lot} has never been judged."]
    if state.standing in LOADABLE:
        return []
    if state.standing == "blocked":
        return [f"Lot {state.lot} is blocked by its readings."]
    if state.standing == "quarantined":
        incomplete = ": its measurements are not complete" if "missing" in state.uses.values() else ""
        return [f"Lot {state.lot} is in quarantine{incomplete}."]
    return [f"Lot {state.lot} is {state.standing}."]


def _use_reasons(state: SpoolState, use: str) -> list[str]:
    reasons = [one.says for one in state.material.against(use)]
    forbidden = bool(reasons)
    verdict = verdict_on_use(state.uses, state.blocks, use)
    if verdict is None:
        judged = f"only {_listed(tuple(state.uses))}" if state.uses else "no use"
        # Limits for a use that the grade forbids would not help.
        ask = "" if forbidden else " Ask quality to add this use."
        reasons.append(
            f"Lot {state.lot} has not been assessed for {_said(use)}. The limits of its grade cover {judged}.{ask}"
        )
    elif verdict != "pass":
        # A blocked lot's standing has said so already; what follows is why.
        if state.standing != "blocked":
            label = {
                "fail": "fails for",
                "near": "is not accepted yet for",
                "missing": "is not measured enough for",
            }.get(verdict, "has no verdict for")
            reasons.append(f"Lot {state.lot} {label} {_said(use)}.")
        reasons += state.why.get(use if use in state.uses else GENERAL, [])
    return reasons


def _pair_reason(state: SpoolState, pair: PairMatch) -> str:
    if pair.within is None and pair.says:
        return f"Lot {state.lot} cannot be compared with lot {pair.lot}, already used in this job: {pair.says}"
    if pair.same_lot:
        between = "spools of its lot differ by that much" if pair.allowance else pair.direction
        return (
            f"Spool {state.spool} does not match spool {pair.spool} of the same lot, already used in this job: colour difference "
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
    """Returns in words why two lots do not match within one job."""
    if pair.within is None and pair.says:
        return f"They cannot be compared: {pair.says}"
    if pair.delta_e is None or pair.limit is None:
        return "They cannot be compared: a mean colour under the same conditions is missing."
    return f"They do not match: colour difference {shown(pair.delta_e)}, at most {pair.limit:g} within one job ({pair.direction})."


def _listed(uses: Sequence[str]) -> str:
    return ", ".join(hyphenated(use) for use in uses)


def _said(use: str) -> str:
    return hyphenated(use) + " use" if use in USES or use == GENERAL else f"the use {use}"
