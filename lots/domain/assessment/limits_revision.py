"""What was agreed for a grade: a limits revision as one value, read from the JSON that was posted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.limit_fields import LimitField
from lots.domain.characteristics.registry import DECLARED, MEASURES, declared_of
from lots.domain.conformity.limits import GUARD_Z, DecisionRule, Limit
from lots.domain.receiving.coverage import Sampling
from lots.domain.receiving.sampling_plans import plan_for
from lots.domain.words import hyphenated

CHARACTERISTICS = tuple(DECLARED)
# Fields that mean the same in every block that has them, and are judged for all in one place.
ASKED_ALIKE = tuple(dict.fromkeys(one.name for each in DECLARED.values() for one in each.limits.fields if one.alike))

# What a job may ask of the material. `general` stands for every block at once, where limits name no uses.
USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
GENERAL = "general"

# The characteristic without which a use has not been looked at, for limits that name no uses.
DEFINING = {use: name for name, declared in DECLARED.items() for use in declared.uses}


@dataclass(frozen=True, init=False)
class Limits:
    """A limits revision. Each block can also be given and read by the name of its characteristic; None: it is not required.

    `instruments` says whether a measured reading counts without an instrument. `asked` holds what blocks ask in the same words (`ASKED_ALIKE`), by characteristic. `uses` maps a use to the characteristics it requires; it always has at least one entry (`general` when none were named).
    """

    rule: DecisionRule
    sampling: Sampling
    given: Mapping[str, Any]
    uses: Mapping[str, tuple[str, ...]]
    asked: Mapping[str, Mapping[str, Any]]
    instruments: Literal["required", "optional"]

    def __init__(
        self,
        rule: DecisionRule = DecisionRule(),  # noqa: B008  # immutable
        sampling: Sampling = Sampling(),  # noqa: B008  # immutable
        given: Mapping[str, Any] | None = None,
        uses: Mapping[str, tuple[str, ...]] | None = None,
        asked: Mapping[str, Mapping[str, Any]] | None = None,
        instruments: Literal["required", "optional"] = "optional",
        **blocks: Any,
    ) -> None:
        if strange := blocks.keys() - DECLARED.keys():
            raise TypeError(f"there is no characteristic {', '.join(sorted(strange))}")
        every = {**(given or {}), **blocks}
        object.__setattr__(self, "rule", rule)
        object.__setattr__(self, "sampling", sampling)
        object.__setattr__(self, "given", {name: every[name] for name in DECLARED if every.get(name) is not None})
        object.__setattr__(self, "uses", uses or {})
        object.__setattr__(self, "asked", asked or {})
        object.__setattr__(self, "instruments", instruments)

    def __getattr__(self, name: str) -> Any:
        if name in DECLARED:
            return self.given.get(name)
        raise AttributeError(name)

    @property
    def blocks(self) -> tuple[str, ...]:
        """The characteristics these limits set anything for."""
        return tuple(self.given)

    def required(self) -> dict[str, tuple[str, ...]]:
        """Returns use -> characteristics it requires; without named uses, `general` requires every block."""
        return dict(self.uses) if self.uses else {GENERAL: self.blocks}

    def used_by(self, characteristic: str) -> tuple[str, ...]:
        """Returns the uses that require a characteristic."""
        return tuple(use for use, needs in self.required().items() if characteristic in needs)


def verdict_on_use(uses: Mapping[str, str], blocks: tuple[str, ...], use: str) -> str | None:
    """Returns a lot's verdict on one use, or None when its limits say nothing of that use.

    A use named by the limits has its own verdict. Where the limits name none, the `general` verdict speaks for a use whose defining
    characteristic is among the blocks judged: colour for cosmetic, shrinkage for fit, bond for load-bearing and flexing. A lot
    whose bond nobody asked about is not cleared to carry a load.

    Args:
        uses: the lot's verdict per use.
        blocks: the characteristics its limits judge.
        use: the use asked for.

    Example:
        >>> verdict_on_use({"general": "pass"}, ("color", "diameter"), "cosmetic")
        'pass'
        >>> verdict_on_use({"general": "pass"}, ("color", "diameter"), "load_bearing") is None
        True
    """
    if use in uses:
        return uses[use]
    if GENERAL in uses and use in USES and DEFINING.get(use) in (None, *blocks):
        return uses[GENERAL]
    return None


def problems(body: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Returns what is wrong with a limits revision beyond the types of its fields.

    Returns:
        (JSON pointer, what is wrong, what to do), empty when nothing is.

    Notes:
        A block that sets no limit would pass everything, and a use that requires a block which is not there could never be
        judged; both are refused here so that a lot never passes by omission.
    """
    found: list[tuple[str, str, str]] = []
    blocks = [name for name in CHARACTERISTICS if body.get(name) is not None]
    if not blocks:
        found.append(
            (
                "",
                "These limits ask for nothing, so every lot would pass unseen.",
                f"Give at least one of {', '.join(CHARACTERISTICS)}.",
            )
        )
    found += _sampling_problems(body.get("sampling"))
    for name in blocks:
        found += _block_problems(DECLARED[name], body[name])
    uses = body.get("uses")
    if uses is not None and not uses:
        found.append(
            ("/uses", "An empty map of uses would leave nothing to judge.", "Name at least one use, or leave uses out.")
        )
    for use, needs in (uses or {}).items():
        if not needs:
            found.append(
                (
                    f"/uses/{use}",
                    f"The use {hyphenated(use)} requires nothing, so every lot would pass for it unseen.",
                    "List what it requires.",
                )
            )
        found += [
            (
                f"/uses/{use}",
                f"The use {hyphenated(use)} requires {name}, for which these limits set nothing.",
                f"Add a {name} block, or take {name} out of this use.",
            )
            for name in needs
            if name not in blocks
        ]
    return found


