"""Limits revisions: the acceptance limits of a grade as one value, read from JSON."""

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
# Fields with the same meaning in every block, handled in one place.
ASKED_ALIKE = tuple(dict.fromkeys(one.name for each in DECLARED.values() for one in each.limits.fields if one.alike))

# The uses of a job. `general` requires every block, where limits name no uses.
USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
GENERAL = "general"

# Use -> characteristic that must be assessed for it, for limits that name no uses.
DEFINING = {use: name for name, declared in DECLARED.items() for use in declared.uses}


@dataclass(frozen=True, init=False)
class Limits:
    """A limits revision. Each block can also be given and read by the name of its characteristic; None: not required.

    `instruments` says whether a reading must name its instrument. `asked` holds the fields common to all blocks (`ASKED_ALIKE`), by
    characteristic. `uses` maps a use to the characteristics it requires; empty where the limits name no uses.
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
            raise TypeError(f"no characteristic is named {', '.join(sorted(strange))}")
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
        """The characteristics with limits."""
        return tuple(self.given)

    def required(self) -> dict[str, tuple[str, ...]]:
        """Returns use -> characteristics it requires; without named uses, `general` requires every block."""
        return dict(self.uses) if self.uses else {GENERAL: self.blocks}

    def used_by(self, characteristic: str) -> tuple[str, ...]:
        """Returns the uses that require a characteristic."""
        return tuple(use for use, needs in self.required().items() if characteristic in needs)


def verdict_on_use(uses: Mapping[str, str], blocks: tuple[str, ...], use: str) -> str | None:
    """Returns a lot's verdict on one use, or None when its limits do not cover that use.

    A use named by the limits has its own verdict. Where the limits name none, the `general` verdict covers a use whose defining
    characteristic has limits: colour for cosmetic, shrinkage for fit, interlayer strength for load-bearing and flexing. A lot without
    limits on interlayer strength is not cleared to carry a load.

    Args:
        uses: the lot's verdict per use.
        blocks: the characteristics with limits.
        use: the use.

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
    """Returns the errors of a limits revision beyond the types of its fields.

    Returns:
        (JSON pointer, detail, hint) of each error.

    Notes:
        A block without a limit would pass everything. A use that requires a missing block could never be assessed. Both are errors, so that
        a lot never passes by omission.
    """
    found: list[tuple[str, str, str]] = []
    blocks = [name for name in CHARACTERISTICS if body.get(name) is not None]
    if not blocks:
        found.append(
            (
                "",
                "These limits are empty, so every lot would pass.",
                f"Give at least one of {', '.join(CHARACTERISTICS)}.",
            )
        )
    found += _sampling_problems(body.get("sampling"))
    for name in blocks:
        found += _block_problems(DECLARED[name], body[name])
    uses = body.get("uses")
    if uses is not None and not uses:
        found.append(("/uses", "The map of uses is empty.", "Name at least one use, or leave uses out."))
    for use, needs in (uses or {}).items():
        if not needs:
            found.append(
                (
                    f"/uses/{use}",
                    f"The use {hyphenated(use)} requires no characteristic, so every lot would pass for it.",
                    "List the characteristics that it requires.",
                )
            )
        found += [
            (
                f"/uses/{use}",
                f"The use {hyphenated(use)} requires {name}, but these limits have no {name} block.",
                f"Add the block {name}, or remove {name} from this use.",
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
                "The number of spools to measure is missing.",
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
            found.append(("/sampling/aql", f"{wrong}.", "Use one of the standard's values."))
    return found


def _block_problems(declared: Characteristic, block: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Returns the errors of one characteristic's block: no limit, a reversed range, or its own checks."""
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
    """Returns whether the block sets any of these keys. An empty map does not count, a limit of 0 does."""
    return any(block.get(key) is not None and block.get(key) != {} for key in keys)


def completed(body: Mapping[str, Any]) -> dict[str, Any]:
    """Returns a limits revision as stored: guarded limits require instruments unless they state otherwise.

    A guard band follows from the uncertainty of the instrument, so the instrument must be known.

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
        body: a revision as posted, without `problems`.
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
    """Returns the block of a characteristic in a stored limits revision; empty without one."""
    block = body.get(name)
    return block if isinstance(block, dict) else {}


def own_part(block: Mapping[str, Any]) -> dict[str, Any]:
    """Returns the fields of a block without those common to all blocks."""
    return {name: value for name, value in block.items() if name not in ASKED_ALIKE}


def _alike(block: Mapping[str, Any]) -> dict[str, Any]:
    return {name: block[name] for name in ASKED_ALIKE if block.get(name) is not None}


def _sampling(block: Mapping[str, Any]) -> Sampling:
    return Sampling(**{name: value for name, value in block.items() if name != "plan"})


def limit_on(measure: str, limits: Limits | None, nominal_mm: float) -> Limit | None:
    """Returns the limit on a figure of a lot, or None without one.

    Args:
        measure: a key of MEASURES.
        limits: the limits revision, None when the grade has none.
        nominal_mm: the grade's nominal diameter, mm.
    """
    block = limits.given.get(declared_of(measure).name) if limits else None
    return MEASURES[measure].limit(block, nominal_mm) if block is not None else None
