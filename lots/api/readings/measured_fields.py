"""Fields of readings in requests and answers, made from their declarations."""

from __future__ import annotations

from typing import Any

from marshmallow import fields, validate

from lots.api.http.fields import Numbers, StrictBoolean, StrictFloat, StrictInteger, Text, whole_ends
from lots.api.setup.shades import LAB, ConditionsArgs, ConditionsSchema, ReadConditionsArgs, SpectrumSchema
from lots.api.setup.shades import spectrum_field as spectrum
from lots.domain.characteristics.declaring.declaration import Characteristic, Field
from lots.domain.characteristics.registry import DECLARED

# Default descriptions by field type.
_SAID = {"lab": LAB}
_ANSWERED: dict[str, type[fields.Field[Any]]] = {
    "number": fields.Float,
    "whole": fields.Integer,
    "text": fields.String,
    "choice": fields.String,
    "truth": fields.Boolean,
}


def asked(declared: Characteristic) -> dict[str, fields.Field[Any]]:
    """Returns the fields of a characteristic as requests have them, in order."""
    return {one.name: _asked(one, declared) for one in declared.fields}


def _asked(one: Field, declared: Characteristic) -> fields.Field[Any]:
    metadata = {"label": _label(one), "description": one.about, "example": one.example}
    known: dict[str, Any] = {"metadata": {name: said for name, said in metadata.items() if said not in (None, "")}}
    if one.needed:
        known["required"] = True
    elif one.default is not None:
        known["load_default"] = one.default
    match one.type:
        case "lab":
            return Numbers(3, one.about or LAB, **known)
        case "spectrum":
            return spectrum(**known)
        case "conditions":
            # Illuminant and observer are optional only with a spectrum.
            shape = ReadConditionsArgs if declared.of_type("spectrum") else ConditionsArgs
            return fields.Nested(shape, error_messages={"required": "This is required."}, **known)
        case "truth":
            return StrictBoolean(**known)
    if not one.needed and one.default is None:
        known["allow_none"] = True
    match one.type:
        case "text":
            return Text(one.longest or 200, **known)
        case "choice":
            return Text(one.longest, one_of=one.words, **known)
        case "whole":
            return _whole(one, known)
    return StrictFloat(one.low, one.high, above=one.above, **known)


def _label(one: Field) -> str:
    said = one.label or one.said.removeprefix("the ")
    return said[:1].upper() + said[1:]


def _whole(one: Field, known: dict[str, Any]) -> StrictInteger:
    if one.words:
        only = one.only or f"This must be one of: {', '.join(map(str, one.words))}."
        known["validate"] = validate.OneOf(one.words, error=only)
    return StrictInteger(*whole_ends(one.low, one.high, one.above), **known)


def answered() -> dict[str, fields.Field[Any]]:
    """Returns the fields of all kinds for answers, in the order of the registry. A name shared by two kinds appears once."""
    found: dict[str, fields.Field[Any]] = {}
    for declared in DECLARED.values():
        for one in declared.fields:
            found.setdefault(one.name, _answered(one))
        for out in declared.worked_out:
            found.setdefault(out.name, fields.Float(metadata={"description": out.about}))
    return found


def _answered(one: Field) -> fields.Field[Any]:
    if one.type in ("spectrum", "conditions"):
        shape = SpectrumSchema if one.type == "spectrum" else ConditionsSchema
        return fields.Nested(shape, metadata={"description": one.answered} if one.answered else {})
    metadata = {"description": one.answered or one.about or _SAID.get(one.type, "")}
    if one.type == "lab":
        return fields.List(fields.Float(), metadata=metadata)
    return _ANSWERED[one.type](metadata=metadata)
