"""What was agreed for a grade: a limits revision as one value, read from the JSON that was posted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lots.domain.characteristics.bond import BondLimits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.diameter import DiameterLimits
from lots.domain.characteristics.gloss import ANGLES, GlossLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.characteristics.opacity import OpacityLimits
from lots.domain.characteristics.plausibility import doubt_moisture
from lots.domain.characteristics.shrinkage import AXES, ShrinkageLimits
from lots.domain.characteristics.surface import SurfaceLimits
from lots.domain.colorimetry.color_difference import checked_weights
from lots.domain.conformity.limits import DecisionRule
from lots.domain.receiving.coverage import Sampling
from lots.domain.receiving.sampling_plans import plan_for

CHARACTERISTICS = ("color", "diameter", "shrinkage", "bond", "surface", "moisture", "gloss", "opacity")

# What a job may ask of the material. `general` stands for every block at once, where limits name no uses.
USES = ("cosmetic", "fit", "load_bearing", "flexing", "hidden")
GENERAL = "general"

# The characteristic without which a use has not been looked at, for limits that name no uses.
DEFINING = {"cosmetic": "color", "fit": "shrinkage", "load_bearing": "bond", "flexing": "bond"}


@dataclass(frozen=True, slots=True)
class Limits:
    """A limits revision. A block that is None is not required.

    `uses` maps a use to the characteristics it requires; it always has at least one entry (`general` when none were named).
    """

    rule: DecisionRule = field(default_factory=DecisionRule)
    sampling: Sampling = field(default_factory=Sampling)
    color: ColorLimits | None = None
    diameter: DiameterLimits | None = None
    shrinkage: ShrinkageLimits | None = None
    bond: BondLimits | None = None
    surface: SurfaceLimits | None = None
    moisture: MoistureLimits | None = None
    uses: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    gloss: GlossLimits | None = None
    opacity: OpacityLimits | None = None

    @property
    def blocks(self) -> tuple[str, ...]:
        """The characteristics these limits set anything for."""
        return tuple(name for name in CHARACTERISTICS if getattr(self, name) is not None)

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
    for name, at_least in _ONE_OF.items():
        if body.get(name) is not None and not _sets(body[name], at_least):
            what = "sets no limit, so it would pass everything"
            if name == "color" and _sets(body[name], BESIDE_COLOR):
                what = f"sets no limit on the colour itself, and {', '.join(BESIDE_COLOR)} stand beside one, never in its place"
            found.append(
                (
                    f"/{name}",
                    f"The {name} block {what}.",
                    f"Give at least one of {', '.join(at_least)}, or leave the block out.",
                )
            )
    found += _sampling_problems(body.get("sampling"))
    moist = body.get("moisture")
    if moist and (doubt := doubt_moisture(moist["max_percent"])):
        found.append(("/moisture/max_percent", doubt.detail, doubt.hint))
    color = body.get("color")
    if color:
        try:
            checked_weights(color.get("formula", "CIEDE2000"), color.get("weights"))
        except ValueError as wrong:
            found.append(("/color/weights", f"{wrong}.", "Leave weights out for the formula's own."))
    found += [
        (f"/{name}/{key}", "The lower limit is above the upper one.", "Write [lowest, highest].")
        for name, key in (("color", "tint"), *(("gloss", f"deg_{angle}_gu") for angle in ANGLES))
        if (ends := (body.get(name) or {}).get(key)) and ends[0] > ends[1]
    ]
    shrinkage = body.get("shrinkage")
    if shrinkage:
        for axis in AXES:
            ends = shrinkage.get(f"{axis}_percent")
            if ends and ends[0] > ends[1]:
                found.append(
                    (
                        f"/shrinkage/{axis}_percent",
                        "The lower limit is above the upper one.",
                        "Write [lowest, highest].",
                    )
                )
            elif ends and any(ends) and max(abs(end) for end in ends) < 0.02:
                found.append(
                    (
                        f"/shrinkage/{axis}_percent",
                        f"A shrinkage within {ends[0]:g} to {ends[1]:g} % looks like a fraction.",
                        "Write percent: 0.003 is 0.3 %.",
                    )
                )
        age = shrinkage.get("age_h")
        if age and age[0] > age[1]:
            found.append(
                ("/shrinkage/age_h", "The earliest age is above the latest.", "Write [earliest, latest] in hours.")
            )
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
                    f"The use {use} requires nothing, so every lot would pass for it unseen.",
                    "List what it requires.",
                )
            )
        found += [
            (
                f"/uses/{use}",
                f"The use {use} requires {name}, for which these limits set nothing.",
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
                ("/sampling", "A fixed number and a plan are both given.", "Give fixed, or plan with level and aql.")
            ]
        return []
    if not by_plan:
        if block.get("retest_rounds_max") is not None:
            return []
        return [
            ("/sampling", "This says nothing of how many spools to measure.", "Give fixed, or plan with level and aql.")
        ]
    found = [
        (f"/sampling/{name}", f"A plan needs its {name}.", "Give plan, level and aql together.")
        for name in ("plan", "level", "aql")
        if block.get(name) is None
    ]
    if not found:
        try:
            plan_for(2, block["level"], block["aql"])
        except ValueError as wrong:
            found.append(("/sampling/aql", f"{wrong}.", "Take one of the standard's values."))
    return found


_ONE_OF = {
    # A step alone says nothing of a first lot.
    "color": ("lot_max", "spool_max", "spread_max", "components_max"),
    "diameter": ("mean_tolerance_mm", "reading_tolerance_mm", "ovality_max_mm"),
    "shrinkage": ("x_percent", "y_percent", "z_percent"),
    "bond": ("mean_min_mpa", "single_min_mpa", "control_ratio_min"),
    "gloss": tuple(f"deg_{angle}_gu" for angle in ANGLES),
}
# What may be asked of a colour beside a limit on L*, a*, b*. None of these tells a colour by itself: a pink cast leaves whiteness as it is.
BESIDE_COLOR = ("metamerism_max", "whiteness_min", "tint", "yellowness_max")


def _sets(block: Mapping[str, Any], keys: tuple[str, ...]) -> bool:
    """True when the block sets any of these; an empty map sets nothing, a limit of 0 does."""
    return any(block.get(key) is not None and block.get(key) != {} for key in keys)


def limits_from(body: Mapping[str, Any]) -> Limits:
    """Returns the value of a limits revision.

    Args:
        body: a revision as posted, whose fields have been checked and which has no `problems`.
    """
    color, diameter, shrinkage = body.get("color"), body.get("diameter"), body.get("shrinkage")
    bond, surface, moisture = body.get("bond"), body.get("surface"), body.get("moisture")
    gloss, opacity = body.get("gloss"), body.get("opacity")
    return Limits(
        rule=DecisionRule(body.get("decision_rule", "simple") == "guarded", body.get("guard_z") or DecisionRule().z),
        sampling=_sampling(body.get("sampling") or {}),
        color=color_limits(body) if color else None,
        diameter=DiameterLimits(**diameter) if diameter else None,
        shrinkage=_shrinkage(shrinkage) if shrinkage else None,
        bond=BondLimits(**bond) if bond else None,
        surface=SurfaceLimits(**surface) if surface else None,
        moisture=MoistureLimits(**moisture) if moisture else None,
        gloss=_gloss(gloss) if gloss else None,
        opacity=OpacityLimits(**opacity) if opacity else None,
        uses={use: tuple(needs) for use, needs in (body.get("uses") or {}).items()},
    )


def _sampling(block: Mapping[str, Any]) -> Sampling:
    return Sampling(**{name: value for name, value in block.items() if name != "plan"})


def color_limits(body: Mapping[str, Any]) -> ColorLimits:
    """Returns the colour limits of a revision as posted; those that ask nothing where it has no colour block."""
    block = body.get("color")
    if not block:
        return ColorLimits()
    formula = block.get("formula", "CIEDE2000")
    rest = {key: value for key, value in block.items() if key not in ("formula", "weights", "tint")}
    tint = block.get("tint")
    return ColorLimits(
        formula=formula,
        weights=checked_weights(formula, block.get("weights")),
        tint=(tint[0], tint[1]) if tint else None,
        **rest,
    )


def _gloss(block: Mapping[str, Any]) -> GlossLimits:
    gu = {angle: (ends[0], ends[1]) for angle in ANGLES if (ends := block.get(f"deg_{angle}_gu"))}
    return GlossLimits(gu, block.get("readings_per_spool_min", 1))


def _shrinkage(block: Mapping[str, Any]) -> ShrinkageLimits:
    percent = {axis: (float(ends[0]), float(ends[1])) for axis in AXES if (ends := block.get(f"{axis}_percent"))}
    age = block.get("age_h")
    return ShrinkageLimits(
        percent, block.get("step_max_percent"), block.get("tests_per_axis_min", 1), (age[0], age[1]) if age else None
    )