def _sampling_problems(block: Mapping[str, Any] | None) -> list[tuple[str, str, str]]:
    if block is None:
        return []
    by_plan = [name for name in ("plan", "level", "aql") if block.get(name) is not None]
    if block.get("fixed") is not None:
        if by_plan:
            return [
                (
                    "/sampling",
                    "A fixed number and a plan are both given.",
                    "Give a fixed number, or a plan with its level and AQL.",
                )
            ]
        return []
    if not by_plan:
        if block.get("retest_rounds_max") is not None:
            return []
        return [
            (
                "/sampling",
                "This says nothing of how many spools to measure.",
                "Give a fixed number, or a plan with its level and AQL.",
            )
        ]
    found = [
        (f"/sampling/{name}", f"A plan needs its {said}.", "Give the plan, its level and its AQL together.")
        for name, said in (("plan", "name"), ("level", "level"), ("aql", "AQL"))
        if block.get(name) is None
    ]
    if not found:
        try:
            plan_for(2, block["level"], block["aql"])
        except ValueError as wrong:
            found.append(("/sampling/aql", f"{wrong}.", "Take one of the standard's values."))
    return found


def _block_problems(declared: Characteristic, block: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """What is wrong with the block of one characteristic: it limits nothing, a range is the wrong way round, or what it says of itself."""
    limits, found = declared.limits, []
    asks = tuple(one.name for one in limits.fields if one.asks)
    if asks and not _sets(block, asks):
        beside, sentence = limits.beside
        what = sentence if _sets(block, beside) else "sets no limit, so it would pass everything"
        hint = "Set at least one limit, or leave the block out."
        found.append((f"/{declared.name}", f"The {declared.name} block {what}.", hint))
    found += [(f"/{declared.name}/{one.name}", *one.order) for one in limits.fields if _reversed(one, block)]
    found += [(f"/{declared.name}{pointer}", detail, hint) for pointer, detail, hint in limits.problems(block)]
    return found


def _reversed(one: LimitField, block: Mapping[str, Any]) -> bool:
    ends = block.get(one.name) if one.type == "pair" else None
    return ends is not None and ends[0] > ends[1]


def _sets(block: Mapping[str, Any], keys: tuple[str, ...]) -> bool:
    """True when the block sets any of these; an empty map sets nothing, a limit of 0 does."""
    return any(block.get(key) is not None and block.get(key) != {} for key in keys)


def completed(body: Mapping[str, Any]) -> dict[str, Any]:
    """Returns a limits revision as it is kept: guarded limits require instruments unless they say otherwise, and say so.

    A guard band follows from the uncertainty of an instrument, and nobody knows that of an instrument which nobody named.

    Reference:
        JCGM 106:2012, 8.3 (the guard band rests on the measurement uncertainty); the default itself is common practice, no source.

    Example:
        >>> completed({"decision_rule": "guarded"})["instruments"], "instruments" in completed({"decision_rule": "simple"})
        ('required', False)
    """
    if body.get("decision_rule") != "guarded" or body.get("instruments") is not None:
        return dict(body)
    return {**body, "instruments": "required"}


def limits_from(body: Mapping[str, Any]) -> Limits:
    """Returns the value of a limits revision.

    Args:
        body: a revision as posted, whose fields have been checked and which has no `problems`.
    """
    return Limits(
        rule=DecisionRule(body.get("decision_rule", "simple") == "guarded", body.get("guard_z") or GUARD_Z),
        sampling=_sampling(body.get("sampling") or {}),
        given={name: one.limits.read(own_part(body[name])) for name, one in DECLARED.items() if body.get(name)},
        asked={name: _alike(body[name]) for name in DECLARED if body.get(name) and _alike(body[name])},
        uses={use: tuple(needs) for use, needs in (body.get("uses") or {}).items()},
        instruments=body.get("instruments", "optional"),
    )


def block_of(body: Mapping[str, object], name: str) -> dict[str, Any]:
    """Returns the block of a characteristic in a limits revision as it is kept; empty where it has none."""
    block = body.get(name)
    return block if isinstance(block, dict) else {}


def own_part(block: Mapping[str, Any]) -> dict[str, Any]:
    """Returns what a block asks in its own words, as its characteristic reads it."""
    return {name: value for name, value in block.items() if name not in ASKED_ALIKE}


def _alike(block: Mapping[str, Any]) -> dict[str, Any]:
    return {name: block[name] for name in ASKED_ALIKE if block.get(name) is not None}


def _sampling(block: Mapping[str, Any]) -> Sampling:
    return Sampling(**{name: value for name, value in block.items() if name != "plan"})


def limit_on(measure: str, limits: Limits | None, nominal_mm: float) -> Limit | None:
    """Returns the limit that a lot's figure must keep to, or None where the limits set none.

    Args:
        measure: a key of MEASURES.
        limits: the limits revision, None when the grade has none.
        nominal_mm: the grade's nominal diameter, mm.
    """
    block = limits.given.get(declared_of(measure).name) if limits else None
    return MEASURES[measure].limit(block, nominal_mm) if block is not None else None
