"""The schema of a limits revision. Every block is optional, and an absent block is not required."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, post_load, validate

from lots.api.http.fields import Instant, Numbers, Strict, StrictBoolean, StrictFloat, StrictInteger, Text, whole_ends
from lots.domain.assessment.limits_revision import CHARACTERISTICS, USES
from lots.domain.characteristics.declaring.limit_fields import LimitField
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.limits import GUARD_Z
from lots.domain.receiving.sampling_plans import GREATEST_PERCENT, LEVELS


class SamplingArgs(Strict):
    """The sample of a delivery: a fixed number of spools, or an attributes plan of MIL-STD-105E."""

    fixed = StrictInteger(
        1,
        1000,
        metadata={
            "label": "Fixed number of spools",
            "description": "number of spools, or all if there are fewer",
            "proposal": 3,
            "source": "common practice, no source",
        },
    )
    plan = Text(
        20,
        one_of=("MIL-STD-105E",),
        metadata={
            "label": "Attributes plan",
            "description": "standard for the sampling plan, instead of a fixed number",
        },
    )
    level = Text(
        3,
        one_of=LEVELS,
        metadata={
            "label": "Inspection level",
            "description": "inspection level of the plan; II is usual, S-1 to S-4 give smaller samples",
        },
    )
    aql = StrictFloat(
        above=0,
        high=GREATEST_PERCENT,
        metadata={
            "label": "AQL, % nonconforming",
            "description": "acceptance quality limit, % nonconforming; a value of the standard such as 1.0 or 2.5",
        },
    )
    reduced_allowed = StrictBoolean(
        metadata={
            "label": "Reduced inspection",
            "description": "true if ten accepted lots in a row lead to reduced inspection",
            "on_form": "Yes: ten accepted lots in a row lead to reduced inspection.",
        }
    )
    retest_rounds_max = StrictInteger(
        0,
        100,
        metadata={
            "label": "Maximum extra rounds of readings",
            "description": "maximum extra rounds of readings before quality must decide",
        },
    )


def _block(schema: str, about: str, parts: tuple[LimitField, ...]) -> type[Strict]:
    made: dict[str, Any] = {one.name: _field(one, schema) for one in parts}
    return type(f"{schema}Args", (Strict,), {"__doc__": about, "__module__": __name__, **made})


def _field(one: LimitField, block: str) -> fields.Field[Any]:
    """Returns the request field of a declared field."""
    known: dict[str, Any] = {"required": True} if one.needed else {}
    if one.default is not None:
        known["load_default"] = one.default
    known["metadata"] = _said(one)
    if one.type == "map":
        return fields.Nested(_block(one.schema or f"{block}{one.name.capitalize()}", one.about, one.parts), **known)
    if one.type == "pair":
        return Numbers(2, one.ends, one.low, one.high, above=one.above, **known)
    if one.type == "text":
        return Text(60, **known)
    if one.type == "choice":
        return Text(20, one_of=one.words, **known)
    if one.type == "list":
        return fields.List(StrictFloat(one.low, one.high, above=one.above), **known)
    if one.type == "whole":
        return StrictInteger(*whole_ends(one.low, one.high, one.above), hint=one.hint, **known)
    return StrictFloat(one.low, one.high, above=one.above, hint=one.hint, **known)


def _said(one: LimitField) -> dict[str, Any]:
    """Returns the metadata of a field. "on_form", "label", "proposal" and "source" are for forms only."""
    said = {"description": one.about, "on_form": one.on_form, "label": one.label, "proposal": one.proposal}
    kept = {name: value for name, value in said.items() if value not in ("", None)}
    return {**kept, "source": one.source} if one.proposal is not None else kept


def _blocks() -> dict[str, fields.Field[Any]]:
    return {
        name: fields.Nested(
            _block(f"{name.capitalize()}Limits", declared.limits.about, declared.limits.fields),
            metadata={"label": declared.title},
        )
        for name, declared in DECLARED.items()
    }


def _examples() -> dict[str, dict[str, Any]]:
    """Returns the blocks of the document's example, of the fields that have one."""
    found = {name: {one.name: one.example for one in declared.limits.fields} for name, declared in DECLARED.items()}
    shown = {
        name: {field: value for field, value in block.items() if value is not None} for name, block in found.items()
    }
    return {name: block for name, block in shown.items() if block}


_EXAMPLES = _examples()


class _BlocksArgs(Strict):
    """The decision rule, and a block of limits for each characteristic."""

    decision_rule = Text(
        10,
        one_of=("simple", "guarded"),
        load_default="simple",
        metadata={
            "label": "Decision rule",
            "description": "simple: the limit decides; guarded: the limit less the guard band decides",
        },
    )
    guard_z = StrictFloat(
        above=0,
        high=10,
        load_default=GUARD_Z,
        metadata={
            "label": "Guard band, standard uncertainties",
            "description": "guard band factor; 1.645 gives 5 % risk at the limit (JCGM 106), Student's t replaces it for estimated uncertainties",
        },
    )
    instruments = Text(
        10,
        one_of=("required", "optional"),
        metadata={
            "label": "Instruments",
            "description": "required: a reading without an instrument does not count; required by default with guarded limits",
        },
    )
    sampling = fields.Nested(SamplingArgs, metadata={"label": "Sampling"})

    class Meta(Strict.Meta):
        include = _blocks()


class LimitsArgs(_BlocksArgs):
    """A limits revision. Without `uses` there is one use, `general`, which requires all blocks."""

    example = {"sampling": {"fixed": 3}, **_EXAMPLES, "uses": {"cosmetic": list(_EXAMPLES)}}

    uses = fields.Dict(
        keys=Text(20, one_of=USES),
        values=fields.List(Text(20, one_of=CHARACTERISTICS), validate=validate.Length(max=len(CHARACTERISTICS))),
        metadata={
            "label": "Uses",
            "description": "required characteristics by use",
            "example": {"cosmetic": list(CHARACTERISTICS[:2])},
        },
    )
    note = Text(2000, lines=True, metadata={"label": "Note", "description": "reason for these limits"})

    @post_load
    def each_once(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """Drops a characteristic that a use names twice."""
        if "uses" in data:
            data["uses"] = {use: list(dict.fromkeys(needs)) for use, needs in data["uses"].items()}
        return data


class LimitsSchema(LimitsArgs):
    """A limits revision. It never changes."""

    id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "revision number within the grade, from 1"})
    rules = fields.Integer(
        required=True, metadata={"description": "version of the assessment rules under these limits"}
    )
    note = Text(2000, required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
